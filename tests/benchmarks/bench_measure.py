"""Cost of measuring and judging, as a multiple of one spectrogram pass over the same samples.

    python -m tests.benchmarks.bench_measure

Prints the ratio and the peak memory of a steady and of a keyed signal. The copy margin, which decodes the signal
again and again, has its own budget and is told apart.
"""

from __future__ import annotations

import gc
import time
from collections.abc import Callable
from functools import partial
from pathlib import Path
from typing import Any
from unittest import mock

import numpy as np

from sigcheck.judge import diagnose
from sigcheck.measure import pipeline
from sigcheck.measure.copy import measure_copy
from sigcheck.measure.pipeline import measure
from sigcheck.recording import Recording, from_samples
from tests.measure.plain_audio import keyed, tone_and_noise

RATE_HZ = 48000.0
SECONDS = 120.0
ROUNDS = 8


def recording(kind: str) -> Recording:
    """Two minutes of a tone 25 dB over the noise in 2500 Hz, ``steady`` or ``keyed`` at 15 WPM."""
    t = np.arange(round(SECONDS * RATE_HZ)) / RATE_HZ
    envelope = keyed(t, wpm=15) if kind == "keyed" else None
    x, _ = tone_and_noise(np.random.default_rng(1), rate_hz=RATE_HZ, seconds=SECONDS, snr_db=25, envelope=envelope)
    return from_samples(x, RATE_HZ)


def _cpu_s(work: Callable[[], object]) -> float:
    start = time.process_time()
    work()
    return time.process_time() - start


def _peak_mb(work: Callable[[], object]) -> float | None:
    """Most memory that the process holds while it works; None where the system can't start that count anew."""
    clear = Path("/proc/self/clear_refs")
    if not clear.exists():
        return None
    clear.write_text("5")
    work()
    held = next(line for line in Path("/proc/self/status").read_text().splitlines() if line.startswith("VmHWM"))
    return int(held.split()[1]) / 1024


def report(kind: str) -> str:
    """Cost against scipy.signal.spectrogram (nperseg 8192, half overlap) of the same samples.

    Processor time, both in turns: so neither other work on the computer nor its clock's changes tell.
    """
    from scipy.signal import spectrogram

    heard = recording(kind)

    def work() -> object:
        return diagnose(measure(heard).measurements)

    work()
    gc.collect()
    peak_mb = _peak_mb(work)
    x = heard.channel(0).astype(np.float64)
    copying: list[float] = []

    def timed_copy(*given: Any, **named: Any) -> Any:
        """The copy margin, its cost noted."""
        found: list[Any] = []
        copying.append(_cpu_s(lambda: found.append(measure_copy(*given, **named))))
        return found[0]

    one_round = partial(spectrogram, x, RATE_HZ, nperseg=8192, noverlap=4096)
    with mock.patch.object(pipeline, "measure_copy", timed_copy):
        rounds = [(_cpu_s(one_round), _cpu_s(work)) for _ in range(ROUNDS)]
    one_pass, whole = (min(column) for column in zip(*rounds, strict=True))
    copy_s = min(copying)
    memory = "" if peak_mb is None else f"; peak {peak_mb:.0f} MB"
    return (
        f"{kind}: {whole - copy_s:.3f} s of processor time = {(whole - copy_s) / one_pass:.1f} spectrogram passes, "
        f"and {copy_s / one_pass:.2f} for the copy margin{memory}"
    )


if __name__ == "__main__":
    for kind in ("steady", "keyed"):
        print(report(kind))
