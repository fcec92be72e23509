"""Elements that begin elsewhere in frequency, over a backwave, and starts that bounce."""

from __future__ import annotations

import numpy as np
import pytest

from sigcheck.measure.keyed import element_course
from sigcheck.measure.keyed.elements import Figure
from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Keying
from sigcheck.recording import from_samples
from tests.benchmarks.bench_keying import REFERENCE_HZ, Setting, edits, keyed, measured, station


@pytest.mark.parametrize(("hertz", "settle_s"), [(110.0, 0.012), (-130.0, 0.015), (50.0, 0.03)])
@pytest.mark.parametrize("wpm", [23.0, 14.0])
def test_a_chirp_over_a_backwave_is_keying(hertz: float, settle_s: float, wpm: float) -> None:
    s = Setting(snr_db=40.0, wpm=wpm, seconds=20.0, chirp_hz=hertz, settle_s=settle_s, backwave_db=-18.0, tone_hz=900)
    got, sent = measured(s, 3)
    assert got.measurements.signal.kind == "keyed"
    read = (got.measurements.keying.text or "").replace(" ", "")
    assert edits(sent.text(s.seconds - 0.5).replace(" ", ""), read) <= 1
    assert got.measurements.keying.chirp_hz == pytest.approx(hertz, rel=0.2)


def bouncing(s: Setting, seed: int, share: float) -> tuple[Keying, str, str]:
    """Measured where so many starts are 2 to 6 closures within 3 to 15 ms, and the text sent and read."""
    rng = np.random.default_rng(seed)
    sent = keyed(s, rng)
    on, off = [], []
    for begin, end in zip(sent.on_s, sent.off_s, strict=True):
        closures = int(rng.integers(2, 7)) if rng.random() < share else 1
        changes = np.sort(rng.uniform(0, rng.uniform(0.003, 0.015), 2 * closures - 2))
        on += [begin, *(begin + changes[1::2])]
        off += [*(begin + changes[::2]), end]
    t = np.arange(round(s.seconds * s.rate)) / s.rate
    x = station(s, np.array(on), np.array(off), t, s.tone_hz, rng).real
    x += rng.standard_normal(x.size) * np.sqrt(10 ** (-s.snr_db / 10) / REFERENCE_HZ * s.rate / 4)
    k = measure(from_samples((0.3 * x).astype(np.float32), float(s.rate))).measurements.keying
    return k, sent.text(s.seconds - 1.0).replace(" ", ""), (k.text or "").replace(" ", "")


@pytest.mark.parametrize(("share", "snr_db"), [(1.0, 18.0), (1.0, 35.0), (0.4, 25.0)])
def test_starts_that_bounce_are_seen_and_are_no_chirp(share: float, snr_db: float) -> None:
    s = Setting(snr_db=snr_db, wpm=16.0, seconds=20.0, rise_s=0.0007, fall_s=0.001)
    k, sent, read = bouncing(s, 5, share)
    assert edits(sent, read) <= 1
    # closures shorter than a millisecond, and openings that the passband fills, stay unseen
    assert k.broken_starts is not None and 0.4 * share < k.broken_starts <= 1.1 * share
    assert k.chirp_hz is not None and k.chirp_hz_sigma is not None
    assert abs(k.chirp_hz) < max(3 * k.chirp_hz_sigma, 1.0)
    if k.broken_starts > 0.6:  # the average of starts that all differ is no edge
        assert k.rise_s is None and "no two edges are alike" in k.missing["rise_s"]
    assert k.fall_s is not None and k.fall_s < 0.002


def test_starts_that_do_not_bounce() -> None:
    k, _, _ = bouncing(Setting(snr_db=18.0, wpm=16.0, seconds=20.0, rise_s=0.0007, fall_s=0.001), 5, 0.0)
    assert k.broken_starts == pytest.approx(0.0, abs=0.03)


@pytest.mark.parametrize(("hertz", "kept"), [(-150.0, True), (-900.0, False)])
def test_a_start_outside_the_passband_is_no_chirp(monkeypatch: pytest.MonkeyPatch, hertz: float, kept: bool) -> None:
    """Contacts that chatter turn the phase at once: a fit makes a chirp of that which no receiver had let through."""
    fitted = Figure(hertz, 5.0), Figure(0.001, 0.0001)
    monkeypatch.setattr(element_course, "chirp", lambda course, skip_s: fitted)
    got, _ = measured(Setting(snr_db=35.0, wpm=16.0, seconds=20.0, tone_hz=700.0), 7)
    k = got.measurements.keying
    assert k.chirp_hz == (hertz if kept else None)
    assert kept or "passband" in k.missing["chirp_hz"]
