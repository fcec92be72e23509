"""The truth: each fault shows, clean recordings have nothing, values follow closed forms, all repeats."""

from __future__ import annotations

import json
import math
from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from sigcheck.errors import SettingError
from sigcheck.synth import FAULTS, clean_scenario, scenario_with, synthesise
from sigcheck.synth import truth as truths
from sigcheck.synth.faults import with_narrow_filter
from sigcheck.synth.path import Station
from sigcheck.synth.scenario import Scenario, inner_rates, run
from sigcheck.synth.transmitter import Drift, Load, Skirt, Supply

SHORT = clean_scenario(seconds=14.0, rate_hz=8000)

# Too short a recording or too kind a receiver for these to come clearly out: they are given more time.
LONGER = {"path-fading": 30.0, "aircraft": 30.0, "temperature-cycling": 24.0, "multipath-flutter": 24.0}


@pytest.mark.parametrize("name", [n for n in FAULTS if not n.endswith("-padded")])
def test_each_fault_shows_and_shows_nothing_else(name: str) -> None:
    fault = FAULTS[name]
    base = clean_scenario(seconds=LONGER.get(name, 14.0), rate_hz=8000)
    truth = synthesise(scenario_with([name], base)).truth
    assert truth.causes == (fault.cause,)
    assert truth.symptoms and set(truth.symptoms) <= set(fault.shows)
    for value in truth.values.values():
        assert math.isfinite(value)


def test_a_pad_takes_the_overload_away() -> None:
    padded = synthesise(scenario_with(["receiver-overload-padded"], SHORT)).truth
    assert (padded.symptoms, padded.causes) == ((), ("no-fault",))


def test_faults_have_plain_sentences_and_known_names() -> None:
    for fault in FAULTS.values():
        assert 20 < len(fault.sounds) < 110 and not fault.sounds.endswith(".")
        assert set(fault.shows) <= {*truths.LIMITS, "dropouts"}
        assert fault.name == fault.name.lower() and " " not in fault.name


def test_two_faults_at_once_show_both_with_both_causes() -> None:
    truth = synthesise(scenario_with(["key-clicks", "ground-loop"], SHORT)).truth
    assert truth.symptoms == ("audio-hum", "key-clicks")
    assert truth.causes == ("hard-keying", "audio-ground-loop")


def test_a_fault_too_weak_to_show_is_not_blamed() -> None:
    scenario = scenario_with(["supply-hum"], SHORT)
    scenario = replace(scenario, transmitter=replace(scenario.transmitter, supply=Supply(am_depth=0.002)))
    assert synthesise(scenario).truth.causes == ("no-fault",)


@given(
    seconds=st.floats(4.0, 9.0), rate_hz=st.sampled_from([6000, 8000, 11025, 22050, 48000]),
    tone_hz=st.floats(400.0, 1800.0), wpm=st.sampled_from([0.0, 8.0, 14.0, 25.0]),
    snr_db=st.floats(10.0, 40.0), mains_hz=st.sampled_from([50.0, 60.0]), seed=st.integers(0, 1000),
)  # fmt: skip
@settings(max_examples=10, deadline=None, derandomize=True)
def test_clean_recordings_of_all_kinds_have_nothing_beyond_a_note(**everyday: float) -> None:
    made = synthesise(clean_scenario(**everyday))  # type: ignore[arg-type]
    assert made.truth.symptoms == () and made.truth.causes == ("no-fault",)
    assert made.samples.size == pytest.approx(everyday["seconds"] * everyday["rate_hz"], abs=2)
    assert np.abs(made.samples).max() < 0.7


# --- values ------------------------------------------------------------------------------------------


def lines_of(scenario: Scenario) -> truths.Lines:
    return truths.true_lines(scenario)


@pytest.mark.parametrize("mains_hz", [50.0, 60.0])
@pytest.mark.parametrize("m", [0.02, 0.05])
def test_true_sideband_of_amplitude_ripple_is_half_its_depth(m: float, mains_hz: float) -> None:
    base = clean_scenario(mains_hz=mains_hz)
    rippled = replace(base.transmitter, supply=Supply(am_depth=m, pushing_hz=0.0))
    # The gain control would follow the ripple a little: it is off.
    scenario = replace(base, transmitter=rippled, receiver=replace(base.receiver, gain_control=None))
    strongest = max(lines_of(scenario).sidebands, key=lambda line: line["level_dbc"])
    assert strongest["offset_hz"] == 2 * mains_hz
    assert strongest["level_dbc"] == pytest.approx(20.0 * np.log10(m / 2.0), abs=0.05)
    assert strongest["angle_share"] < 0.01


def test_true_sideband_of_magnetic_hum_is_angle_at_the_mains_itself() -> None:
    base = clean_scenario()
    scenario = replace(base, transmitter=replace(base.transmitter, magnetic_hz=2.0))
    strongest = max(lines_of(scenario).sidebands, key=lambda line: line["level_dbc"])
    assert strongest["offset_hz"] == 50.0 and strongest["angle_share"] > 0.99
    assert strongest["level_dbc"] == pytest.approx(20.0 * np.log10(2.0 / 50.0 / 2.0), abs=0.05)


def test_true_distortion_of_a_clipped_recording_follows_the_series() -> None:
    """A sine clipped 6.02 dB deep: THD 23.29 % = -12.66 dB, H3 -12.91 dBc (closed form)."""
    base = clean_scenario(rate_hz=48000)
    scenario = replace(base, recorder=replace(base.recorder, level_dbfs=6.02, hum={}))
    lines = lines_of(scenario)
    assert lines.harmonics[1]["dbc"] == pytest.approx(-12.91, abs=0.15)  # the control holds it within 0.1 dB
    assert lines.thd_db == pytest.approx(-12.66, abs=0.15)


def test_true_hum_is_its_level_over_the_tones() -> None:
    base = clean_scenario()
    scenario = replace(base, recorder=replace(base.recorder, hum={1: -40.0, 3: -52.0}))
    assert lines_of(scenario).hum_dbc == pytest.approx(-26.0, abs=0.1)


def test_true_phase_noise_is_the_integral_of_its_density() -> None:
    """White phase noise at L dBc/Hz: 2 x 10^(L/10) x 295 Hz in the rates 5 to 300 Hz."""
    base = clean_scenario()
    noisy = replace(base.transmitter, noise=(Skirt(dbc_hz=-50.0, to_hz=1e5),))
    scenario = replace(base, transmitter=noisy, receiver=replace(base.receiver, noise=()))
    out = truths.true_noise(scenario, np.ones(48000, complex), 24000.0, 1.0)
    assert out["pm_excess_rad"] == pytest.approx(np.sqrt(2e-5 * 296.0), rel=0.01)  # 296 lines of 1 Hz
    assert out["rasp_dbc"] > 10.0 * np.log10(1e-5 * 2 * 400.0)
    assert out["snr_db"] == pytest.approx(28.0)


def test_true_noise_agrees_with_the_recording_of_a_steady_carrier() -> None:
    """The noise beside the tone while it is there and after it, out of the samples, gain control off."""
    base = clean_scenario(seconds=24.0, rate_hz=12000, wpm=0.0, tone_hz=1500.0, snr_db=30.0)
    base = replace(base, receiver=replace(base.receiver, gain_control=None))
    made = synthesise(scenario_with(["oscillator-noise"], base))
    t = np.arange(made.samples.size) / made.rate_hz

    def power(begin_s: float, end_s: float) -> tuple[float, float]:
        part = made.samples[(t > begin_s) & (t < end_s)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(part.size))) ** 2
        f = np.abs(np.fft.rfftfreq(part.size, 1.0 / made.rate_hz) - 1500.0)
        return float(spectrum[(f > 5.0) & (f < 500.0)].sum()), float(spectrum[f < 1.0].sum())

    beside, carrier = power(2.0, 19.0)
    after, _ = power(20.8, 23.8)
    rasp_dbc = 10.0 * np.log10(beside / carrier)
    assert rasp_dbc == pytest.approx(made.truth.parameters["rasp_dbc"], abs=0.5)  # drift widens the carrier
    # The sum over lines grows as the square of the length: 17 s against 3 s.
    rise_db = 10.0 * np.log10(beside / 17.0**2 / (after / 3.0**2))
    assert rise_db == pytest.approx(made.truth.parameters["rasp_rise_db"], abs=0.5)


def test_true_keying_is_what_was_keyed() -> None:
    truth = synthesise(SHORT).truth
    p = truth.parameters
    assert (p["wpm"], p["dit_s"], p["text"]) == (15.0, pytest.approx(0.08), "VVV DE Q5KAP")
    assert p["heard_rise_s"] == pytest.approx(p["rise_s"], rel=0.05)
    assert p["dah_dit_ratio"] == pytest.approx(3.0, abs=0.03)
    assert abs(p["weighting"]) < 0.01
    # A load shift of 1 Hz with 20 ms: at half amplitude, 4.2 ms in, exp(-0.21) of it is left.
    assert p["chirp_hz"] == pytest.approx(np.exp(-0.5 * 5.0 / 0.590334 / 20.0), abs=0.02)


def test_true_drift_and_tone() -> None:
    truth = synthesise(scenario_with(["clock-drift"], SHORT)).truth
    p = truth.parameters
    assert p["drift_hz_per_min"] == pytest.approx(14.0, abs=0.01)
    first, last = 0.7, p["key_down_s"] / 0.44 + 0.7  # the message is about as dense as PARIS
    assert p["tone_hz"] == pytest.approx(740.0 + 14.0 / 60.0 * 0.5 * (first + last), abs=0.3)


def test_another_station_counts_as_the_filter_passes_it() -> None:
    base = with_narrow_filter(SHORT, 200.0)
    outside = Station(frequency_hz=base.receiver.tone_hz + 500.0, level_dbc=0.0)
    scenario = replace(base, path=replace(base.path, stations=(outside,)))
    # Third-order Butterworth, five half-widths away: -20 log10(sqrt(1 + 5^6)) = -41.94 dB
    assert synthesise(scenario).truth.values["other-signal"] == pytest.approx(-41.94, abs=0.3)


def test_a_narrow_filter_makes_key_clicks_untestable() -> None:
    truth = synthesise(scenario_with(["key-clicks"], with_narrow_filter(SHORT, 250.0))).truth
    assert truth.parameters["rise_limit_s"] > 2e-3
    assert "key-clicks" not in truth.values and truth.symptoms == ()


def test_limits_are_those_of_the_judge() -> None:
    """Two tables by design (no measuring or judging code in the synthesis): they must not drift apart."""
    judge = pytest.importorskip("sigcheck.judge.limits")
    for name, (note, fault) in truths.LIMITS.items():
        row = judge.LIMITS[name]
        assert note == row.note
        assert fault == (math.inf if row.fault is None else row.fault)


# --- repeating ------------------------------------------------------------------------------------------


def test_the_same_scenario_gives_the_same_samples_and_another_seed_others() -> None:
    scenario = scenario_with(["receiver-overload", "static-crashes"], SHORT)
    one, again, other = (synthesise(s) for s in (scenario, scenario, replace(scenario, seed=2)))
    assert one.samples.tobytes() == again.samples.tobytes()
    assert one.truth == again.truth
    assert one.samples.tobytes() != other.samples.tobytes()


def test_nothing_draws_from_the_global_generator() -> None:
    before = np.random.get_state()
    synthesise(SHORT)
    after = np.random.get_state()
    assert np.array_equal(before[1], after[1]) and before[2:] == after[2:]  # type: ignore[index]


def test_one_setting_leaves_the_other_draws_alone() -> None:
    """A pad changes levels, not when the key closes: noise-free recordings differ by the pad alone."""
    base = replace(SHORT, receiver=replace(SHORT.receiver, gain_control=None))
    padded = replace(base, receiver=replace(base.receiver, pad_db=6.0))
    marks = [run(s, quiet=True).emission.marks.close_s for s in (base, padded)]
    assert np.array_equal(*marks)


def test_truth_is_plain_json() -> None:
    plain = synthesise(SHORT).truth.to_dict()
    assert json.loads(json.dumps(plain, allow_nan=False)) == plain
    assert plain["symptoms"] == [] and plain["causes"] == ["no-fault"] and plain["kind"] == "keyed"


@pytest.mark.parametrize("rate_hz", [6000, 8000, 11025, 24000, 44100, 48000, 96000, 192000])
def test_every_rate_is_reached_from_a_chain_of_24_to_48_khz(rate_hz: int) -> None:
    inner_hz, up, down = inner_rates(rate_hz)
    assert inner_hz * up / down == pytest.approx(rate_hz) and 24000 <= inner_hz <= 48000


@pytest.mark.parametrize("rate_hz", [6000, 44100, 96000])
def test_tone_and_level_come_out_at_every_rate(rate_hz: int) -> None:
    scenario = clean_scenario(seconds=3.0, rate_hz=rate_hz, tone_hz=900.0, wpm=0.0, snr_db=40.0)
    samples = run(scenario, quiet=True).samples[rate_hz : 2 * rate_hz]
    spectrum = np.abs(np.fft.rfft(samples * np.hanning(rate_hz))) / (rate_hz / 4)
    assert np.argmax(spectrum) == 900
    assert 20.0 * np.log10(spectrum[900]) == pytest.approx(-14.0, abs=0.2)  # drift spreads the line a little


def test_a_fast_recorder_clock_lowers_every_tone() -> None:
    """+200 ppm more samples a second: 1000 Hz reads 0.2 Hz low."""
    base = clean_scenario(seconds=12.0, rate_hz=8000, tone_hz=1000.0, wpm=0.0)
    steady = replace(base.transmitter, load=Load(chirp_hz=0.0), drift=Drift())
    hz = []
    for ppm in (0.0, 200.0):
        scenario = replace(base, transmitter=steady, recorder=replace(base.recorder, rate_error_ppm=ppm))
        x = run(scenario, quiet=True).samples[8000 : 10 * 8000]
        turns = np.exp(-2j * np.pi * 1000.0 * np.arange(x.size) / 8000.0) * x
        angle = np.unwrap(np.angle(turns.reshape(9, -1).sum(axis=1)))  # once a second
        hz.append(np.polyfit(np.arange(9.0), angle, 1)[0] / (2.0 * np.pi))
    # Hum near 1 kHz and the two tones' own ripple turn the phase by 1e-4 or so a second.
    assert hz[1] - hz[0] == pytest.approx(-0.2, abs=0.001)


# --- refusals ------------------------------------------------------------------------------------------


def test_an_unknown_fault_is_named_with_the_nearest() -> None:
    with pytest.raises(SettingError, match=r"no fault called 'key-click': did you mean key-clicks\?"):
        scenario_with(["key-click"])
    with pytest.raises(SettingError, match="did you mean supply-sag or oscillator-pulling or"):
        scenario_with(["chirp"])


def test_a_cause_will_do_for_a_faults_name() -> None:
    assert scenario_with(["transmitter-supply-hum"]) == scenario_with(["supply-hum"])


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"seconds": 0.1}, "give 1 to 600 s"),
        ({"seconds": math.nan}, "give 1 to 600 s"),
        ({"rate_hz": 300000}, "give 6000 to 192000 Hz"),
        ({"tone_hz": 5900.0}, "does not fit a sample rate"),
        ({"wpm": -3.0}, "give 0.1 to 100 WPM"),
        ({"snr_db": math.inf}, "give -40 to 100 dB"),
        ({"mains_hz": 16.7}, "give 40 to 70 Hz"),
        ({"seed": -1}, "give 0 or a positive whole number"),
    ],
)
def test_settings_out_of_range_are_refused_in_one_line(change: dict[str, float], message: str) -> None:
    with pytest.raises(SettingError, match=message) as refused:
        clean_scenario(**change)  # type: ignore[arg-type]
    assert "\n" not in str(refused.value)
