"""The transmitter against Morse timing, edge spectra, modulation tables and noise definitions."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from sigcheck.errors import SettingError
from sigcheck.synth import signals
from sigcheck.synth import transmitter as tx

RATE = 24000.0


def rng(seed: int = 1) -> np.random.Generator:
    return np.random.default_rng(seed)


def exact_mains(hz: float = 50.0) -> signals.MainsPhase:
    return signals.MainsPhase(np.array([0.0, 1e4]), np.zeros(2), hz)


def steady(**changes: object) -> tx.Transmitter:
    """A steady carrier from before the first sample on, with nothing on it but the changes."""
    bare = tx.Transmitter(
        keying=tx.Keying(mode="steady", start_s=-1.0, stop_s=-1.0), load=tx.Load(chirp_hz=0.0),
        supply=tx.Supply(am_depth=0.0, pushing_hz=0.0), noise=(), drift=tx.Drift(),
    )  # fmt: skip
    return replace(bare, **changes)  # type: ignore[arg-type]


def lines_dbc(envelope: np.ndarray, *offsets: int) -> list[float]:
    """Levels of lines at whole hertz, from one second."""
    spectrum = np.fft.fft(envelope[: int(RATE)]) / RATE
    return [20.0 * float(np.log10(abs(spectrum[f]) / abs(spectrum[0]))) for f in offsets]


# --- Morse: Rec. ITU-R M.1677-1, Annex 1; the lengths in dits as in check tables made from it --------

BY_LENGTH = (
    "A5 B9 C11 D7 E1 F9 G9 H7 I3 J13 K9 L9 M7 N5 O11 P11 Q13 R7 S5 T3 U7 V9 W9 X11 Y13 Z11 "
    "117 215 313 411 59 611 713 815 917 019 .17 ,19 :17 ?15 '19 -15 /13 (15 )19 \"15 =13 +13 @17"
)


@pytest.mark.parametrize("entry", BY_LENGTH.split())
def test_each_sign_has_its_length(entry: str) -> None:
    sign, units = entry[0], int(entry[1:])
    marks = tx.elements(sign)
    assert sum(3 if dah else 1 for dah, _ in marks) + len(marks) - 1 == units


def test_the_table_is_whole() -> None:
    assert sorted(tx.MORSE) == sorted(entry[0] for entry in BY_LENGTH.split())
    assert len(set(tx.MORSE.values())) == len(tx.MORSE)


def test_paris_is_fifty_dits_of_which_22_are_on() -> None:
    """The Art and Skill of Radio-Telegraphy, ch. 24: PARIS with its word gap is 50 dits; 22 of them on."""
    marks = tx.elements("PARIS")
    on = sum(3 if dah else 1 for dah, _ in marks)
    assert (on, on + sum(gap for _, gap in marks)) == (22, 50)


@pytest.mark.parametrize(("wpm", "dit_ms"), [(5, 240.0), (12, 100.0), (13, 92.308), (25, 48.0), (60, 20.0)])
def test_dit_is_1200_ms_over_wpm(wpm: float, dit_ms: float) -> None:
    assert tx.Keying(wpm=wpm).dit_s * 1e3 == pytest.approx(dit_ms, rel=1e-4)  # table printed to 1 us


def test_keyed_duty_of_paris_is_0_44() -> None:
    keying = tx.Keying(text="PARIS", wpm=25.0, jitter=0.0, start_s=0.0, stop_s=0.0, rise_s=1e-4, fall_s=1e-4)
    n = int(10 * 2.4 * RATE)
    marks = tx.keyed_marks(keying, 24.1, rng())
    amplitude = tx.keyed_amplitude(n, RATE, marks, keying)
    assert np.mean(amplitude) == pytest.approx(0.44, abs=2e-4)  # one sample an edge
    assert 10.0 * np.log10(np.mean(amplitude**2)) == pytest.approx(-3.565, abs=0.01)


def test_weighting_and_ratio_follow_their_definitions() -> None:
    keying = tx.Keying(text="EEE TTT", weighting=0.1, dah_dit_ratio=3.6, jitter=0.0, stop_s=0.0)
    marks = tx.keyed_marks(keying, 30.0, rng())
    length = marks.open_s - marks.close_s
    dit_s = keying.dit_s
    assert length[~marks.dah] == pytest.approx(1.2 * dit_s)  # (0.5 + 0.1) x 2 dits
    dit_gap, dah_gap = length[0] + dit_s - 0.2 * dit_s, length[3] + dit_s - 0.2 * dit_s
    assert length[0] / dit_gap - 0.5 == pytest.approx(0.1)
    assert 2.0 * dah_gap / dit_gap - 1.0 == pytest.approx(3.6)


def test_jitter_scatters_each_class_about_its_mean() -> None:
    keying = tx.Keying(text="ETETETETET", jitter=0.1, wpm=40.0, stop_s=0.0)
    marks = tx.keyed_marks(keying, 120.0, rng())
    length = marks.open_s - marks.close_s
    for kind in (marks.dah, ~marks.dah):
        scatter = np.std(length[kind]) / np.mean(length[kind])
        assert scatter == pytest.approx(0.1, rel=4.0 / np.sqrt(2.0 * np.count_nonzero(kind)))  # 4 sigma


def test_only_whole_texts_are_sent_where_one_fits() -> None:
    keying = tx.Keying(text="PARIS", wpm=12.0, start_s=1.0, stop_s=1.0)
    assert tx.keyed_marks(keying, 19.0, rng()).dah.size == 3 * 14  # PARIS has 14 marks and lasts 5 s
    assert 0 < tx.keyed_marks(keying, 5.0, rng()).dah.size < 14


@given(st.text(min_size=1, max_size=8))
def test_any_text_is_keyed_or_refused_in_one_line(text: str) -> None:
    try:
        assert tx.elements(text)
    except SettingError as error:
        assert "\n" not in str(error)


# --- edges ------------------------------------------------------------------------------------------


@pytest.mark.parametrize("shape", ["raised-cosine", "linear", "gaussian", "rc"])
@pytest.mark.parametrize("rise_s", [0.001, 0.005, 0.012])
def test_edges_take_the_asked_time_from_10_to_90_percent(shape: tx.EdgeShape, rise_s: float) -> None:
    rate = 192000.0
    keying = tx.Keying(shape=shape, rise_s=rise_s, fall_s=1.5 * rise_s)
    marks = tx.Marks(np.array([0.1]), np.array([0.4]), np.array([True]))
    amplitude = tx.keyed_amplitude(int(0.8 * rate), rate, marks, keying)
    t = np.arange(amplitude.size) / rate
    up, down = t < 0.25, (t > 0.25) & (amplitude > 1e-6)
    rise = np.diff(np.interp([0.1, 0.9], amplitude[up], t[up]))[0]
    fall = np.diff(np.interp([0.1, 0.9], amplitude[down][::-1], -t[down][::-1]))[0]
    assert rise == pytest.approx(rise_s, abs=2.0 / rate)
    assert fall == pytest.approx(1.5 * rise_s, abs=2.0 / rate)
    on, off = tx.half_amplitude_times(marks, keying)
    assert np.interp(on, t, amplitude) == pytest.approx([0.5], abs=0.5 / rate / rise_s)
    assert np.interp(off, t, amplitude) == pytest.approx([0.5], abs=0.5 / rate / rise_s)


def test_part_of_the_transition_between_10_and_90_percent() -> None:
    """Closed forms: linear 0.8 T, raised cosine 0.5903 T, RC 2.1972 tau, Gaussian 2.5631 sigma."""
    assert tx.RISE_OF_TRANSITION["linear"] == 0.8
    raised_cosine = tx.RISE_OF_TRANSITION["raised-cosine"]
    assert raised_cosine == pytest.approx(1.0 - 2.0 * np.arccos(0.8) / np.pi, abs=1e-6)
    assert raised_cosine == pytest.approx(0.5903, abs=5e-5)
    assert tx.RISE_OF_TRANSITION["rc"] == pytest.approx(np.log(9.0), abs=1e-6)
    assert tx.RISE_OF_TRANSITION["gaussian"] * 8.0 == pytest.approx(2.5631, abs=5e-5)


def dit_lines(shape: tx.EdgeShape, full_s: float, rate: float = 96000.0) -> np.ndarray:
    """Amplitudes of the lines of continuous 12 WPM dits (5 Hz apart), key-down 1."""
    keying = tx.Keying(shape=shape, rise_s=full_s * tx.RISE_OF_TRANSITION[shape],
                       fall_s=full_s * tx.RISE_OF_TRANSITION[shape])
    close = 0.05 + 0.2 * np.arange(5)
    marks = tx.Marks(close, close + 0.1, np.zeros(5, dtype=bool))
    amplitude = tx.keyed_amplitude(int(rate), rate, marks, keying)
    return np.abs(np.fft.rfft(amplitude))[::5] / rate


@pytest.mark.parametrize("full_s", [0.001, 0.002, 0.005, 0.010])
def test_lines_of_shaped_dits_have_the_closed_form(full_s: float) -> None:
    """Line n = |P(f)| / (pi n): linear P = sinc(f T), raised cosine cos(pi f T)/(1 - (2 f T)^2)."""
    n = np.arange(1, 42, 2)
    f = 5.0 * n
    shapes = {
        "linear": np.abs(np.sinc(f * full_s)),
        "raised-cosine": np.abs(np.cos(np.pi * f * full_s) / (1.0 - (2.0 * f * full_s) ** 2)),
    }
    for shape, factor in shapes.items():
        line = dit_lines(shape, full_s)  # type: ignore[arg-type]
        expected = factor / (np.pi * n)
        heard = expected > 1e-4  # above -80 dB
        assert 20.0 * np.log10(line[n][heard] / expected[heard]) == pytest.approx(0.0, abs=0.1)
        assert line[0] == pytest.approx(0.5, abs=1e-4)
        assert line[2:42:2].max() < 1e-5  # even lines vanish


def test_hard_dits_have_square_wave_lines() -> None:
    """First three pairs -9.94, -19.49, -23.92 dB from key-down (1/pi, 1/3 pi, 1/5 pi)."""
    line = dit_lines("linear", 1e-5)
    assert 20.0 * np.log10(line[[1, 3, 5]]) == pytest.approx([-9.94, -19.49, -23.92], abs=0.01)
    # Their envelope f_d / (pi f) is -35.96 dB at 100 Hz, -49.94 dB at 500 Hz; the next lines are at 105, 505.
    at_100_500 = line[[21, 101]] * [105 / 100, 505 / 500]
    assert 20.0 * np.log10(at_100_500) == pytest.approx([-35.96, -49.94], abs=0.03)


def test_a_bouncing_contact_opens_as_often_as_asked() -> None:
    keying = tx.Keying(bounces=2, bounce_s=0.004, rise_s=0.0004, fall_s=0.0004)
    marks = tx.Marks(np.array([0.1, 0.4]), np.array([0.2, 0.5]), np.array([False, False]))
    contacts = tx.bounced(marks, keying)
    amplitude = tx.keyed_amplitude(int(0.7 * RATE), RATE, contacts, keying)
    assert np.count_nonzero(np.diff((amplitude > 0.5).astype(int)) == 1) == 6
    assert contacts.open_s[[2, 5]] == pytest.approx(marks.open_s)


# --- supply and modulation ----------------------------------------------------------------------------


@pytest.mark.parametrize(("m", "dbc"), [(0.01, -46.021), (0.02, -40.0), (0.1, -26.021), (0.5, -12.041)])
def test_amplitude_ripple_makes_sidebands_of_half_its_depth(m: float, dbc: float) -> None:
    """AM of depth m: each sideband 20 log10(m / 2) dBc, exactly."""
    settings = steady(supply=tx.Supply(am_depth=m, pushing_hz=0.0, imbalance=0.0))
    envelope = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng()).envelope
    assert lines_dbc(envelope, 100, -100) == pytest.approx([dbc, dbc], abs=0.002)
    assert max(lines_dbc(envelope, 50, -50)) < -100.0


@pytest.mark.parametrize(
    ("beta", "j0", "j1", "j2"),
    [
        (0.02, 0.9999000025, 0.0099995000, 0.0000499983),
        (0.1, 0.9975015621, 0.0499375260, 0.0012489587),
        (0.5, 0.9384698072, 0.2422684577, 0.0306040235),
        (1.0, 0.7651976866, 0.4400505857, 0.1149034849),
    ],
)
def test_magnetic_hum_makes_bessel_sidebands(beta: float, j0: float, j1: float, j2: float) -> None:
    """Angle modulation of index beta = deviation / rate (Abramowitz & Stegun, tables 9.1 and 9.2)."""
    settings = steady(magnetic_hz=beta * 50.0)
    envelope = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng()).envelope
    spectrum = np.abs(np.fft.fft(envelope)) / RATE
    # The waveform's table of 8192 points is joined by straight lines: 1e-6 of the index.
    assert spectrum[[0, 50, -50]] == pytest.approx([j0, j1, j1], rel=1e-5)
    assert spectrum[[100, -100]] == pytest.approx([j2, j2], rel=2e-3, abs=1e-6)


def test_pushing_of_one_hertz_at_a_hundred_is_an_index_of_a_hundredth() -> None:
    """Frequency deviation d at rate f is phase d / f; one pair then stands at d / 2 f: -46.02 dBc."""
    settings = steady(supply=tx.Supply(am_depth=0.0, pushing_hz=1.0, imbalance=0.0))
    envelope = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng()).envelope
    assert lines_dbc(envelope, 100, -100) == pytest.approx([-46.02, -46.02], abs=0.02)


def test_half_wave_supply_is_strongest_at_the_mains_itself() -> None:
    settings = steady(supply=tx.Supply(rectifier="half-wave", am_depth=0.1, pushing_hz=0.0))
    envelope = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng()).envelope
    at_mains, at_twice = lines_dbc(envelope, 50, 100)
    assert at_mains == pytest.approx(-26.02, abs=0.01)
    assert -12.0 < at_twice - at_mains < -4.0  # between a sawtooth's -6 and a bare half-wave's -7.4, smoothed


def test_a_parasitic_is_one_line_and_follows_the_key() -> None:
    settings = steady(parasitic=tx.Parasitic(offset_hz=613.0, level_db=-30.0, wander_hz=0.0))
    envelope = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng()).envelope
    assert lines_dbc(envelope, 613) == pytest.approx([-30.0], abs=0.01)
    assert lines_dbc(envelope, -613)[0] < -100.0


# --- frequency ------------------------------------------------------------------------------------------


def keyed_once(load: tx.Load) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    settings = replace(steady(), keying=tx.Keying(mode="steady", start_s=0.2, stop_s=0.3), load=load)
    made = tx.transmit(settings, int(1.0 * RATE), RATE, exact_mains(), rng())
    return np.arange(made.amplitude.size) / RATE - 0.2, made.keyed_hz, made.amplitude


def test_a_sagging_supply_pulls_amplitude_and_frequency_by_one_exponential() -> None:
    t, hz, amplitude = keyed_once(tx.Load(chirp_hz=40.0, droop_db=2.0, settle_s=0.03))
    down = (t > 0.02) & (t < 0.45)
    assert hz[down] == pytest.approx(40.0 * np.exp(-t[down] / 0.03), abs=1e-6)
    droop_db = 20.0 * np.log10(amplitude[down])
    assert droop_db == pytest.approx(2.0 * np.exp(-t[down] / 0.03), abs=1e-6)


def test_a_pulled_oscillator_chirps_at_constant_amplitude() -> None:
    t, hz, amplitude = keyed_once(tx.Load(chirp_hz=-25.0, settle_s=0.02))
    down = (t > 0.01) & (t < 0.45)
    assert hz[down] == pytest.approx(-25.0 * np.exp(-t[down] / 0.02), abs=1e-6)
    assert amplitude[down] == pytest.approx(1.0)


def test_the_envelopes_phase_is_the_integral_of_its_frequency() -> None:
    drift = tx.Drift(rate_hz_per_min=60.0, warm_up_hz=5.0, warm_up_s=2.0, jumps=((1.5, 3.0),))
    settings = steady(drift=drift)
    made = tx.transmit(settings, int(3.0 * RATE), RATE, exact_mains(), rng())
    t = np.arange(made.envelope.size) / RATE
    expected = t + 5.0 * np.exp(-t / 2.0) + np.where(t >= 1.5, 3.0, 0.0)
    heard = np.diff(np.unwrap(np.angle(made.envelope))) * RATE / (2.0 * np.pi)
    away = np.abs(t[1:] - 1.5) > 2.0 / RATE
    assert heard[away] == pytest.approx(expected[1:][away], abs=1e-3)


def test_random_jumps_equal_steps_cycles_and_walks_are_as_described() -> None:
    n = 120 * 200
    loose = tx.drift_path(tx.Drift(jumps_per_min=10.0, jump_hz=5.0), n, 200.0, rng())
    sizes = np.array([size for _, size in loose.jumps])
    assert 3 <= sizes.size <= 45 and np.all((np.abs(sizes) >= 3.0) & (np.abs(sizes) <= 7.0))
    assert np.all(np.sign(sizes[1:]) == -np.sign(sizes[:-1]))
    steps = tx.drift_path(tx.Drift(jumps_per_min=10.0, jump_hz=5.0, equal_jumps=True), n, 200.0, rng())
    assert {size for _, size in steps.jumps} == {5.0}
    cycle = tx.drift_path(tx.Drift(cycle_peak_hz=4.0, cycle_s=30.0), n, 200.0, rng())
    assert (cycle.cycle_hz.max(), cycle.cycle_hz.min()) == pytest.approx((4.0, -4.0), abs=0.01)
    walks = [tx.drift_path(tx.Drift(walk_hz=0.3), n, 200.0, rng(k)).trend_hz for k in range(40)]
    after_9_s = np.std([w[1800] for w in walks])
    assert after_9_s == pytest.approx(0.3 * 3.0, rel=4.0 / np.sqrt(80.0))  # 4 sigma of a deviation of 40


@pytest.mark.parametrize("power", [0.0, 2.0, 4.0])
def test_a_skirt_has_its_level_and_slope(power: float) -> None:
    """L(f) = S_phi / 2 (IEEE Std 1139, from memory, not looked up): the noise on one side of the carrier."""
    skirt = tx.Skirt(dbc_hz=-70.0, at_hz=100.0, power=power, from_hz=20.0)
    made = tx.transmit(steady(noise=(skirt,)), int(60 * RATE), RATE, exact_mains(), rng())
    z = made.envelope / np.mean(made.envelope) - 1.0
    blocks = z.reshape(60, -1) * np.hanning(int(RATE))
    density = np.mean(np.abs(np.fft.fft(blocks, axis=1)) ** 2, axis=0) / (0.375 * RATE * RATE)
    for offset in (50, 100, 300):
        near = np.r_[offset - 8 : offset + 9]
        measured = 10.0 * np.log10(np.mean(density[[*near, *-near]]))
        # Both sides are one phase noise and a Hann window joins neighbours (1.5 lines): 60 x 17 / 1.5
        # values, each of 4.34 dB; 0.15 dB for the slope within the 17 lines.
        expected = 10.0 * np.log10(np.mean(skirt.density(near.astype(float)) / 2.0))
        assert measured == pytest.approx(expected, abs=4 * 4.34 / np.sqrt(60 * 17 / 1.5) + 0.15)
    assert 10.0 * np.log10(skirt.density(np.array([100.0]))[0] / 2.0) == pytest.approx(-70.0, abs=0.01)


def test_quiet_leaves_the_noise_out() -> None:
    settings = steady(noise=(tx.Skirt(dbc_hz=-50.0),))
    made = tx.transmit(settings, int(RATE), RATE, exact_mains(), rng(), quiet=True)
    assert made.envelope == pytest.approx(np.ones(int(RATE)))
