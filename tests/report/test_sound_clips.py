"""The clips by their numbers: level, spectrum, and what is left when the clean tone is taken away.

Recordings are made here by closed forms: a tone, its keying, hum of a known level, white noise.
"""

from __future__ import annotations

import base64
import io

import numpy as np
import pytest

import sigcheck
from sigcheck.measure.sound import EXCERPT_S, RATE_HZ, Sound, raised_alike
from sigcheck.measure.views import Views
from sigcheck.report.sounds import clips, clips_of_two, encoded

TONE_HZ = 731.0
DIT_S = 0.0803
MORSE = "...- ...- ...- / -.. . / --.- ..... -.- .- .--. / "


def keying(rate_hz: float, seconds: float, rise_s: float) -> np.ndarray:
    """Amplitude 0..1 with raised-cosine edges of ``rise_s`` from 10 to 90 %."""
    whole = rise_s / 0.5903  # 1 - 2 acos(0.8)/pi of a raised cosine lies within 10..90 %
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    edges, at = [(0.0, 0.0)], 0.7
    while at < seconds - 1.5:
        for sign in MORSE:
            if sign in ".-":
                length = DIT_S * (1 if sign == "." else 3)
                for x, k in ((at, 1.0), (at + length, -1.0)):
                    edges.append((x, k))
                at += length + DIT_S
            else:
                at += 2 * DIT_S
    out = np.zeros(t.size)
    for x, sign in edges:
        if sign:
            out += sign * (0.5 + 0.5 * np.sin(np.pi * np.clip((t - x) / whole, -0.5, 0.5)))
    return np.clip(out, 0.0, 1.0)


def heard(
    *,
    rate_hz: float = 11025.0,
    seconds: float = 12.0,
    keyed: bool = True,
    rise_s: float = 0.005,
    hum_index: float = 0.0,
    drift_hz: float = 0.0,
    noise: float = 1e-3,
) -> Sound:
    """Sound of a made recording, by the whole path."""
    t = np.arange(round(seconds * rate_hz)) / rate_hz
    shape = keying(rate_hz, seconds, rise_s) if keyed else np.ones(t.size)
    shape = shape * (1 + hum_index * np.sin(2 * np.pi * 100.0 * t))
    x = 0.2 * shape * np.cos(2 * np.pi * (TONE_HZ * t + 0.5 * drift_hz / seconds * t**2) + 0.4)
    x += noise * np.random.default_rng(2).standard_normal(t.size)
    sound = sigcheck.diagnose(sigcheck.from_samples(x.astype(np.float32), rate_hz)).views().sound
    assert sound is not None
    return sound


def power(samples: np.ndarray, low_hz: float, high_hz: float) -> float:
    """Power between two frequencies, full scale squared."""
    y = samples / 32768.0
    window = np.hanning(y.size)
    spectrum = np.abs(np.fft.rfft(y * window)) ** 2 / (y.size * (window**2).sum())
    hz = np.arange(spectrum.size) * RATE_HZ / y.size
    return 2.0 * float(spectrum[(hz >= low_hz) & (hz < high_hz)].sum())


def db(ratio: float) -> float:
    return float(10 * np.log10(ratio))


def rms_db(samples: np.ndarray) -> float:
    return db(float(np.mean((samples / 32768.0) ** 2)))


@pytest.mark.parametrize("keyed", [False, True])
def test_the_clean_tone_is_gone_from_what_is_wrong(keyed: bool) -> None:
    sound = heard(keyed=keyed)
    tone = (TONE_HZ - 3, TONE_HZ + 3)
    left = db(power(sound.wrong, *tone) / power(sound.heard, *tone)) - float(sound.raised_db)
    # White noise of 1e-3 rms lies 60 dB under the tone in 6 Hz of 5.5 kHz; the rest is the fit's.
    assert left < -40.0


@pytest.mark.parametrize("index", [0.05, 0.2])
def test_hum_stays_at_its_level(index: float) -> None:
    """Modulation by m puts m/2 on each side: the level of a sideband is known in closed form."""
    sound = heard(keyed=False, hum_index=index)
    side = power(sound.wrong, TONE_HZ + 95, TONE_HZ + 105) / power(sound.heard, TONE_HZ - 5, TONE_HZ + 5)
    assert db(side) - float(sound.raised_db) == pytest.approx(20 * np.log10(index / 2), abs=0.3)


def test_clicks_are_in_what_is_wrong_and_not_in_the_clean_signal() -> None:
    """0.5 ms against 5 ms: 500 to 900 Hz beside the tone holds the hard edges' energy."""
    hard, soft = heard(rise_s=0.0005), heard(rise_s=0.005)
    beside = (TONE_HZ + 500, TONE_HZ + 900)

    def level(sound: Sound, samples: np.ndarray, raised_db: float) -> float:
        return db(power(samples, *beside) / power(sound.heard, TONE_HZ - 200, TONE_HZ + 200)) - raised_db

    assert level(hard, hard.wrong, float(hard.raised_db)) > level(soft, soft.wrong, float(soft.raised_db)) + 10.0
    assert level(hard, hard.clean, 0.0) < level(hard, hard.heard, 0.0) - 10.0


def test_the_clean_signal_stands_still_where_the_recording_drifts() -> None:
    sound = heard(keyed=False, drift_hz=12.0, seconds=24.0)

    def spread_hz(samples: np.ndarray) -> float:
        n = samples.size // 4
        first, last = (
            np.argmax(np.abs(np.fft.rfft(part * np.hanning(n), 1 << 19))) * RATE_HZ / (1 << 19)
            for part in (samples[:n], samples[-n:])
        )
        return float(last - first)

    # 0.5 Hz a second over the 4.5 s between the middles of the first and the last quarter
    assert spread_hz(sound.heard) == pytest.approx(0.5 * 4.5, abs=0.2)
    assert abs(spread_hz(sound.clean)) < 0.1


@pytest.mark.parametrize("rate_hz", [6000.0, 44100.0])
def test_levels_are_comfortable_and_nothing_clips(rate_hz: float) -> None:
    sound = heard(rate_hz=rate_hz, hum_index=0.1)
    for samples in (sound.heard, sound.wrong, sound.clean):
        assert samples.size == pytest.approx(EXCERPT_S * RATE_HZ, abs=2)
        assert -26.0 < rms_db(samples) < -18.0
        assert int(np.abs(samples.astype(int)).max()) < 32000
        assert abs(int(samples[0])) < 20 and abs(int(samples[-1])) < 20  # faded: no click at the ends


def test_a_recording_shorter_than_the_excerpt_is_heard_whole() -> None:
    sound = heard(seconds=4.0, keyed=False)
    assert sound.heard.size == pytest.approx(4.0 * RATE_HZ, abs=2)


def test_without_a_signal_there_is_only_the_recording() -> None:
    noise = 0.1 * np.random.default_rng(1).standard_normal(80000).astype(np.float32)
    sound = sigcheck.diagnose(sigcheck.from_samples(noise, 8000.0)).views().sound
    assert sound is not None and sound.heard.size and not sound.wrong.size and not sound.clean.size
    assert [clip.name for clip in clips(sound)] == ["heard"]


def decoded(source: str) -> np.ndarray:
    import soundfile

    head, _, data = source.partition(",")
    assert head.startswith("data:audio/") and head.endswith(";base64")
    samples, rate_hz = soundfile.read(io.BytesIO(base64.b64decode(data)))
    assert rate_hz == RATE_HZ
    return np.asarray(samples * 32768.0)


def test_coding_keeps_level_and_spectrum_and_is_small() -> None:
    """Within 0.5 dB wherever there is something to hear: a step of loudness is about 1 dB (common practice)."""
    sound = heard(hum_index=0.1, noise=0.02)
    for clip, samples in zip(clips(sound), (sound.heard, sound.wrong, sound.clean), strict=True):
        again = decoded(clip.source)
        assert len(clip.source) < 100_000
        assert clip.seconds == pytest.approx(EXCERPT_S, abs=0.01)
        assert rms_db(again) == pytest.approx(rms_db(samples), abs=0.2)
        for low, high in ((300, 600), (600, 900), (900, 1500), (1500, 2500)):
            if db(power(samples, low, high)) > -60.0:
                assert db(power(again, low, high) / power(samples, low, high)) == pytest.approx(0.0, abs=0.5)


def test_the_same_clip_gives_the_same_bytes_and_another_coding_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    import soundfile

    samples = (3000 * np.sin(np.arange(8000))).astype(np.int16)
    assert encoded(samples, RATE_HZ) == encoded(samples, RATE_HZ)
    monkeypatch.setattr(soundfile, "check_format", lambda container, coding: container == "WAV")
    assert np.array_equal(decoded(encoded(samples, RATE_HZ)), samples)


def test_clips_are_saved_with_the_pictures(tmp_path) -> None:
    sound = heard(seconds=8.0)
    Views(sound=sound).save(tmp_path / "a.npz")
    again = Views.load(tmp_path / "a.npz").sound
    assert again is not None and np.array_equal(again.wrong, sound.wrong)
    assert float(again.raised_db) == float(sound.raised_db)


def test_before_and_after_are_raised_alike() -> None:
    rough, clean = heard(hum_index=0.2, seconds=8.0), heard(hum_index=0.002, seconds=8.0)
    before, after = raised_alike(rough, clean)
    assert float(before.raised_db) == float(after.raised_db) == float(rough.raised_db)
    # Sidebands 40 dB weaker leave the noise, which lay 17 dB under the strong ones.
    assert rms_db(before.wrong) - rms_db(after.wrong) > 15.0
    names = [c.name for c in clips_of_two(rough, clean)]
    assert names == ["before-heard", "after-heard", "before-wrong", "after-wrong"]
    assert clips_of_two(rough, None) == []
