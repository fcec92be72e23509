"""What the margin says is tried: the signal made that much weaker just copies, 3 dB either way it does or does not."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from independent.copying import copied, copied_by_threshold, cutoff_rate, errors, unit_energies, units_of
from independent.slots import SPACING_HZ, SYMBOL_S, Sending, SlotScene, make

import sigcheck
from sigcheck.judge.limits import LIMITS
from sigcheck.measure import copy
from sigcheck.measure.results import Copy, Keying
from sigcheck.plan import Plan
from sigcheck.recording import from_samples
from tests.benchmarks.bench_keying import Setting, edits, measured

RATE = 6000


def test_thresholds_of_the_slot_are_one() -> None:
    assert LIMITS["copy-slot"].fault == copy.SLOT_THRESHOLD_DB == -29.0


def test_a_perfect_slot_at_the_threshold_carries_its_fifty_bits() -> None:
    """50 bits of message in 162 symbols need 0.309 bits a symbol; -29 dB in 2500 Hz gives nearly that."""
    energy = 10 ** ((-29.0 + copy.REFERENCE_DB) / 10) * SYMBOL_S
    bits = float(copy.usable_bits(np.array([energy]), np.zeros(1), energy)[0])
    assert bits == pytest.approx(50 / 162, rel=0.08)


@pytest.mark.parametrize("energy_db", [-3.0, 3.0, 8.0])
def test_usable_bits_against_drawn_decisions(energy_db: float) -> None:
    rng = np.random.default_rng(1)
    n, energy = 200_000, 10 ** (energy_db / 10)
    noise = (rng.standard_normal((n, 2)) + 1j * rng.standard_normal((n, 2))) / np.sqrt(2)
    noise[:, 0] += np.sqrt(energy)
    both = np.abs(noise) ** 2
    ratio = np.log(np.i0(2 * np.sqrt(energy * both[:, 0]))) - np.log(np.i0(2 * np.sqrt(energy * both[:, 1])))
    drawn = 1 - np.log2(1 + np.mean(np.exp(-ratio / 2)))
    assert float(copy.usable_bits(np.array([energy]), np.zeros(1), energy)[0]) == pytest.approx(drawn, abs=0.01)


def made(sent: Sending, snr_db: float, seed: int) -> tuple[np.ndarray, np.ndarray]:
    scene = SlotScene(rate=RATE, snr_db=snr_db, sendings=(sent,), passband_hz=None)
    return make(scene, np.random.default_rng(seed)), scene.symbols[0]


def bits_received(sent: Sending, snr_db: float, seed: int) -> float:
    """By a receiver of nominal spacing and length, told the start, tuned to the best; noise as the maker has it."""
    x, symbols = made(sent, snr_db, seed)
    t = np.arange(x.size) / RATE
    low = (2 * x * np.exp(-2j * np.pi * sent.tone_hz * t)).reshape(-1, 12).mean(axis=1)
    at = (np.arange(low.size) + 0.5) * 12 / RATE - sent.start_s - 81 * (sent.symbol_s - SYMBOL_S)
    k = np.floor(at / SYMBOL_S).astype(int)
    there = (k >= 0) & (k < 162)
    density = 4 * 0.03**2 / RATE
    best, chosen = -np.inf, np.zeros((162, 4))
    for off_hz in np.arange(-1.2, 1.3, 0.2):
        energy = np.empty((162, 4))
        for tone in range(4):
            y = low * np.exp(-2j * np.pi * ((tone - 1.5) * SPACING_HZ + off_hz) * at)
            total = np.bincount(k[there], y[there].real, 162) + 1j * np.bincount(k[there], y[there].imag, 162)
            energy[:, tone] = np.abs(total * 12 / RATE) ** 2 / (density * SYMBOL_S)
        lead = float(np.mean(energy[np.arange(162), symbols] - energy[np.arange(162), symbols ^ 2]))
        if lead > best:
            best, chosen = lead, energy
    return cutoff_rate(chosen, symbols)


def copy_of(sent: Sending, snr_db: float, seed: int, plan: Plan | None = None) -> Copy:
    return sigcheck.diagnose(from_samples(made(sent, snr_db, seed)[0], RATE), plan).measurements.copy


@pytest.mark.parametrize(
    ("sent", "snr_db"),
    [
        (Sending(), -18.0),
        (Sending(drift_hz=2.0), -14.0),
        pytest.param(Sending(spacing_hz=0.85 * SPACING_HZ), -12.0, marks=pytest.mark.slow),
        pytest.param(Sending(spread_hz=0.5), -12.0, marks=pytest.mark.slow),
    ],
)
def test_a_slot_copies_down_to_its_margin_and_no_further(sent: Sending, snr_db: float) -> None:
    found = [copy_of(sent, snr_db, seed) for seed in range(2)]
    assert all(c.unexplained() == [] for c in found)
    margin = float(np.mean([c.margin_db for c in found if c.margin_db is not None]))
    received = [
        np.mean([bits_received(sent, snr_db - margin + off_db, 30 + k) for k in range(2)]) for off_db in (3, 0, -3)
    ]
    needed = 0.294  # a perfect one at -29 dB in 2500 Hz
    assert received[0] > needed + 0.12
    assert received[1] == pytest.approx(needed, abs=0.08)
    assert received[2] < needed - 0.10


def test_penalty_of_a_perfect_slot_is_none_and_its_margin_is_its_distance_to_the_threshold() -> None:
    c = copy_of(Sending(), -14.0, 3)
    assert c.margin_db is not None and c.margin_db_sigma is not None and c.penalty_db is not None
    assert abs(c.margin_db - 15.0) < 3 * c.margin_db_sigma
    assert c.penalty_db < 0.3
    plan = Plan.from_dict({"limits": {"copy-slot": {"fault": -26}}})
    lower = copy_of(Sending(), -14.0, 3, plan)
    assert lower.margin_db is not None
    assert c.margin_db - lower.margin_db == pytest.approx(3.0, abs=0.1)


# --- Morse -------------------------------------------------------------------------------------


def wrong_characters(energy_db: float, seed: int, jitter: float = 0.0) -> float:
    """Share of wrong characters of a receiver by the book, at that energy of a dit over the noise density."""
    rng = np.random.default_rng(seed)
    per_unit = 40
    wrong = count = 0
    for _ in range(4):
        text = " ".join("".join(rng.choice(list("ABCDEFGHIKLMNOPRSTUVWXYZ12345"), 5)) for _ in range(8))
        units = units_of(text)
        edges = np.flatnonzero(np.diff(units)) + 1
        lengths = np.diff(np.concatenate([[0], edges, [units.size]]))
        wanted = per_unit * np.cumsum(lengths)
        late = per_unit * np.cumsum(lengths * jitter * rng.standard_normal(lengths.size))
        late -= np.interp(wanted, wanted[::3], late[::3])  # who copies sets his clock by every third element
        moved = np.round(wanted + late).astype(int)
        key = np.zeros(units.size * per_unit)
        starts = np.concatenate([[0], moved[:-1]])
        for k, (a, b) in enumerate(zip(starts, moved, strict=True)):
            key[max(a, 0) : b] = units[0] if k % 2 == 0 else 1 - units[0]
        energy = unit_energies(key.astype(complex), per_unit, per_unit / 10 ** (energy_db / 10), rng)
        wrong += errors(text, copied(energy, 10 ** (energy_db / 10)))
        count += len(text)
    return wrong / count


def test_morse_breaks_about_its_threshold() -> None:
    assert wrong_characters(copy.DIT_THRESHOLD_DB, 2) == pytest.approx(0.05, abs=0.035)
    assert wrong_characters(copy.DIT_THRESHOLD_DB + 2.0, 2) < 0.02
    assert wrong_characters(copy.DIT_THRESHOLD_DB - 2.0, 2) > 0.12


@pytest.mark.parametrize(("wpm", "snr_db"), [(12.0, 5.0), (20.0, 15.0)])
def test_margin_of_clean_morse_is_the_energy_of_its_dit_over_the_threshold(wpm: float, snr_db: float) -> None:
    units = units_of("VVV DE Q5KAP VVV DE Q5KAP")
    dit_s = 1.2 / wpm
    n = round(min(units.size * dit_s, 25.0) * RATE)
    rng = np.random.default_rng(4)
    key = units[np.minimum((np.arange(n) / RATE / dit_s).astype(int), units.size - 1)].astype(float)
    shape = np.hanning(round(0.012 * RATE))
    key = np.convolve(key, shape / shape.sum(), "same")
    sigma = 0.02
    amplitude = sigma * np.sqrt(2 * 10 ** (snr_db / 10) * 2500 / (RATE / 2))
    x = amplitude * key * np.cos(2 * np.pi * 700 * np.arange(n) / RATE) + sigma * rng.standard_normal(n)
    c = sigcheck.diagnose(from_samples(x.astype(np.float32), RATE)).measurements.copy
    assert c.unexplained() == []
    assert c.margin_db is not None and c.margin_db_sigma is not None and c.penalty_db is not None
    expected = snr_db + copy.REFERENCE_DB + 10 * np.log10(dit_s) - copy.READ_THRESHOLD_DB
    assert 0 <= c.penalty_db < 1.5  # its edges of 6 ms, and what noise does to the timing
    assert c.margin_db + c.penalty_db == pytest.approx(expected, abs=1.5)


def keyed_setting(k: int) -> Setting:
    """Some speed and strength, every other one by hand."""
    rng = np.random.default_rng([77, k])
    hand = 0.15 * (k // 2 % 2)
    s = Setting(seconds=60.0, wpm=float(rng.uniform(12, 25)), scatter=hand, gap_scatter=hand)
    return replace(s, snr_db=float(rng.uniform(20, 40)))


def wrong_when_weaker(s: Setting, seed: int, by_db: float) -> float:
    """Share of characters that the tool reads wrong of the same keying, received so much weaker."""
    got, sent = measured(replace(s, snr_db=s.snr_db - by_db), seed)
    text = sent.text(s.seconds - 5 * 1.2 / s.wpm).replace(" ", "")
    return edits(text, (got.measurements.keying.text or "").replace(" ", "")) / len(text)


def margin_of(s: Setting, seed: int) -> Copy:
    return measured(s, seed)[0].measurements.copy


def test_keying_copies_down_to_its_margin_and_no_further() -> None:
    wrong: dict[float, list[float]] = {-1.5: [], 1.5: []}
    for k in (9, 12, 14, 23):
        s = keyed_setting(k)
        margin = margin_of(s, 500 + k).margin_db
        assert margin is not None
        for off_db, share in wrong.items():
            share.append(wrong_when_weaker(s, 500 + k, margin + off_db))
    # a decibel and a half is a factor of three in the errors (simulated)
    assert np.mean(wrong[-1.5]) < 0.04
    assert np.mean(wrong[1.5]) > 0.08


@pytest.mark.slow
def test_margin_within_a_decibel() -> None:
    """Thirty recordings of 20 to 40 dB; what the margin says against where the tool's own reading breaks."""
    off: dict[bool, list[float]] = {False: [], True: []}
    for k in range(30):
        s = keyed_setting(k)
        margin = margin_of(s, 500 + k).margin_db
        assert margin is not None
        steps = np.arange(2.0, -3.0, -0.7)
        wrong = [wrong_when_weaker(s, 500 + k, margin + d) for d in steps]
        broken = [d for d, share in zip(steps, wrong, strict=True) if share > 0.05]
        off[s.scatter > 0].append(float(min(broken, default=2.35)) - 0.35)
    for errors_db in off.values():
        # 50 to 110 characters scatter where 5 % lies by half a decibel
        assert abs(np.mean(errors_db)) < 1.0
        assert np.sqrt(np.mean(np.square(errors_db))) < 1.3


def test_margin_stands_between_a_receiver_told_the_timing_and_a_bare_threshold() -> None:
    """Marks and gaps to be found cost 2 dB against a clock that is known; a fixed threshold costs more still."""

    def by_threshold(energy_db: float) -> float:
        rng, wrong, count = np.random.default_rng(3), 0, 0
        for _ in range(3):
            text = " ".join("".join(rng.choice(list("ABCDEFGHIKLMNOPRSTUVWXYZ12345"), 5)) for _ in range(8))
            key = np.repeat(units_of("E " + text + " E"), 40).astype(complex)
            heard = copied_by_threshold(key, 40, 40 / 10 ** (energy_db / 10), rng)
            wrong += errors("E " + text + " E", heard)
            count += len(text)
        return wrong / count

    assert by_threshold(30.0) < 0.02  # the last dit may be cut
    assert wrong_characters(copy.READ_THRESHOLD_DB, 2) < 0.02
    assert by_threshold(copy.READ_THRESHOLD_DB) > 0.1
    assert pytest.approx(2.0, abs=0.5) == copy.READ_THRESHOLD_DB - copy.DIT_THRESHOLD_DB


@pytest.mark.parametrize("k", [0, 17])
def test_a_perfect_signal_loses_nothing(k: int) -> None:
    c = margin_of(keyed_setting(k), 500 + k)
    assert c.penalty_db is not None and c.penalty_db_sigma is not None
    assert c.penalty_db < 2 * c.penalty_db_sigma


def test_bad_timing_costs_what_the_penalty_says() -> None:
    """Character errors of a jittered fist at the threshold plus its penalty are again some per cent."""
    jitter = 0.17
    penalty, _ = copy._keying_penalty(Keying(element_jitter=jitter, dit_s=0.08, missing={}))
    assert 1.0 < penalty < 4.0
    again = wrong_characters(copy.DIT_THRESHOLD_DB + penalty, 5, jitter)
    assert again == pytest.approx(0.06, abs=0.05)
    assert wrong_characters(copy.DIT_THRESHOLD_DB, 5, jitter) > again + 0.05


def test_a_steady_carrier_has_nothing_to_copy() -> None:
    scene = SlotScene(seconds=20.0, rate=RATE, snr_db=10, sendings=(), carriers=((800.0, 0.0),))
    x = make(replace(scene), np.random.default_rng(5))
    c = sigcheck.diagnose(from_samples(x, RATE)).measurements.copy
    assert c.margin_db is None
    assert "nothing to copy" in c.missing["margin_db"]
