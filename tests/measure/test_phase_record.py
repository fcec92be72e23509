"""The inner parts of the frequency work: cells, blocks, the shapes of courses, the noise of oscillators."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from sigcheck.measure.audio.cells import Cells, cells, chirp_fit
from sigcheck.measure.course.oscillator_noise import Noise
from sigcheck.measure.course.phase_record import Record, phase_record, with_breaks_at_gaps, without_odd_blocks
from sigcheck.measure.tone.phase_jumps import phase_jumps
from tests.measure.tones import Tone, fisher_sigma_hz, key_edges, tone

EDGES = key_edges("VVV DE Q5KAP", 0.1, 0.5, 29.5)


def made(**how: object) -> tuple[Tone, Cells]:
    one = tone(**how)  # type: ignore[arg-type]
    return one, cells(one.base, one.marks.down)


def true_cycles(one: Tone, c: Cells) -> np.ndarray:
    """Phase of the tone in ``z`` at the cells, up to a constant."""
    off = one.frequency_hz - one.base.path_hz
    whole = np.cumsum(off) / one.base.rate_hz
    return np.interp(c.t, np.arange(off.size) / one.base.rate_hz, whole)


def test_cells_hold_the_key_down_and_its_noise() -> None:
    one, c = made(edges=EDGES, offset_hz=0.0, snr_db=20)
    assert c.seconds.sum() == pytest.approx(one.marks.down.sum() / one.base.rate_hz)
    _, still = made(edges=EDGES, offset_hz=0.0, noise_free=True)
    noise = c.s - still.s * np.exp(1j * np.angle(np.vdot(still.s, c.s)))
    # E|sum|^2 = N0 seconds; 3700 cells know it to 1.7 %
    assert np.mean(np.abs(noise) ** 2 / c.seconds) == pytest.approx(one.base.noise_density, rel=0.08)
    assert c.run_start.size == EDGES[0].size


def test_blocks_know_their_phase_as_well_as_they_say() -> None:
    """var = N0 / (2 A^2 tau): the bound of the phase of a tone of known frequency."""
    left = []
    for seed in range(10):
        one, c = made(edges=EDGES, snr_db=10, rng=np.random.default_rng(seed))
        r = phase_record(c, true_cycles(one, c), most=600)
        u = r.y - (one.mean_hz - r.base_hz) * r.t
        left.append((u - np.average(u, weights=1 / r.var)) / np.sqrt(r.var))
    z = np.concatenate(left)
    assert z.size > 400
    assert z.std() == pytest.approx(1.0, abs=0.1)  # 500 values know theirs to 3 %; the edges' level adds a few


def test_a_mark_that_is_only_noise_has_no_phase() -> None:
    on, off = EDGES
    one, _ = made(edges=EDGES, snr_db=0, rng=np.random.default_rng(1))
    false = one.marks.down.copy()
    a, b = int((off[20] + 0.0) * 4800), int((on[21]) * 4800)
    quiet = int(0.1 * 4800), int(0.4 * 4800)  # before the first element
    false[quiet[0] : quiet[1]] = True
    false[a:b] = True
    c = cells(one.base, false)
    r = phase_record(c, true_cycles(one, c), most=600)
    assert np.sum(r.first < 0.38) <= 2  # of the dozen blocks before the signal
    u = r.y - (one.mean_hz - r.base_hz) * r.t
    assert np.mean(np.abs(u - np.median(u)) > 5 * np.sqrt(r.var)) < 0.01


@pytest.mark.parametrize("order", [1, 2])
def test_least_squares_on_cells_reaches_the_bound(order: int) -> None:
    errors = []
    for seed in range(60):
        one, c = made(edges=EDGES, snr_db=10, rng=np.random.default_rng(seed))
        middle = float(np.average(c.t, weights=c.seconds))
        beta, cov = chirp_fit(c, true_cycles(one, c), order=order, middle_s=middle, group=np.zeros(c.t.size, np.intp))
        errors.append(beta - [one.mean_hz - c.path_hz, 0.0][:order])
    bound = fisher_sigma_hz(one.envelope, one.base.rate_hz, one.base.noise_density, order=order)
    rms = np.sqrt(np.mean(np.square(errors), axis=0))
    # 60 trials: a perfect estimator's rms lies within 0.73..1.27 of its bound in 99.8 of 100
    assert np.all(rms < 1.27 * np.array(bound))
    assert np.all(rms > 0.73 * np.array(bound))
    assert np.sqrt(np.diag(cov)) == pytest.approx(bound, rel=0.05)


def plain_record(*, is_phase: bool, n: int = 60, seconds: float = 60.0) -> Record:
    edges = np.linspace(0, seconds, n + 1)
    t = 0.5 * (edges[1:] + edges[:-1])
    return Record(
        is_phase=is_phase, base_hz=700.0, t=t, y=np.zeros(n), var=np.full(n, 1e-4), seconds=np.diff(edges),
        spread=np.diff(edges) ** 2 / 12, first=edges[:-1], last=edges[1:], group=np.zeros(n, np.intp),
        middle_s=seconds / 2, start_s=0.0,
    )  # fmt: skip


def test_columns_are_the_block_means_of_the_integrated_course() -> None:
    """Each shape against its integral by fine sums: what a frequency of that shape does to the phase."""
    r = plain_record(is_phase=True)
    fine = np.arange(0, 60, 1e-3) + 5e-4
    block = np.minimum((fine / 1.0).astype(int), 59)

    def mean_phase(hz: np.ndarray) -> np.ndarray:
        whole = np.cumsum(hz) * 1e-3
        mean = np.bincount(block, whole) / np.bincount(block)
        return mean - mean.mean()

    u = fine - 30.0
    shapes = {
        "slope": (r.slope(), u),
        "cubic": (r.cubic(), u**2),
        "decay": (r.decay(12.0), np.exp(-fine / 12.0)),
        "hinge": (r.hinges(np.array([21.3]))[:, 0], (fine > 21.3) * 1.0),
        "wave": (r.waves(0.05)[:, 0], np.cos(2 * np.pi * 0.05 * u)),
    }
    for name, (column, hz) in shapes.items():
        truth = mean_phase(hz)
        assert np.allclose(column - column.mean(), truth, atol=2e-3 * np.ptp(truth) + 2e-3), name
    f = plain_record(is_phase=False)
    assert np.allclose(f.slope(), f.t - 30.0)
    assert f.hinges(np.array([21.25]))[20:23, 0] == pytest.approx([0.0, 0.75, 1.0])


def test_merging_keeps_the_mean_and_the_information() -> None:
    r = plain_record(is_phase=True)
    few = r.merged(20)
    assert few.t.size == 20
    assert np.sum(1 / few.var) == pytest.approx(np.sum(1 / r.var))
    assert few.slope() == pytest.approx(r.slope().reshape(20, 3).mean(axis=1))


def test_a_gap_too_long_to_count_the_cycles_in_starts_a_new_group() -> None:
    _, c = made(edges=(np.array([0.5, 20.0]), np.array([1.5, 21.0])), snr_db=-5, offset_hz=0.0)
    weak = with_breaks_at_gaps(phase_record(c, np.zeros(c.t.size), most=600))
    assert np.unique(weak.group).size == 2
    one, c = made(edges=(np.array([0.5, 8.0]), np.array([6.5, 14.0])), snr_db=20, offset_hz=0.0)
    assert np.unique(with_breaks_at_gaps(phase_record(c, true_cycles(one, c), most=600)).group).size == 1


def noisy(kind: str, rng: np.random.Generator, r: Record) -> np.ndarray:
    white = rng.normal(0, np.sqrt(r.var))
    if kind == "white":
        return white
    parts = 20  # of each block, over which the phase is averaged
    steps = rng.standard_normal(parts * r.t.size) / np.sqrt(parts)
    walk = np.cumsum(steps) * 0.05 if kind == "white-fm" else np.cumsum(np.cumsum(steps)) * 0.02 / parts
    return white + walk.reshape(r.t.size, parts).mean(axis=1)


@pytest.mark.parametrize("kind", ["white", "white-fm", "random-walk-fm"])
def test_the_kind_of_noise_is_recognised_and_the_sigma_true(kind: str) -> None:
    rng = np.random.default_rng(4)
    z, seen = [], []
    for _ in range(150):
        r = plain_record(is_phase=True)
        object.__setattr__(r, "y", noisy(kind, rng, r))
        noise = Noise(r)
        fits = noise.fits(noise.design(1))
        seen.append(fits.probability(kind))
        value, sigma = fits.average(1)
        z.append(value / sigma)
    assert np.median(seen) > 0.6
    if kind != "random-walk-fm":  # which has no mean to estimate but the realised one
        # 150 values: their rms is known to 6 %
        assert np.sqrt(np.mean(np.square(z))) == pytest.approx(1.0, abs=0.2)


def test_phase_jumps_are_placed_and_a_frequency_step_is_none() -> None:
    n = 30 * 4800
    t = np.arange(n) / 4800
    one = tone(snr_db=25, phase_rad=2 * np.pi * 0.3 * (t > 12.34), offset_hz=0.0)
    c = cells(one.base, one.marks.down)
    found = phase_jumps(c, np.zeros(c.t.size))
    assert [j.time_s for j in found] == pytest.approx([12.34], abs=0.01)
    assert found[0].cycles == pytest.approx(0.3, abs=0.03)
    step = tone(snr_db=25, offset_hz=0.5 * (t > 12.34))
    c = cells(step.base, step.marks.down)
    assert phase_jumps(c, true_cycles(step, c)) == ()


@pytest.mark.parametrize("at", [0, 40, 99])
def test_one_block_with_a_phase_of_its_own_is_left_out_and_a_jump_of_the_phase_is_not(at: int) -> None:
    rng = np.random.default_rng(at)
    t = np.arange(100) * 0.2
    one, sigma = np.ones(100), 0.02
    y = 0.3 * t + 0.004 * t**2 + sigma * rng.standard_normal(100)
    r = Record(
        is_phase=True, base_hz=700.0, t=t, y=y, var=sigma**2 * one, seconds=0.1 * one, spread=0.0008 * one,
        first=t - 0.05, last=t + 0.05, group=np.zeros(100, np.intp), middle_s=10.0, start_s=0.0,
    )  # fmt: skip
    assert without_odd_blocks(r).t.size == 100
    odd = replace(r, y=y + 0.3 * (np.arange(100) == at))
    assert without_odd_blocks(odd).t.tolist() == np.delete(t, at).tolist()
    assert without_odd_blocks(replace(r, y=y + 0.3 * (t > 10.0))).t.size == 100
