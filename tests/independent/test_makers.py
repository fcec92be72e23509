"""The maker of recordings itself, checked with plain numpy: levels of lines, timing, noise, rails."""

from __future__ import annotations

import numpy as np
import pytest

from . import cases, receiver, recorder, station, truth
from .examine import character_error_rate
from .keyer import SIGNS, Fist, send
from .receiver import FAST_HZ, Filter, GainControl
from .scene import Array, Chirp, Overload, Scene, Supply, Wiring, simulate
from .station import SLOW_HZ

OPEN = Filter(150, 3000, "butter", 3)


def steady(**settings: object) -> Scene:
    """A steady, nearly noise-free tone that fills the recording."""
    basic: dict[str, object] = {
        "keyed": False, "begin_s": -1.0, "end_s": 100.0, "snr_db": 80.0, "noise_rad": 1e-5, "filter": OPEN,
        "detector_second": 0.0, "detector_third": 0.0, "bits": 24, "tone_hz": 1000.0, "seconds": 10.0,
    }  # fmt: skip
    return Scene(**(basic | settings))  # type: ignore[arg-type]


def line_db(x: Array, rate: float, hz: float, reach_hz: float = 1.5) -> float:
    """Power of a line, dB re a full-scale sine: the sum over the bins about it (its wander included)."""
    window = np.blackman(x.size)
    power = np.abs(np.fft.rfft(x * window)) ** 2 / np.sum(window**2) / x.size * 4
    f = np.fft.rfftfreq(x.size, 1 / rate)
    return float(10 * np.log10(power[np.abs(f - hz) < reach_hz].sum()))


def middle(x: Array, rate: int) -> Array:
    """Without the filters' and the gain control's first and last half second."""
    return x[rate // 2 : -rate // 2]


@pytest.mark.parametrize("angle_share", [0.0, 0.5, 1.0])
@pytest.mark.parametrize("rate", [8000, 44_100])
def test_supply_ripple_makes_the_line_that_was_asked_for(angle_share: float, rate: int) -> None:
    scene = steady(supply=Supply(-30.0, discharge_s=0.05, angle_share=angle_share), mains_hz=50.0, rate=rate)
    sim = simulate(scene, np.random.default_rng(1))
    x = middle(sim.samples, rate)
    carrier = line_db(x, rate, 1000)
    sides = [line_db(x, rate, 1000 + s * 100) - carrier for s in (-1, 1)]
    # 0.3 dB: the third-order Butterworth filter falls by that much towards its edges
    assert sides == pytest.approx([-30, -30], abs=0.3)
    assert truth.read(sim)["hum_sidebands_dbc"] == pytest.approx(np.mean(sides), abs=0.1)
    # full wave, equal halves: nothing at the mains frequency itself
    assert max(line_db(x, rate, 1000 + s * 50) - carrier for s in (-1, 1)) < -60


def test_half_wave_supply_has_the_mains_frequency_first() -> None:
    sim = simulate(steady(supply=Supply(-30.0, full_wave=False), mains_hz=60.0), np.random.default_rng(2))
    x = middle(sim.samples, sim.rate)
    first, second = (line_db(x, sim.rate, 1000 + k * 60) for k in (1, 2))
    assert first - line_db(x, sim.rate, 1000) == pytest.approx(-30, abs=0.3)
    assert second < first - 3


def test_reservoir_ripple_is_the_charge_drawn_between_two_peaks() -> None:
    angle = 2 * np.pi * 50 * np.arange(int(2 * SLOW_HZ)) / SLOW_HZ
    volts = station.reservoir(angle, np.ones(angle.size), 0.5, full_wave=True)[int(SLOW_HZ) :]
    # discharge from one peak until the next rise meets it: 1 - x^2/2 = exp(-(0.01 - x/314)/0.5) gives a
    # fall of 0.0187; the source's resistance rounds the peaks off, which takes up to a third of it
    assert 0.0125 < np.ptp(volts) / volts.max() < 0.0187


def test_wiring_makes_both_mains_families() -> None:
    scene = steady(wiring=Wiring(-25.0, 1.0, other_half=0.4), mains_hz=50.0)
    sim = simulate(scene, np.random.default_rng(3))
    x = middle(sim.samples, sim.rate)
    carrier = line_db(x, sim.rate, 1000)
    found = [10 * np.log10(np.mean([10 ** (line_db(x, sim.rate, 1000 + s * k * 50) / 10) for s in (-1, 1)]))
             - carrier for k in range(1, 9)]  # fmt: skip
    assert max(found) == pytest.approx(-25, abs=0.5)
    assert min(found[0], found[1]) > -40


def test_mains_frequency_wanders_within_the_grid() -> None:
    for start in (49.95, 60.02):
        hz = (
            np.diff(station.mains_angle(int(120 * SLOW_HZ), start, np.random.default_rng(4)))
            * SLOW_HZ
            / (2 * np.pi)
        )
        nominal = round(start)
        assert np.all(np.abs(hz - nominal) < (0.2001 if nominal == 50 else 0.1001))
        ten = hz[: int(120 * SLOW_HZ)][:: int(10 * SLOW_HZ)]
        assert 0.005 < np.std(np.diff(ten)) < 0.1


def test_standard_word_lasts_fifty_units() -> None:
    # PARIS = 50 units, 22 of them key-down (Pierpont, Art and Skill of Radio-Telegraphy, ch. 24)
    sent = send("PARIS ", 12, 0.0, 60.0, Fist(), np.random.default_rng(5))
    assert sent.on_s.size % 14 == 0
    words = sent.on_s.size // 14
    assert np.diff(sent.on_s[::14]) == pytest.approx(np.full(words - 1, 5.0))
    assert np.sum(sent.off_s - sent.on_s) / words == pytest.approx(22 * 0.1)
    assert sent.text(0, 10.0).startswith("PARIS PARIS")
    assert len(SIGNS) == 39 and len(set(SIGNS.values())) == 39


@pytest.mark.parametrize("shape", ["gauss", "linear", "rc"])
def test_edges_and_timing_come_out_as_keyed(shape: str) -> None:
    scene = steady(
        keyed=True, begin_s=0.7, end_s=9.0, shape=shape, rise_s=0.008, fall_s=0.008, wpm=15, rate=48_000
    )
    sim = simulate(scene, np.random.default_rng(6))
    t = np.arange(sim.samples.size) / sim.rate
    size = np.abs(np.convolve(sim.samples * np.exp(-2j * np.pi * 1000 * t), np.ones(48) / 24, "same"))
    top = np.median(size[size > 0.5 * size.max()])
    above = size > 0.5 * top
    on = np.flatnonzero(np.diff(above.astype(int)) == 1) / sim.rate
    assert sim.sending is not None
    late = on - sim.sending.on_s[: on.size]
    assert np.std(late) < 2e-4  # the chain's delay is one and the same for all
    assert abs(late.mean()) < 0.006
    levels = truth.read(sim)
    # the filter of 2850 Hz adds under 0.3 ms; 1 ms of averaging here is not in the truth
    assert levels["rise_s"] == pytest.approx(0.008, abs=0.0004)
    assert levels["fall_s"] == pytest.approx(0.008, abs=0.0004)
    assert levels["wpm"] == pytest.approx(15, rel=1e-6)
    assert levels["ratio"] == pytest.approx(3, rel=1e-6)


@pytest.mark.parametrize("snr_db", [10.0, 30.0])
def test_noise_density_is_what_was_asked_for(snr_db: float) -> None:
    sim = simulate(steady(snr_db=snr_db, rate=12_000), np.random.default_rng(7))
    x = middle(sim.samples, sim.rate)
    power = np.abs(np.fft.rfft(x * np.hanning(x.size))) ** 2
    f = np.fft.rfftfreq(x.size, 1 / sim.rate)
    beside = (np.abs(f - 1000) > 20) & (np.abs(f - 1000) < 300)
    carrier = power[np.abs(f - 1000) < 5].sum()
    density = power[beside].mean() / (f[1] - f[0])  # per hertz, same window on both
    # 0.2 dB: 10 000 bins, and the filter's fall within 300 Hz
    assert 10 * np.log10(carrier / (density * 2500)) == pytest.approx(snr_db, abs=0.2)


def test_oscillator_noise_has_its_phase_deviation() -> None:
    for slope in ("f2", "f3", "plateau"):
        sim = simulate(steady(noise_rad=0.05, noise_slope=slope, rate=8000), np.random.default_rng(8))
        x = middle(sim.samples, 8000)
        t = np.arange(x.size) / 8000
        z = np.fft.fft(x * np.exp(-2j * np.pi * 1000 * t))
        f = np.fft.fftfreq(x.size, 1 / 8000)
        z[np.abs(f) > 800] = 0
        phase = np.unwrap(np.angle(np.fft.ifft(z)))
        spectrum = np.abs(np.fft.rfft(phase * np.hanning(phase.size))) ** 2 / np.sum(
            np.hanning(phase.size) ** 2
        )
        g = np.fft.rfftfreq(phase.size, 1 / 8000)
        rms = np.sqrt(2 * spectrum[(g >= 5) & (g <= 300)].sum() / phase.size)
        assert rms == pytest.approx(0.05, rel=0.1)
        assert truth.read(sim)["pm_excess_rad"] == pytest.approx(0.05, rel=0.1)


def test_chirp_is_the_frequency_just_after_the_edge() -> None:
    scene = steady(
        keyed=True, begin_s=0.7, end_s=9.0, chirp=Chirp(30.0, 0.02, 2.0), rise_s=0.003, fall_s=0.003, wpm=10
    )
    sim = simulate(scene, np.random.default_rng(9))
    levels = truth.read(sim)
    # 30 Hz less what settles within the 3 ms looked at: exp(-1.5 / 20)
    assert levels["chirp_hz"] == pytest.approx(30 * np.exp(-1.5 / 20), rel=0.08)
    # of 2 dB, what is left 15..20 ms after the edge
    assert levels["droop_db"] == pytest.approx(2 * np.exp(-17.5 / 20), abs=0.15)


def test_limiters_make_the_harmonics_of_the_formula_and_no_others() -> None:
    t = np.arange(int(FAST_HZ)) / FAST_HZ
    x = np.sin(2 * np.pi * 997 * t)
    hard = receiver.hard_limit(x, -0.5, 0.5)
    # symmetric clipping at half the amplitude: b3 -12.91, b5 -26.88 dBc (Fourier series, closed form)
    carrier = line_db(hard, FAST_HZ, 997)
    assert line_db(hard, FAST_HZ, 3 * 997) - carrier == pytest.approx(-12.91, abs=0.1)
    assert line_db(hard, FAST_HZ, 5 * 997) - carrier == pytest.approx(-26.88, abs=0.2)
    for wave in (hard, receiver.soft_limit(x, 0.3)):
        power = np.abs(np.fft.rfft(wave * np.blackman(wave.size))) ** 2
        f = np.fft.rfftfreq(wave.size, 1 / FAST_HZ)
        odd = np.abs((f / 997) % 2 - 1) * 997 < 8
        assert 10 * np.log10(power[(f < 3000) & ~odd].max() / power.max()) < -85  # what folds back


@pytest.mark.parametrize("hard", [False, True])
@pytest.mark.parametrize("tone_hz", [420.0, 1020.0, 1490.0])
def test_a_limiting_stage_alone_makes_no_line_beside_the_tone(hard: bool, tone_hz: float) -> None:
    # a memoryless stage at radio frequency makes only harmonics; what folds back here must not be heard
    over = Overload(18.0, -120.0, 0.0, -120.0, hard)
    narrow = Filter(250, 2700, "butter", 5)
    scene = steady(overload=over, tone_hz=tone_hz, rate=12_000, filter=narrow)
    sim = simulate(scene, np.random.default_rng(10))
    x = middle(sim.samples, sim.rate)
    power = np.abs(np.fft.rfft(x * np.blackman(x.size))) ** 2
    f = np.fft.rfftfreq(x.size, 1 / sim.rate)
    assert 10 * np.log10(power[np.abs(f - tone_hz) > 5].max() / power.max()) < -65


def test_harmonics_of_the_truth_are_those_of_the_samples() -> None:
    scene = steady(
        audio_drive_db=4.0, audio_filter_after=True, detector_second=0.01, tone_hz=700.0, rate=48_000
    )
    sim = simulate(scene, np.random.default_rng(10))
    x = middle(sim.samples, sim.rate)
    carrier = line_db(x, sim.rate, 700)
    for k in (3, 5):
        assert 20 * np.log10(sim.harmonics[k]) == pytest.approx(
            line_db(x, sim.rate, k * 700) - carrier, abs=0.3
        )


@pytest.mark.parametrize("quieter", [1.0, 0.4])
def test_clipped_share_and_rails(quieter: float) -> None:
    sim = simulate(steady(clip_db=3.0, quieter=quieter, rate=16_000, snr_db=60.0), np.random.default_rng(11))
    rail = np.abs(sim.samples).max()
    assert rail == pytest.approx(quieter, rel=1e-4)
    held = np.mean(np.abs(np.abs(sim.samples) - rail) < 1e-6)
    assert held == pytest.approx(sim.clipped_fraction, abs=2e-3)
    # a sine stays beyond 1/sqrt(2) of its amplitude for half of the time
    assert sim.clipped_fraction == pytest.approx(0.5, abs=0.03)


def test_gain_control_lifts_the_noise_between_transmissions() -> None:
    n = int(4 * FAST_HZ)
    level = np.where(np.arange(n) < n // 2, 1.0, 0.01)
    x = level * np.sin(0.3 * np.arange(n))
    gain = receiver.control_gain(x, GainControl(0.003, 0.2, 25.0), 1.0)

    def at(when_s: float) -> float:
        return float(20 * np.log10(gain[int(when_s * FAST_HZ)]))

    assert at(1.9) == pytest.approx(0, abs=0.5)
    assert at(2.1) == pytest.approx(40 * (1 - np.exp(-0.1 / 0.2)), abs=1)
    assert at(3.9) == pytest.approx(25, abs=0.1)


def test_comb_has_the_levels_that_it_tells() -> None:
    sim = simulate(
        steady(comb_dbc=-20.0, tone_hz=1020.0, rate=8000, mains_hz=50.0), np.random.default_rng(12)
    )
    x = middle(sim.samples, 8000)
    carrier = line_db(x, 8000, 1020)
    assert max(sim.comb.values()) == pytest.approx(-20, abs=1e-6)
    for hz, dbc in sim.comb.items():
        if dbc > -40:
            assert line_db(x, 8000, hz) - carrier == pytest.approx(dbc, abs=0.3)


@pytest.mark.parametrize("rate", recorder.RATES)
def test_every_rate_keeps_the_tone(rate: int) -> None:
    sim = simulate(steady(seconds=3.0, rate=rate, peak_dbfs=-6.0, tone_hz=1013.0), np.random.default_rng(13))
    x = sim.samples[rate // 2 : -rate // 2]
    assert line_db(x, rate, 1013, 5.0) == pytest.approx(-6, abs=0.3)
    assert sim.samples.size == pytest.approx(3 * rate, abs=2)


def test_resolution_and_codecs() -> None:
    rng = np.random.default_rng(14)
    x = 0.3 * np.sin(2 * np.pi * 700 * np.arange(48_000) / 48_000)
    eight = recorder.quantised(x, 8, rng, dither=False)
    assert set(np.unique(np.diff(np.unique(eight))) * 128) == {1.0}
    for codec in ("ogg", "mp3", "flac"):
        y = recorder.through_codec(x, 48_000, codec)
        assert line_db(y[9000:40_000], 48_000, 700, 10) == pytest.approx(20 * np.log10(0.3), abs=0.3)


def test_the_same_seed_makes_the_same_recording() -> None:
    first, again = (cases.make("supply-hum", np.random.default_rng(15))[0] for _ in range(2))
    assert np.array_equal(first, again)


def test_character_errors() -> None:
    assert character_error_rate("VVV DE Q5KAP", "VVVDE Q5KAP") == 0
    assert character_error_rate("VVV DE Q5KAP", "VVV DE Q5KAPT") == 0  # a sign cut by the end
    assert character_error_rate("ABCD", "ABXD") == 0.25
    assert character_error_rate("ABCD", "") == 1


MARKS = {
    "supply-hum": "hum-sidebands",
    "receiver-supply-hum": "hum-sidebands",
    "mains-remodulation": "hum-sidebands",
    "receiver-overload": "harmonic-distortion",
    "audio-overdrive": "harmonic-distortion",
    "ground-loop": "audio-hum",
    "magnetic-hum": "hum-sidebands",
    "switching-supply": "spur-lines",
    "chirp-droop": "chirp",
    "chirp": "chirp",
    "key-clicks": "key-clicks",
    "soft-keying": "slow-keying",
    "backwave": "backwave",
    "keyer-timing": "keying-timing",
    "oscillator-noise": "noisy-tone",
    "warm-up": "drift",
    "linear-drift": "drift",
    "steps": "frequency-jumps",
    "jumps": "frequency-jumps",
    "wobble": "frequency-wobble",
    "clipped": "clipped-recording",
    "clipped-quieter": "clipped-recording",
    "dropouts": "dropouts",
    "co-channel": "other-signal",
    "weak": "weak-signal",
    "fading": "fading",
    "noise-bursts": "noise-bursts",
}


@pytest.mark.slow
@pytest.mark.parametrize("kind", MARKS)
def test_each_fault_bears_its_mark(kind: str) -> None:
    made = [cases.make(kind, np.random.default_rng([16, i]))[2] for i in range(4)]
    assert sum(MARKS[kind] in t.symptoms for t in made) >= 3, [t.levels for t in made]
    assert set(MARKS) == set(cases.FAULTS)
