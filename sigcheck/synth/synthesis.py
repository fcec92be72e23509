"""A scenario in, a recording and its truth out."""

from __future__ import annotations

import json
import os
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from sigcheck.errors import SaveError
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


def audio_path(path: str | os.PathLike[str]) -> Path:
    """The path, if a recording can be written under that name.

    Raises
    ------
    SaveError : the name does not end in .flac.
    """
    audio = Path(path)
    if audio.suffix.lower() != ".flac":
        raise SaveError(f"{audio}: recordings are written as FLAC; let the name end in .flac")
    return audio


def save(made: Synthesis, path: str | os.PathLike[str]) -> Path:
    """Write 16-bit FLAC, and the truth beside it as NAME.truth.json; returns the latter's path.

    Raises
    ------
    SaveError : the name does not end in .flac, or one of the files cannot be written.
    """
    import soundfile

    audio = audio_path(path)
    truth = audio.with_suffix(".truth.json")
    try:
        # By way of a file object: a folder that is missing or closed is then reported as what it is.
        with open(audio, "wb") as file:
            soundfile.write(file, made.int16(), made.rate_hz, format="FLAC", subtype="PCM_16")
        truth.write_text(json.dumps(made.truth.to_dict(), indent=1) + "\n", encoding="utf-8")
    except OSError as error:
        raise SaveError(f"{error.filename or audio}: cannot be written ({error.strerror}); "
                        "check the folder and your rights to it") from None
    return truth
