"""Voice and music told from noise, bursts and other stations; flutter; the gain control's recovery."""

from __future__ import annotations

import io
import shutil
import subprocess

import numpy as np
import pytest
import soundfile

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples
from tests.measure.plain_audio import Real, keyed, tone_and_noise

RATE = 8000.0


def measured(x: Real) -> Measurements:
    return measure(from_samples(np.asarray(x, np.float32), RATE)).measurements


def times(seconds: float) -> Real:
    return np.arange(round(seconds * RATE)) / RATE


def syllables(rng: np.random.Generator, n: int) -> Real:
    """Speech-like: syllables of 0.1 to 0.25 s, each with its own pitch and two resonances; rms 1."""
    f = np.fft.rfftfreq(4096, 1 / RATE)
    out = np.zeros(n + 4096)
    at = 0
    while at < n:
        length = int(RATE * rng.uniform(0.1, 0.25))
        pitch = rng.uniform(90, 180)
        comb = np.zeros(f.size, complex)
        lines = np.arange(pitch, 3000, pitch)
        shape = sum(1 / (1 + ((lines - c) / 90) ** 2) for c in (rng.uniform(300, 800), rng.uniform(1000, 2300)))
        comb[np.round(lines / f[1]).astype(int)] = shape * np.exp(2j * np.pi * rng.random(lines.size))
        piece = np.fft.irfft(comb, 4096)[:length]
        out[at : at + length] += piece / piece.std() * np.sin(np.pi * np.arange(length) / length)
        at += length + (int(RATE * rng.uniform(0.1, 0.4)) if rng.random() < 0.2 else 0)
    return out[:n] / out[:n].std()


def melody(rng: np.random.Generator, n: int) -> Real:
    """Chords of three notes with four harmonics each, a new one every 0.2 to 0.4 s; rms 1."""
    out = np.zeros(n)
    at = 0
    while at < n:
        length = min(int(RATE * rng.uniform(0.2, 0.4)), n - at)
        t = np.arange(length) / RATE
        for note in 220 * 2 ** (rng.integers(0, 24, 3) / 12):
            for k in range(1, 5):
                out[at : at + length] += np.cos(2 * np.pi * k * note * t + rng.uniform(0, 6)) / k * np.exp(-4 * t)
        at += length
    return out / out.std()


@pytest.mark.parametrize("keyed_at", [None, 15.0])
@pytest.mark.parametrize("sound", [syllables, melody])
def test_voice_and_music_beside_the_tone(keyed_at: float | None, sound: object) -> None:
    t = times(20)
    rng = np.random.default_rng(41)
    envelope = keyed(t, wpm=keyed_at) if keyed_at else None
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=32, envelope=envelope)
    x = x + 0.2 / np.sqrt(2) * 10 ** (-24 / 20) * sound(rng, t.size)  # type: ignore[operator]
    dbc = measured(x).purity.voice_dbc
    # the parts that lie under the tone and outside the passband are not seen, a few decibels
    assert dbc is not None and dbc == pytest.approx(-24, abs=5.0)


def test_a_voice_on_the_tone() -> None:
    """Cross modulation of 10 % rms: all of it together is 20 dB below the tone."""
    t = times(20)
    rng = np.random.default_rng(42)
    envelope = 1 + 0.1 * syllables(rng, t.size)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=35, hz=1200.0, envelope=envelope)
    dbc = measured(x).purity.voice_dbc
    assert dbc is not None and dbc == pytest.approx(-20, abs=5.0)


def spoken(seed: int, n: int) -> Real:
    """Speech of a synthesiser of the operating system's (n,), rms 1."""
    program = shutil.which("espeak-ng")
    if program is None:
        pytest.skip("espeak-ng is not installed")
    voices = ("en", "en+f3", "de", "fr+m4")
    text = "The garden shed beacon was heard today across the valley, and the weather stays dry until the evening."
    made = subprocess.run([program, "-v", voices[seed % 4], "--stdout", text], capture_output=True, check=True).stdout
    x, rate = soundfile.read(io.BytesIO(made))
    at = np.arange(int(x.size * RATE / rate)) * rate / RATE  # its band of 300 to 2700 Hz is what counts
    speech = np.interp(at, np.arange(x.size), x)
    return np.asarray(np.resize(speech, n) / speech.std())


@pytest.mark.parametrize(("seed", "wpm"), [(0, None), (1, None), (2, None), (3, None), (1, 16.0), (3, 10.0)])
def test_speech_of_another_maker(seed: int, wpm: float | None) -> None:
    t = times(20)
    x, _ = tone_and_noise(np.random.default_rng(47), rate_hz=RATE, seconds=20, snr_db=32, hz=980.0,
                          envelope=keyed(t, wpm=wpm) if wpm else None)  # fmt: skip
    sound = 0.2 / np.sqrt(2) * 10 ** (-14 / 20) * spoken(seed, t.size)
    bins = np.fft.rfft(sound)
    f = np.fft.rfftfreq(t.size, 1 / RATE)
    bins[(f < 300) | (f > 2700)] = 0.0
    heard = np.fft.irfft(bins, t.size)
    found = measured(x + heard).purity
    level = 10 * np.log10(np.mean(heard**2) / 0.02)
    # it hardly pauses, so some of it is taken for noise, and more lies beside the tone
    assert found.voice_dbc is not None and found.voice_dbc == pytest.approx(level - 4.0, abs=4.0)


@pytest.mark.parametrize("sound", [syllables, melody])
@pytest.mark.parametrize("on_tone", [False, True])
def test_a_voice_in_a_narrow_passband(sound: object, on_tone: bool) -> None:
    """600 Hz of passband, the tone in its middle, keyed: the voice is heard in gaps and through the tone."""
    t = times(20)
    rng = np.random.default_rng(48)
    voice = 10 ** (-15 / 20) * sound(rng, t.size)  # type: ignore[operator]
    envelope = keyed(t, wpm=15)
    x = 0.2 * envelope * (1 + voice * on_tone) * np.cos(2 * np.pi * 620 * t) + 0.141 * voice * (not on_tone)
    bins = np.fft.rfft(x)
    f = np.fft.rfftfreq(t.size, 1 / RATE)
    bins[(f < 320) | (f > 920)] = 0.0
    noise, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=30, amplitude=0.2, envelope=np.zeros(t.size),
                              band=(320.0, 920.0))  # fmt: skip
    assert measured(np.fft.irfft(bins, t.size) + noise).purity.voice_dbc is not None


def test_what_hides_a_voice_is_said() -> None:
    """As loud as the noise in 1500 Hz: 2 dB below that in 2500 Hz; half the pairs of frames make it 0.75 dB more."""
    t = times(20)
    x, _ = tone_and_noise(np.random.default_rng(49), rate_hz=RATE, seconds=20, snr_db=25, envelope=keyed(t, wpm=14))
    found = measured(x).purity
    assert found.voice_dbc is None
    assert found.voice_floor_dbc == pytest.approx(-26.0, abs=1.5)


@pytest.mark.parametrize("what", ["noise", "bursts", "another station", "fading noise"])
def test_what_is_no_voice(what: str) -> None:
    t = times(20)
    rng = np.random.default_rng(43)
    x, _ = tone_and_noise(rng, rate_hz=RATE, seconds=20, snr_db=25, envelope=keyed(t, wpm=14))
    if what == "bursts":
        x = x + (rng.random(t.size // 80).repeat(80) < 0.03) * 0.1 * rng.standard_normal(t.size)
    elif what == "another station":
        x = x + 0.1 * keyed(t, wpm=21, pattern="QA5 VK ") * np.cos(2 * np.pi * 1610 * t)
    elif what == "fading noise":
        x = x * (1 + 0.8 * np.sin(2 * np.pi * 0.4 * t))
    assert measured(x).purity.voice_dbc is None


def test_flutter_is_measured_and_hum_is_none() -> None:
    """Level changes of 8 % rms at 9 Hz are 20 log10(e) x 0.08 = 0.69 dB; hum of as much averages out."""
    t = times(20)
    x, _ = tone_and_noise(np.random.default_rng(44), rate_hz=RATE, snr_db=30,
                          envelope=1 + 0.08 * np.sqrt(2) * np.cos(2 * np.pi * 9 * t))  # fmt: skip
    assert measured(x).signal.flutter_db == pytest.approx(0.69, rel=0.2)
    x, _ = tone_and_noise(np.random.default_rng(45), rate_hz=RATE, snr_db=30,
                          envelope=1 + 0.08 * np.sqrt(2) * np.cos(2 * np.pi * 100 * t))  # fmt: skip
    flutter = measured(x).signal.flutter_db
    assert flutter is not None and flutter < 0.15


@pytest.mark.parametrize("tau_s", [0.1, 0.4])
def test_time_of_the_gain_controls_recovery(tau_s: float) -> None:
    """The noise rises by 18 dB (1 - exp(-t/tau)) in the gaps, in decibels."""
    t = times(40)
    envelope = keyed(t, wpm=10)
    down = envelope > 0.5
    since = t - np.maximum.accumulate(np.where(down, t, 0.0))
    gain = np.where(down, 1.0, 10 ** (18 / 20 * (1 - np.exp(-since / tau_s))))
    x, _ = tone_and_noise(np.random.default_rng(46), rate_hz=RATE, seconds=40, snr_db=22, envelope=envelope)
    bursts = measured(x * gain).bursts
    assert bursts.gain_recovery_db is not None and bursts.gain_recovery_db > 3
    assert bursts.gain_recovery_s == pytest.approx(tau_s, rel=0.35)
