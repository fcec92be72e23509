"""A scenario in, a recording and its truth out."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from sigcheck.synth.scenario import Scenario, run
from sigcheck.synth.signals import Real
from sigcheck.synth.truth import Truth, truth_of


@dataclass(frozen=True)
class Synthesis:
    """Samples (n,) within -1..1, the nominal ``rate_hz`` as a recorder would write it, and the truth."""

    samples: Real
    rate_hz: int
    truth: Truth

    def int16(self) -> NDArray[np.int16]:
        """The samples as a 16-bit converter's codes."""
        return np.clip(np.rint(self.samples * 32768.0), -32768, 32767).astype(np.int16)


def synthesise(scenario: Scenario) -> Synthesis:
    """Make the recording; the same scenario gives the same samples again."""
    made = run(scenario)
    return Synthesis(made.samples, scenario.rate_hz, truth_of(scenario, made))
