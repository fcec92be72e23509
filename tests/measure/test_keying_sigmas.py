"""Whether the figures of the keying lie as far from the truth as their sigmas say, and hour-long keying."""

from __future__ import annotations

import time
from collections import defaultdict
from dataclasses import replace

import keyed_audio as audio
import numpy as np
import pytest

from sigcheck.measure.keyed.edges import Average, few
from sigcheck.measure.keyed.element_course import chirp
from sigcheck.measure.keyed.timing import _moved_together
from sigcheck.measure.morse import classify, decode
from sigcheck.measure.pipeline import measure
from sigcheck.recording import from_samples
from tests.benchmarks.bench_keying import Setting, edits, errors_over_sigmas, measured, recorded

FIGURES = (
    *("dit_s", "dah_dit_ratio", "weighting", "rise_s", "fall_s", "chirp_hz", "chirp_settle_s", "backwave_db"),
    *("droop_db", "overshoot_db", "occupied_bandwidth_hz"),
)


def pooled(seeds: range) -> dict[str, list[float]]:
    out: dict[str, list[float]] = defaultdict(list)
    for seed in seeds:
        for name, z in errors_over_sigmas(seed).items():
            out[name].append(z)
    return out


def test_sigmas_are_of_the_right_size() -> None:
    found = pooled(range(24))
    z = np.array([v for name in FIGURES for v in found[name]])
    assert z.size > 120
    # 95 % within 1.96 sigma; of 150 figures, several of one recording, two binomial deviations are 5 %
    assert np.mean(np.abs(z) < 1.96) > 0.90
    assert np.median(np.abs(z)) > 0.2  # and not so wide that nothing could be wrong (a normal one: 0.67)


@pytest.mark.slow
def test_each_figure_is_covered() -> None:
    for name, values in pooled(range(100, 260)).items():
        z = np.abs(values)
        # 93 % promised; 100 figures scatter by 2.5 %
        assert np.mean(z < 1.96) > 0.88, (name, len(z), float(np.mean(z < 1.96)))


@pytest.mark.parametrize("attack_s", [0.002, 0.02])
@pytest.mark.parametrize("rise_s", [0.003, 0.006])
def test_rise_behind_a_gain_control(attack_s: float, rise_s: float) -> None:
    s = Setting(rise_s=rise_s, fall_s=rise_s, gain_db=30.0, attack_s=attack_s, release_s=0.25, seconds=20.0)
    x, _ = recorded(s, 3)
    k = measure(from_samples(x.astype(np.float32), float(s.rate))).measurements.keying
    if k.rise_s is None:
        assert "gain control" in k.missing["rise_s"]
        return
    assert k.rise_s_sigma is not None
    assert abs(k.rise_s - rise_s) < 2.6 * k.rise_s_sigma  # 99 %


def test_what_moves_crossings_is_no_scatter_of_the_key() -> None:
    rng = np.random.default_rng(2)
    on, off = audio.key_times("PARIS " * 12, 0.08)
    noisy = on + 0.004 * rng.standard_normal(on.size), off + 0.004 * rng.standard_normal(off.size)
    t = classify(*noisy)
    shared = _moved_together(noisy[1] - noisy[0], noisy[0][1:] - noisy[1][:-1], t)
    # some 250 products of deviations, each as large as their mean: 10 % and more of scatter
    assert shared == pytest.approx(0.004**2, rel=0.4)
    # a key that holds some marks longer, with its gaps as they should be
    longer = (off - on) * np.exp(0.1 * rng.standard_normal(on.size))
    gaps = np.append(on[1:] - off[:-1], 0.0)
    starts = np.concatenate([[0.0], np.cumsum(longer + gaps)[:-1]])
    t = classify(starts, starts + longer)
    assert _moved_together(longer, starts[1:] - (starts + longer)[:-1], t) < 0.3 * 0.008**2


def test_few_values_widen_a_sigma() -> None:
    # Student's t at 97.5 %, 7 and 20 degrees of freedom: 2.365, 2.086 (tables)
    assert 1.96 * few(7) == pytest.approx(2.365, rel=0.02)
    assert 1.96 * few(20) == pytest.approx(2.086, rel=0.02)


def test_thousands_of_marks_are_read() -> None:
    text = "VVV DE Q5KAP Q5KAP LOC AB12CD PWR 0.2 W = TEST 73 + K " * 24
    on, off = audio.key_times(text, 0.08)
    assert on.size > 2500
    assert decode(on, off).text == text.strip()


@pytest.mark.slow
def test_an_hour_costs_an_hours_share() -> None:
    def cost(minutes: float) -> float:
        s = replace(Setting(), seconds=60 * minutes, snr_db=10.0)
        x, _ = recorded(s, 1)
        recording = from_samples(x.astype(np.float32), float(s.rate))
        begin = time.process_time()
        assert measure(recording).measurements.keying.text
        return time.process_time() - begin

    # caches are left behind on the way: a third more for each minute than in a short one, at most
    assert cost(60.0) < 1.34 * 6 * cost(10.0)


@pytest.mark.parametrize("seed", [900, 901])
def test_marks_that_fade_are_no_noise(seed: int) -> None:
    s = Setting(fade_db=20.0, snr_db=10.0)
    got, sent = measured(s, seed)
    text = sent.text(s.seconds - 0.4).replace(" ", "")
    wrong = edits(text, (got.measurements.keying.text or "").replace(" ", ""))
    # the trough lies at -10 dB, where a fifth of the signs are lost, for a tenth of the time
    assert wrong <= 0.04 * len(text)


@pytest.mark.parametrize("settle_s", [0.015, 0.03])
def test_a_chirp_in_noise_may_settle_at_any_rate(settle_s: float) -> None:
    """4 Hz that settles as 4 exp(-t/s), so phase -4 s exp(-t/s): dahs of 200 ms so noisy that most show no time.

    With a time constant that is taken for granted the sigma misses those that settle sooner.
    """
    t = np.arange(800) / 4000
    cycles = -4.0 * settle_s * np.exp(-t / settle_s)
    covered = []
    for seed in range(40):
        rng = np.random.default_rng(seed)
        noise = rng.standard_normal((40, t.size)) + 1j * rng.standard_normal((40, t.size))
        hertz, _ = chirp(Average.of(t, np.exp(2j * np.pi * cycles) + 1.5 * noise, np.ones(40)), 0.003)
        assert hertz.value is not None and hertz.sigma is not None
        covered.append(abs(hertz.value - 4.0) < 1.96 * hertz.sigma)
    assert np.mean(covered) >= 0.85  # 95 % of 40: fewer than 34 in one of 200 such draws
