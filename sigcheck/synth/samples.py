"""The demo recordings: a garden-shed beacon of an invented club on an invented allotment.

``python -m sigcheck.synth.samples FOLDER`` writes them all: NAME.flac, NAME.plan.toml with what its
operator knew when recording, NAME.truth.json with what is truly the matter. The same bytes each time.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from sigcheck.errors import SaveError, SigcheckError
from sigcheck.synth.faults import scenario_with, with_narrow_filter
from sigcheck.synth.receiver import Receiver
from sigcheck.synth.recorder import Recorder
from sigcheck.synth.scenario import Blame, Scenario
from sigcheck.synth.signals import Mains
from sigcheck.synth.synthesis import save, synthesise
from sigcheck.synth.transmitter import Drift, Keying, Transmitter

CARRIER_HZ = 10140070.0  # where the beacon says it is


@dataclass(frozen=True, kw_only=True)
class Sample:
    """One demo recording: its file's name, what the operator wrote down, and how it is made."""

    name: str
    note: str
    scenario: Scenario

    def plan(self) -> str:
        """The plan as TOML: only what an operator truly knows."""
        keying, receiver = self.scenario.transmitter.keying, self.scenario.receiver
        lines = [f"# {self.note}", "[sent]"]
        if keying.mode == "steady":
            lines += ['keying = "steady"']
        else:
            lines += ['keying = "cw"', f'text = "{keying.text}"', f"speed_wpm = {keying.wpm:g}"]
        dial_hz = round((CARRIER_HZ - receiver.tone_hz) / 10.0) * 10.0
        gain_control = "true" if receiver.gain_control is not None else "false"
        lines += ["", "[carrier]", f"hz = {CARRIER_HZ:.1f}", "power_w = 0.2"]
        lines += ["", "[receiver]", f"dial_hz = {dial_hz:.1f}", 'sideband = "usb"']
        lines += [f"gain_control = {gain_control}", "noise_reduction = false"]
        return "\n".join(lines) + "\n"


def _sample(
    name: str, note: str, *faults: str, seed: int, seconds: float, rate_hz: int = 8000, tone_hz: float,
    snr_db: float = 28.0, mains_hz: float = 49.99, keying: Literal["cw", "steady"] = "cw", wpm: float = 15.0,
    edge_s: float = 0.0052, off_s: float = 3.0, drift_hz_per_min: float = 0.3, level_dbfs: float = -15.0,
    narrow_hz: float | None = None, jumps: tuple[tuple[float, float], ...] = (),
) -> Sample:  # fmt: skip
    """A sample on the demo station's equipment."""
    clean = Scenario(
        duration_s=seconds,
        rate_hz=rate_hz,
        seed=seed,
        mains=Mains(hz=mains_hz),
        transmitter=Transmitter(
            keying=Keying(mode=keying, wpm=wpm, rise_s=edge_s, fall_s=1.08 * edge_s, start_s=1.3,
                          stop_s=off_s),
            drift=Drift(rate_hz_per_min=drift_hz_per_min, jumps=jumps),
        ),
        receiver=Receiver(tone_hz=tone_hz, snr_db=snr_db),
        recorder=Recorder(level_dbfs=level_dbfs, rate_error_ppm=12.0),
    )
    if narrow_hz is not None:
        clean = with_narrow_filter(clean, narrow_hz)
    scenario = scenario_with(faults, clean)
    if jumps:
        scenario = replace(scenario, blames=(Blame(cause="loose-connection", shows=("frequency-jumps",)),))
    return Sample(name=name, note=note, scenario=scenario)


SAMPLES: tuple[Sample, ...] = (
    _sample("clean-keyed", "An ordinary evening, speech filter, gain control on.",
            seed=101, seconds=30.0, tone_hz=742.0, snr_db=27.0),
    _sample("clean-steady", "Key held down for tuning, then the transmitter switched off.",
            seed=102, seconds=25.0, tone_hz=913.0, snr_db=24.0, keying="steady", off_s=6.0,
            drift_hz_per_min=-0.4),
    _sample("clean-narrow-filter", "The same beacon at 20 words a minute through the 500 Hz filter.",
            seed=103, seconds=24.0, tone_hz=702.0, snr_db=21.0, wpm=20.0, narrow_hz=500.0),
    _sample("receiver-overloaded", "Receiver on the bench, four metres from the beacon's antenna.",
            "receiver-overload", seed=104, seconds=26.0, rate_hz=12000, tone_hz=768.0, edge_s=0.0072),
    _sample("receiver-overloaded-pad", "The same with 20 dB in the receiver's antenna lead.",
            "receiver-overload-padded", seed=105, seconds=26.0, rate_hz=12000, tone_hz=768.0, edge_s=0.0072),
    _sample("mains-remodulation", "Beacon on its mains supply, receiver in the house.",
            "mains-remodulation", seed=106, seconds=26.0, tone_hz=823.0, snr_db=34.0),
    _sample("supply-hum", "Beacon on the old transformer supply.",
            "supply-hum", seed=107, seconds=26.0, tone_hz=687.0, snr_db=32.0),
    _sample("chirp", "Beacon on the small plug-in supply.",
            "supply-sag", seed=108, seconds=30.0, tone_hz=732.0, snr_db=31.0, wpm=12.0),
    _sample("key-clicks", "After the keying transistor was changed.",
            "key-clicks", seed=109, seconds=26.0, rate_hz=12000, tone_hz=871.0, snr_db=33.0),
    _sample("warm-up-drift", "Key held down from the moment the beacon was switched on.",
            "warm-up", seed=110, seconds=50.0, tone_hz=731.0, snr_db=27.0, keying="steady", off_s=4.0),
    _sample("ground-loop", "Recorded with the long audio lead to the computer.",
            "ground-loop", seed=111, seconds=26.0, tone_hz=777.0, snr_db=29.0),
    _sample("jumps", "Wind in the trees; the antenna lead was moving.",
            seed=112, seconds=36.0, tone_hz=764.0, snr_db=29.0,
            jumps=((7.1, 6.4), (11.6, -7.9), (18.2, 6.3), (21.3, -5.6), (26.9, 3.8), (30.4, -1.9))),
    _sample("audio-overdrive", "Headphone output to the microphone socket.",
            "audio-overdrive", seed=113, seconds=25.0, rate_hz=16000, tone_hz=704.0, snr_db=30.0),
    _sample("hum-and-clicks", "Another club's beacon, first supply and a relay for a keyer; mains 60 Hz.",
            "supply-hum", "key-clicks", seed=114, seconds=24.0, rate_hz=12000, tone_hz=856.0, snr_db=34.0,
            mains_hz=60.01),
)  # fmt: skip


def write_samples(folder: str | os.PathLike[str], names: Sequence[str] | None = None) -> list[Path]:
    """Write the samples (all, or those of the given names); returns the audio files.

    Raises
    ------
    SaveError : a file or the folder cannot be written.
    """
    home = Path(folder)
    written = []
    try:
        home.mkdir(parents=True, exist_ok=True)
        for sample in SAMPLES:
            if names is not None and sample.name not in names:
                continue
            audio = home / f"{sample.name}.flac"
            save(synthesise(sample.scenario), audio)
            (home / f"{sample.name}.plan.toml").write_text(sample.plan(), encoding="utf-8")
            written.append(audio)
    except OSError as error:
        raise SaveError(f"{error.filename or home}: cannot be written ({error.strerror}); "
                        "check the folder and your rights to it") from None
    return written


def main() -> int:
    """``python -m sigcheck.synth.samples FOLDER``."""
    if len(sys.argv) != 2:
        sys.stderr.write("usage: python -m sigcheck.synth.samples FOLDER\n")
        return 2
    try:
        for path in write_samples(sys.argv[1]):
            sys.stdout.write(f"{path}\n")
    except SigcheckError as error:
        sys.stderr.write(f"{error}\n")
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
