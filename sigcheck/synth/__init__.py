"""Recordings with known faults, built from physics, each with its truth.

A :class:`~sigcheck.synth.scenario.Scenario` is one frozen set of settings; ``synthesise`` turns it
into samples and a :class:`~sigcheck.synth.truth.Truth`. The signal runs through the modules in
the order in which a real one meets them::

    transmitter -> path (house wiring, fading, other stations, noise) -> receiver -> recorder

Nothing here knows how a recording is measured or judged, and nothing there knows this package.
Symbols shared by all modules: ``t`` seconds, ``rate_hz`` samples per second, ``rng`` the generator
that a caller passes in; the tone sits at 0 Hz until the receiver's dial puts it into the audio.
"""

from __future__ import annotations

from sigcheck.synth.faults import FAULTS, Fault, clean_scenario, scenario_with
from sigcheck.synth.scenario import Scenario
from sigcheck.synth.synthesis import Synthesis, audio_path, save, synthesise
from sigcheck.synth.truth import Truth

__all__ = [
    "FAULTS",
    "Fault",
    "Scenario",
    "Synthesis",
    "Truth",
    "audio_path",
    "clean_scenario",
    "save",
    "scenario_with",
    "synthesise",
]
