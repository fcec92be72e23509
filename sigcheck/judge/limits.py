"""Where each symptom begins: the one table of limits.

A *note* is a mention and needs the estimate beyond the limit; a *fault* spoils copy or annoys the
neighbours and needs the whole 95 % interval beyond its limit. Symptoms that look at two
quantities, or at another one for another kind of signal, have a row for each; the symptom's own
id is the main row. Any row can be set otherwise in a plan::

    [limits]
    hum-sidebands = { note = -70, fault = -50 }

Sources. Where a row rests on something published it is named; the figure itself may still be a
judgement, and the row then says so. "Common practice" marks trade facts without a source.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from difflib import get_close_matches
from typing import Any, Literal

from sigcheck.errors import PlanError

Direction = Literal["above", "below"]

PRACTICE = "common practice, no source"


@dataclass(frozen=True, kw_only=True)
class Limit:
    """One row: ``note`` and ``fault`` in ``unit``, exceeded when the quantity lies in ``direction``.

    ``note`` None: any occurrence is at once a fault, or the other way round for ``fault`` None.
    """

    id: str
    quantity: str
    unit: str
    note: float | None
    fault: float | None
    direction: Direction = "above"
    source: str = PRACTICE

    def beyond(self, value: float, limit: float) -> bool:
        """Whether the value lies on the bad side of the limit."""
        return value > limit if self.direction == "above" else value < limit


_ROWS = (
    Limit(id="hum-sidebands", quantity="strongest sideband of the mains families, relative to the tone",
          unit="dBc", note=-50.0, fault=-40.0),
    Limit(id="spur-lines", quantity="strongest key-down line outside the mains families and the harmonics",
          unit="dBc", note=-50.0, fault=-40.0),
    Limit(id="harmonic-distortion", quantity="all audio harmonics together, relative to the tone",
          unit="dB", note=-34.0, fault=-26.0,
          source="2 % and 5 % of distortion, about where it is heard and where it offends: "
                 "common practice, no source"),
    Limit(id="rasp", quantity="key-down noise within 500 Hz of the tone", unit="dBc",
          note=-35.0, fault=-25.0),
    Limit(id="rasp-rise", quantity="that noise over the noise just after key-up", unit="dB",
          note=3.0, fault=6.0,
          source="3 dB: as much noise again as there is without the tone (arithmetic); "
                 "the choice is common practice, no source"),
    Limit(id="noisy-tone", quantity="phase noise beyond the additive noise, 5 to 300 Hz, rms", unit="rad",
          note=0.03, fault=0.1),
    Limit(id="audio-hum", quantity="strongest mains line that stays at key-up", unit="dBc",
          note=-45.0, fault=-25.0),
    Limit(id="key-clicks", quantity="the faster of rise and fall, 10 to 90 %", unit="s",
          note=3e-3, fault=2e-3, direction="below",
          source="5 to 7 ms give satisfactory copy (The Art and Skill of Radio-Telegraphy, ch. 24); "
                 "half of that as the limit: common practice, no source"),
    Limit(id="slow-keying", quantity="the slower of rise and fall, over the dit", unit="",
          note=0.25, fault=0.5,
          source="a build-up of about a fifth of the dit goes with a bandwidth of five times the speed in "
                 "baud (ITU-R SM.328, from memory, not looked up); beyond it: common practice, no source"),
    Limit(id="chirp", quantity="frequency at half amplitude less the settled frequency", unit="Hz",
          note=5.0, fault=20.0),
    Limit(id="chirp-slow", quantity="chirp over the smaller of 1/dit and the shift (slow modes)", unit="",
          note=0.2, fault=0.5,
          source="1/dit is the resolution that a dit allows (Fourier); the shares of it: "
                 "common practice, no source"),
    Limit(id="backwave", quantity="tone left at key-up, relative to key-down", unit="dB",
          note=-45.0, fault=-30.0),
    Limit(id="overshoot", quantity="peak after the edge over the settled level", unit="dB",
          note=3.0, fault=6.0),
    Limit(id="keying-timing", quantity="scatter of the element lengths over their mean", unit="",
          note=0.08, fault=0.2,
          source="element lengths: Rec. ITU-R M.1677-1, Annex 1; the scatter that is bearable: "
                 "common practice, no source"),
    Limit(id="keying-ratio", quantity="dah to dit less 3", unit="", note=0.4, fault=0.8,
          source="dah = 3 dits: Rec. ITU-R M.1677-1, Annex 1; the departure that is bearable: "
                 "common practice, no source"),
    Limit(id="copy-suffers", quantity="confidence in the text below which bad timing is a fault", unit="",
          note=None, fault=0.9, direction="below"),
    Limit(id="drift", quantity="drift of a steady or keyed signal", unit="Hz/min", note=2.0, fault=10.0),
    Limit(id="drift-slot", quantity="drift over a four-tone transmission", unit="Hz", note=1.0, fault=3.0,
          source="tones 1.46 Hz apart (four-tone slot, from memory, not looked up); "
                 "the share of it: common practice, no source"),
    Limit(id="drift-slow", quantity="change over one dit, over 1/dit (slow modes)", unit="",
          note=0.5, fault=2.0,
          source="1/dit is the resolution that a dit allows (Fourier); the shares of it: "
                 "common practice, no source"),
    Limit(id="frequency-jumps", quantity="largest step of the frequency", unit="Hz", note=0.5, fault=3.0),
    Limit(id="frequency-wobble", quantity="peak of the cyclic part of the frequency", unit="Hz",
          note=0.5, fault=3.0),
    Limit(id="other-signal", quantity="strongest other signal in the passband, at key-up too", unit="dBc",
          note=-25.0, fault=-6.0),
    Limit(id="voice-breakthrough", quantity="speech- or music-like modulation on or beside the tone",
          unit="dBc", note=-45.0, fault=-30.0),
    Limit(id="noise-bursts", quantity="bursts in 1 ms over the noise floor", unit="dB",
          note=10.0, fault=20.0),
    Limit(id="noise-bursts-time", quantity="share of time in bursts", unit="", note=0.01, fault=0.05),
    Limit(id="clipped-recording", quantity="share of the key-down samples held at the rails", unit="",
          note=1e-4, fault=1e-3),
    Limit(id="dropouts", quantity="missing or repeated stretches", unit="", note=None, fault=0.0,
          source="a sound recording has none (reason)"),
    Limit(id="fading", quantity="5 to 95 % range of the key-down level averaged over 0.2 s", unit="dB",
          note=10.0, fault=None),
    Limit(id="weak-signal", quantity="keyed carrier over the noise in 2500 Hz", unit="dB",
          note=0.0, fault=-6.0, direction="below"),
    Limit(id="weak-signal-steady", quantity="steady carrier over the noise in 2500 Hz", unit="dB",
          note=-10.0, fault=-20.0, direction="below"),
    Limit(id="weak-signal-slow", quantity="energy of a dit over the noise density (slow modes)", unit="dB",
          note=16.0, fault=12.0, direction="below",
          source="12 to 13 dB of energy over noise density decide on one element in a thousand wrong "
                 "(detection of a tone of unknown phase); the choice is common practice, no source"),
    Limit(id="weak-signal-slot", quantity="four-tone signal over the noise in 2500 Hz", unit="dB",
          note=-22.0, fault=-25.0, direction="below"),
    Limit(id="copy-slot", quantity="four-tone signal over the noise in 2500 Hz at which a perfect one is just taken",
          unit="dB", note=None, fault=-29.0, direction="below"),
    Limit(id="off-frequency", quantity="carrier less the plan's", unit="Hz", note=10.0, fault=50.0),
    Limit(id="off-time", quantity="start less the plan's", unit="s", note=0.5, fault=1.0),
    Limit(id="off-speed", quantity="speed over the plan's, less 1", unit="", note=0.05, fault=0.15),
    Limit(id="off-shift", quantity="shift over the plan's, less 1", unit="", note=0.10, fault=0.25),
    Limit(id="wrong-message", quantity="probability that noise explains the differences from the plan",
          unit="", note=None, fault=1e-3, direction="below",
          source="one false alarm in a thousand (reason)"),
)  # fmt: skip

LIMITS: Mapping[str, Limit] = {row.id: row for row in _ROWS}
"""All rows by id."""


def limits_for(overrides: Mapping[str, Any] | None = None) -> dict[str, Limit]:
    """The table with a plan's overrides put in.

    Parameters
    ----------
    overrides : row id -> (note, fault); None in either place keeps the table's.

    Raises
    ------
    PlanError : an id that the table does not have.
    """
    table = dict(LIMITS)
    for row_id, (note, fault) in (overrides or {}).items():
        row = table.get(row_id)
        if row is None:
            near = get_close_matches(row_id, table, n=1, cutoff=0.0)[0]
            raise PlanError(f"limits: no symptom is called {row_id!r}; did you mean {near!r}?")
        table[row_id] = replace(
            row,
            note=row.note if note is None else float(note),
            fault=row.fault if fault is None else float(fault),
        )
    return table
