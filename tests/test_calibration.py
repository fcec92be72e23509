"""Calibration: the recorder's rate, the receiver's dial, and the chain's own, from recordings of another maker."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from sigcheck import Plan, RecordingError, SettingError, diagnose, from_samples, load_plan
from sigcheck.calibration import Calibration, calibrate, without_the_chains_own
from sigcheck.cli import run
from sigcheck.measure.results import Measurements
from sigcheck.plan import Receiver
from sigcheck.recording import Recording
from tests.independent.time_signal import Chain, Made, Station, make
from tests.independent.time_signal import Path as Path_

RATE = 8000.0
DIAL = Receiver(dial_hz=9_999_000.0, sideband="usb")


def tone(hz: float, *, ppm: float = 0.0, seconds: float = 30.0, snr_db: float = 30.0, seed: int = 0,
         rate: float = RATE) -> NDArray[np.float64]:  # fmt: skip
    """A tone of 0.2 as a recorder with this rate error takes it; signal over noise in 2500 Hz."""
    t = np.arange(int(seconds * rate)) / (rate * (1 + 1e-6 * ppm))
    noise = 0.2 / np.sqrt(2) / 10 ** (snr_db / 20) * np.sqrt(rate / 2 / 2500)
    rng = np.random.default_rng(seed)
    return 0.2 * np.cos(2 * np.pi * hz * t + 0.4) + noise * rng.standard_normal(t.size)


def recorded(*channels: NDArray[np.float64], rate: float = RATE) -> Recording:
    return from_samples(np.stack(channels, axis=1).astype(np.float32), rate)


@pytest.fixture(scope="module")
def time_signal() -> Made:
    chain = Chain(rate_error_ppm=40.0, carrier_audio_hz=1003.0)
    return make(station=Station(code_level=0.3), chain=chain, starts_at_s=33.3)


def test_time_signal_with_its_carrier(time_signal: Made) -> None:
    """The carrier on 10 MHz is heard 3 Hz high of the 1000 Hz expected: the dial listens 3 Hz low, -0.3000 ppm."""
    found = calibrate(from_samples(time_signal.samples, 12000.0), true_hz=10e6, receiver=DIAL)
    assert found.recorder.source == "ticks"
    assert found.recorder.sample_rate_error_ppm == pytest.approx(40.0, abs=0.4)
    assert found.receiver.error_ppm == pytest.approx(-3e6 / 9_999_000, abs=3e-4)
    assert found.receiver.tone_hz == pytest.approx(1003 / (1 + 40e-6), abs=1e-3)
    assert found.ticks.minute_at_s == pytest.approx(26.7, abs=0.002)
    # the station's code on 100 Hz is no hum
    assert found.chain.hum_dbfs is None
    assert found.chain.sideband_hz is None and "own modulation" in found.chain_missing["sideband_hz"]
    json.dumps(found.to_dict(), allow_nan=False)


def test_dial_error_by_hand_and_its_sigma() -> None:
    """1 Hz at 10 MHz is 0.1 ppm. Uncalibrated, 50 ppm of a 1010 Hz tone are 0.05 Hz, 0.005 ppm of the dial."""
    found = calibrate(recorded(tone(1010.0)), true_hz=10e6, receiver=DIAL)
    assert found.receiver.error_ppm == pytest.approx(-1.0001, abs=2e-4)
    assert found.receiver.error_ppm_sigma == pytest.approx(50e-6 * 1010 / 9.999, rel=0.02)
    assert found.recorder.sample_rate_error_ppm is None
    lower = Receiver(dial_hz=10_001_000.0, sideband="lsb")
    found = calibrate(recorded(tone(1010.0)), true_hz=10e6, receiver=lower)
    assert found.receiver.error_ppm == pytest.approx(10 / 10.001, abs=2e-4)
    # the plan's rate stands where nothing else tells it
    plan = Plan.from_dict({"recorder": {"sample_rate_error_ppm": 100.0, "sample_rate_error_ppm_sigma": 1.0}})
    found = calibrate(recorded(tone(1010.0, ppm=100.0)), true_hz=10e6, receiver=DIAL, plan=plan)
    assert found.recorder.source == "plan"
    assert found.receiver.error_ppm == pytest.approx(-1.0001, abs=2e-4)
    assert "recorder" not in found.plan_values()


def test_reference_tone_on_the_second_channel() -> None:
    pulls = []
    for seed, ppm in enumerate((-83.0, 12.0, 140.0)):
        pair = recorded(tone(1010.0, ppm=ppm, seed=seed), tone(1000.0, ppm=ppm, seed=50 + seed))
        found = calibrate(pair, true_hz=10e6, receiver=DIAL, reference_channel=1, reference_hz=1000.0)
        assert found.recorder.source == "reference-tone"
        error, sigma = found.recorder.sample_rate_error_ppm, found.recorder.sample_rate_error_ppm_sigma
        assert error is not None and sigma is not None
        pulls.append((error - ppm) / sigma)
        assert sigma < 1.0  # 30 s at 30 dB: Cramer-Rao 2e-5 Hz of 1000
        assert found.receiver.error_ppm == pytest.approx(-1.0001, abs=1e-3)
    assert np.max(np.abs(pulls)) < 3.5


@pytest.mark.parametrize("rate", [8000.0, 48000.0])
@pytest.mark.parametrize("ppm", [-60.0, 25.0])
def test_reference_pulse_on_the_second_channel(rate: float, ppm: float) -> None:
    """One pulse a second of 1 ms through an input coupled at 20 Hz and an anti-alias filter, 30 dB over the noise."""
    fast = 8 * rate
    seconds = 30
    t = np.arange(int(0.01 * fast)) / fast
    falls = 2 * np.pi * 20.0
    shape = np.where(t < 1e-3, np.exp(-falls * t), -(1 - np.exp(-0.126)) * np.exp(-falls * (t - 1e-3)))
    window = np.sinc(np.arange(-64, 65) / 9) * np.hanning(129)
    shape = np.convolve(shape, window / window.sum())
    x = np.zeros(int(seconds * rate))
    grid = np.arange(shape.size) / fast
    for k in range(seconds):
        at = (0.237 + k) * (1 + 1e-6 * ppm)
        n = np.arange(int(at * rate) - 2, min(int((at + 0.01) * rate), x.size))
        x[n] += 0.5 * np.interp(n / rate / (1 + 1e-6 * ppm) - at / (1 + 1e-6 * ppm), grid, shape, left=0, right=0)
    x += 0.01 * np.random.default_rng(1).standard_normal(x.size)
    found = calibrate(recorded(np.resize(tone(1010.0, ppm=ppm, rate=rate), x.size), x, rate=rate), reference_channel=1)
    assert found.recorder.source == "reference-pulse"
    assert found.recorder.sample_rate_error_ppm == pytest.approx(ppm, abs=0.5)
    sigma = found.recorder.sample_rate_error_ppm_sigma
    assert sigma is not None and abs((found.recorder.sample_rate_error_ppm or 0) - ppm) < 4 * sigma


def test_reference_tone_alone() -> None:
    """Without a dial the known frequency is the audio's own."""
    found = calibrate(recorded(tone(1000.0, ppm=-33.0)), true_hz=1000.0)
    assert found.recorder.sample_rate_error_ppm == pytest.approx(-33.0, abs=0.5)
    assert found.receiver.error_ppm is None


def test_nothing_to_calibrate_by() -> None:
    rng = np.random.default_rng(0)
    noise = from_samples(0.05 * rng.standard_normal(int(20 * RATE)).astype(np.float32), RATE)
    with pytest.raises(RecordingError, match=r"neither second pulses nor a steady carrier near 1000 Hz"):
        calibrate(noise, true_hz=10e6, receiver=DIAL)
    with pytest.raises(RecordingError, match="neither second pulses nor"):
        calibrate(noise)
    direct = from_samples(np.full(int(20 * RATE), 0.5, np.float32), RATE)
    with pytest.raises(RecordingError, match="neither second pulses nor"):
        calibrate(direct)
    with pytest.raises(SettingError, match=r"heard at 0 Hz.*tune it to a beat"):
        calibrate(noise, true_hz=9_999_000.0, receiver=DIAL)
    with pytest.raises(RecordingError, match="no channel 3"):
        calibrate(noise, reference_channel=3)
    with pytest.raises(RecordingError, match=r"channel 0: no pulse repeats.*--reference-hz"):
        calibrate(noise, reference_channel=0)


# --- what the chain adds, and taking it off --------------------------------------------------------


def through_a_chain(seed: int, *, own_am: float, signal_am: float, hum: float = 0.004) -> NDArray[np.float64]:
    """A steady tone with 100 Hz amplitude modulation of the chain's and of the signal's own, 50 Hz hum, 20 s and 10 s
    of silence after it, behind a 300..2700 Hz filter."""
    rate, seconds = RATE, 30.0
    t = np.arange(int(seconds * rate)) / rate
    x = 0.2 * (1 + own_am * np.cos(2 * np.pi * 100 * t)) * (1 + signal_am * np.cos(2 * np.pi * 100 * t + 1.5708))
    x = np.where(t < 20, x * np.cos(2 * np.pi * 1000 * t), 0.0)
    x += 0.002 * np.random.default_rng(seed).standard_normal(t.size)
    f = np.fft.rfftfreq(t.size, 1 / rate)
    x = np.fft.irfft(np.fft.rfft(x) * ((f > 300) & (f < 2700)), t.size)
    return x + hum * np.cos(2 * np.pi * 50 * t + 1)


@pytest.fixture(scope="module")
def calibrated() -> Calibration:
    return calibrate(recorded(through_a_chain(0, own_am=0.02, signal_am=0.0)))


def test_the_chains_own_is_measured(calibrated: Calibration) -> None:
    """AM of index m stands m/2 each side: 0.01, -40.0 dBc. Hum of 0.004 is -48.0 dBFS."""
    chain = calibrated.chain
    assert chain.sideband_hz is not None and chain.sideband_dbc is not None
    assert chain.sideband_hz[0] == pytest.approx(100.0, abs=0.05)
    assert chain.sideband_dbc[0] == pytest.approx(-40.0, abs=0.5)
    assert chain.hum_dbfs == pytest.approx(20 * np.log10(0.004), abs=0.5)
    assert chain.hum_hz == pytest.approx(50.0, abs=0.1)
    assert chain.level_dbfs == pytest.approx(20 * np.log10(0.2), abs=0.2)
    assert chain.passband_hz == pytest.approx((300, 2700), abs=40)
    assert Plan.from_dict({"chain": calibrated.plan_values()["chain"]}).chain.sideband_hz is not None


def diagnosed(x: NDArray[np.float64], calibrated: Calibration | None) -> Measurements:
    plan = None if calibrated is None else Plan.from_dict(calibrated.plan_values())
    return diagnose(recorded(x), plan).measurements


def test_the_chains_own_is_not_blamed_on_the_signal(calibrated: Calibration) -> None:
    x = through_a_chain(1, own_am=0.02, signal_am=0.0)
    before, after = diagnosed(x, None), diagnosed(x, calibrated)
    assert before.purity.hum_dbc is not None and before.lines.sidebands
    assert not [b for b in after.lines.sidebands if abs(b.offset_hz - 100) < 1]
    assert after.purity.hum_dbc is None
    assert "calibrated chain" in after.purity.missing["hum_dbc"]
    assert after.purity.hum_floor_dbc == pytest.approx(20 * np.log10(0.004 / 0.2), abs=1.0)
    assert any("calibrated" in step for step in after.steps_taken)
    assert after.purity.unexplained() == []


def test_what_is_more_than_the_chains_own_stays(calibrated: Calibration) -> None:
    """0.06 in quadrature with the chain's 0.02: what is left is the signal's 0.06, -30.5 dBc."""
    found = diagnosed(through_a_chain(2, own_am=0.02, signal_am=0.06), calibrated)
    line = next(b for b in found.lines.sidebands if abs(b.offset_hz - 100) < 1)
    assert line.level_dbc == pytest.approx(20 * np.log10(0.03), abs=0.7)


def test_distortion_of_a_louder_calibration_is_not_taken_off() -> None:
    m = diagnosed(through_a_chain(3, own_am=0.0, signal_am=0.0), None)
    m = replace(m, purity=replace(m.purity, thd_db=-30.0, thd_db_sigma=0.5))
    level = m.signal.level_dbfs
    assert level is not None
    quiet = Plan.from_dict({"chain": {"thd_db": -30.5, "level_dbfs": level + 10}}).chain
    assert without_the_chains_own(m, quiet).purity.thd_db == -30.0
    equal = replace(quiet, level_dbfs=level)
    assert without_the_chains_own(m, equal).purity.thd_db is None
    far = replace(equal, thd_db=-40.0)
    assert without_the_chains_own(m, far).purity.thd_db == pytest.approx(10 * np.log10(1e-3 - 1e-4))


def test_gain_recovery() -> None:
    """Noise 14 dB down while the tone is on, back with a time constant of 0.3 s: nine tenths after 0.3 ln 10."""
    t = np.arange(int(30 * RATE)) / RATE
    down_db = np.where(t < 15, 14.0, 14.0 * np.exp(-(t - 15) / 0.3))
    rng = np.random.default_rng(4)
    x = 0.2 * np.cos(2 * np.pi * 1000 * t) * (t < 15) + 0.02 * 10 ** (-down_db / 20) * rng.standard_normal(t.size)
    chain = calibrate(recorded(x)).chain
    assert chain.gain_recovery_db == pytest.approx(14.0, abs=2.0)
    assert chain.gain_recovery_s == pytest.approx(0.3 * np.log(10), abs=0.25)


# --- the command -----------------------------------------------------------------------------------


@pytest.fixture
def file(tmp_path: Path, time_signal: Made) -> Path:
    path = tmp_path / "seconds.flac"
    soundfile.write(path, time_signal.samples, 12000)
    return path


def test_command(file: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    plan = tmp_path / "shed.toml"
    plan.write_text("# the shed\n[receiver]\ndial_hz = 9999000.0  # by the knob\nsideband = 'usb'\nerror_ppm = 5.0\n")
    call = ["calibrate", str(file), "--true-hz", "10e6", "--plan", str(plan), "--save", str(plan), "--json", "-"]
    assert run(call) == 0
    out = json.loads(capsys.readouterr().out)
    assert out["receiver"]["error_ppm"] == pytest.approx(-0.30003, abs=3e-4)
    assert out["ticks"]["sample_rate_error_ppm"] == pytest.approx(40, abs=0.4)
    text = plan.read_text()
    assert text.startswith("# the shed\n[receiver]\ndial_hz = 9999000.0  # by the knob\n")
    saved = load_plan(plan)
    assert saved.receiver.error_ppm == pytest.approx(-0.30003, abs=3e-4)
    assert saved.receiver.error_ppm_sigma is not None and saved.receiver.dial_hz == 9_999_000.0
    assert saved.recorder.sample_rate_error_ppm == pytest.approx(40, abs=0.4)
    assert run(["calibrate", str(file)]) == 0
    printed = capsys.readouterr().out
    assert "sample rate: +40" in printed and "second pulses" in printed


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--true-hz", "0"], "above 0"),
        (["--tick-ms", "5000"], "1 to 600 ms"),
        (["--sideband", "am"], "usb or lsb"),
        (["--true-hz", "10000000"], "--dial-hz"),
        (["--plan", "nowhere.toml"], "no such file"),
        (["--reference-channel", "1"], "no channel 1"),
    ],
)
def test_wrong_calls(file: Path, options: list[str], words: str, capsys: pytest.CaptureFixture[str]) -> None:
    assert run(["calibrate", str(file), *options]) == 2
    error = capsys.readouterr().err
    assert words in error and error.count("\n") == 1


def test_fading_makes_the_dial_less_certain_and_says_so() -> None:
    """A carrier that fades turns in phase at random, so its mean frequency is off by far more than the noise tells."""
    pulls = []
    for seed in range(6):
        paths = (Path_(), Path_(gain=0.6, delay_s=0.0012, fading_s=8.0)) if seed % 2 else (Path_(fading_s=6.0),)
        chain = Chain(carrier_audio_hz=1007.3)
        signal = make(station=Station(tones=()), chain=chain, paths=paths, seed=seed, seconds=60)
        found = calibrate(from_samples(signal.samples, 12000.0), true_hz=10e6, receiver=DIAL).receiver
        assert found.tone_hz is not None and found.tone_hz_sigma is not None
        assert found.tone_hz_sigma > 1e-4  # the noise alone: 1e-6 Hz
        pulls.append((found.tone_hz - 1007.3) / found.tone_hz_sigma)
    # rms of six pulls lies under 1.9 in 999 of 1000 (chi-squared, 6)
    assert np.sqrt(np.mean(np.square(pulls))) < 1.9
