"""From the loudspeaker socket to the file: rate, rails, ground loop, resolution, codecs, gaps."""

from __future__ import annotations

import io
from fractions import Fraction

import numpy as np
import soundfile
from scipy.signal import resample_poly

from .receiver import FAST_HZ
from .station import SLOW_HZ, Array

RATES = (6000, 8000, 11025, 12000, 16000, 22050, 44100, 48000, 96000, 192000)


def at_rate(x: Array, rate: int) -> Array:
    """`x` from FAST_HZ to `rate`."""
    ratio = Fraction(rate, int(FAST_HZ))
    return np.asarray(resample_poly(x, ratio.numerator, ratio.denominator))


def mains_comb(
    angle: Array, n: int, rate: int, strongest: float, rng: np.random.Generator
) -> tuple[Array, list[float]]:
    """Mains harmonics as a ground loop brings them, shape (n,), and the amplitude of each.

    They follow the mains angle (at SLOW_HZ); the loop's pick-up wanders a little in phase.
    """
    at = np.interp(np.arange(n) / rate * SLOW_HZ, np.arange(angle.size), angle)
    mains = (angle[-1] - angle[0]) / (2 * np.pi) * SLOW_HZ / (angle.size - 1)
    highest = min(14, int(0.45 * rate / mains))
    falling = np.arange(1, highest + 1) ** -rng.uniform(0.8, 1.8) * rng.uniform(0.2, 1, highest)
    amplitudes = strongest * falling / falling.max()
    wander = np.interp(
        np.arange(n) / rate,
        np.arange(0, n / rate + 4, 2.0)[: int(n / rate / 2) + 2],
        np.cumsum(0.05 * rng.standard_normal(int(n / rate / 2) + 2)),
    )
    out = np.zeros(n)
    for k, a in enumerate(amplitudes, 1):
        out += a * np.cos(k * (at + wander) + rng.uniform(0, 2 * np.pi))
    return out, amplitudes.tolist()


def quantised(x: Array, bits: int, rng: np.random.Generator, dither: bool) -> Array:
    """`x` (full scale 1) in steps of 2^(1-bits), with triangular dither if asked."""
    steps = 2.0 ** (bits - 1)
    noise = rng.random(x.size) - rng.random(x.size) if dither else 0.0
    return np.clip(np.round(x * steps + noise), -steps, steps - 1) / steps


def through_codec(x: Array, rate: int, codec: str) -> Array:
    """Written to a file format in memory and read back."""
    kind, subtype = {"ogg": ("OGG", "VORBIS"), "mp3": ("MP3", "MPEG_LAYER_III"), "flac": ("FLAC", "PCM_16")}[
        codec
    ]
    with io.BytesIO() as store:
        with soundfile.SoundFile(store, "w", rate, 1, subtype, format=kind) as out:
            for k in range(0, x.size, 65536):  # one long block has crashed some encoders
                out.write(x[k : k + 65536])
        store.seek(0)
        return np.asarray(soundfile.read(store, dtype="float64")[0])


def with_gaps(
    x: Array, rate: int, how: str, rng: np.random.Generator, count: int
) -> tuple[Array, list[tuple[float, float]]]:
    """Stretches lost as a busy recorder loses them; returns the samples and (time, length) of each."""
    x = x.copy()
    found = []
    places = np.sort(rng.uniform(0.1, 0.85, count)) * x.size
    for at in places.astype(int):
        length = int(rate * rng.uniform(0.01, 0.12))
        found.append((at / rate, length / rate))
        if how == "zeros":
            x[at : at + length] = 0
        elif how == "repeat":
            x[at : at + length] = x[at - length : at]
        elif how == "cut":
            x = np.delete(x, slice(at, at + length))
        else:
            raise ValueError(f"how={how!r}: zeros, repeat or cut")
    return x, found
