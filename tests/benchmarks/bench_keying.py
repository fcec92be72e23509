"""How well keying is read and measured: tables of error against signal-to-noise ratio.

    python -m tests.benchmarks.bench_keying [--table NAME ...] [--recordings N] [--seed S]

Each table makes its own recordings (plain numpy: keyed by machine or by hand, through a receiver's
filter, with fading, gain control, static, drift, other stations, coarse or coded recorders) and
measures them as a user would. Signal-to-noise ratios are key-down carrier over noise in 2500 Hz.
Nothing passes or fails here; the bars stand in the tests.
"""

from __future__ import annotations

import argparse
import io
import re
from collections.abc import Callable, Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from sigcheck.measure.pipeline import Measured, measure
from sigcheck.measure.results import Keying
from sigcheck.recording import from_samples
from tests.independent.keyer import SIGNS

Array = NDArray[np.float64]
REFERENCE_HZ = 2500.0
_LETTERS = "ETAOINSHRDLUCMWFGYPBVKXJQZ"
# how often each letter stands in plain English, per thousand (common knowledge, no source)
_OFTEN = [127, 91, 82, 75, 70, 67, 63, 61, 60, 43, 40, 28, 28, 24, 24, 22, 20, 20, 19, 15, 10, 8, 2, 2, 1, 1]


@dataclass(frozen=True)
class Setting:
    """One kind of recording; the defaults are machine keying in white noise."""

    snr_db: float = 20.0
    wpm: float = 15.0
    seconds: float = 60.0
    ratio: float = 3.0
    weight: float = 0.0  # units by which marks are longer and gaps shorter
    scatter: float = 0.0  # of marks and gaps inside characters, relative
    gap_scatter: float = 0.0  # of the gaps between characters and words
    letter_gap: float = 3.0
    word_gap: float = 7.0
    tone_hz: float = 700.0
    rate: int = 8000
    rise_s: float = 0.005
    fall_s: float = 0.005
    band_hz: tuple[float, float] = (300.0, 2700.0)
    order: int = 4
    chirp_hz: float = 0.0
    settle_s: float = 0.02
    droop_db: float = 0.0
    backwave_db: float | None = None
    drift_hz_per_min: float = 0.0
    doppler_hz: float = 0.0  # half of the whole swing
    fade_db: float = 0.0  # depth of a two-path fade that takes `fade_s` from peak to peak
    fade_s: float = 5.0
    scatter_hz: float = 0.0  # Doppler spread of a Rayleigh channel
    gain_db: float = 0.0  # by how much a gain control opens
    attack_s: float = 0.003
    release_s: float = 0.2
    crashes_per_s: float = 0.0
    other_db: float | None = None  # another keyed station, so much beside ours
    other_hz: float = 180.0
    bits: int | None = 16
    clip_db: float | None = None  # tone over the rails
    codec: str | None = None  # "gsm", "mp3", "vorbis"


@dataclass(frozen=True)
class Sent:
    """What was keyed: key-down times (n,), and each sign with its first and last moment."""

    on_s: Array
    off_s: Array
    dah: NDArray[np.bool_]
    signs: tuple[tuple[str, float, float], ...]

    def text(self, before_s: float) -> str:
        """What ended before that time, words parted by blanks."""
        return " ".join("".join(s for s, _, end in self.signs if end < before_s).split())


def random_text(rng: np.random.Generator, signs: int) -> str:
    """Words of plain-language letters, a figure group or a fraction bar here and there."""
    out: list[str] = []
    weights = np.array(_OFTEN) / sum(_OFTEN)
    while sum(map(len, out)) < signs:
        n = int(rng.integers(1, 9))
        figures = rng.random() < 0.15
        letters = rng.choice(list("0123456789/"), n) if figures else rng.choice(list(_LETTERS), n, p=weights)
        out.append("".join(letters))
    return " ".join(out)


def keyed(s: Setting, rng: np.random.Generator) -> Sent:
    """Times of a random text that outlasts the recording."""
    unit = 1.2 / s.wpm
    on, off, dah, signs = [], [], [], []
    now = 0.6 + rng.random()

    def scattered(units: float, scatter: float) -> float:
        return unit * units * float(np.clip(1 + scatter * rng.standard_normal(), 0.4, 1.8))

    for letter in random_text(rng, int(s.seconds / (6 * unit)) + 10):
        if letter == " ":
            signs.append((" ", now, now))
            now += scattered(s.word_gap - s.letter_gap, s.gap_scatter)
            continue
        start = now
        for k, element in enumerate(SIGNS[letter]):
            now += scattered(1 - s.weight, s.scatter) if k else 0.0
            on.append(now)
            now += scattered((s.ratio if element == "-" else 1.0) + s.weight, s.scatter)
            off.append(now)
            dah.append(element == "-")
        signs.append((letter, start, now))
        now += scattered(s.letter_gap - s.weight, s.gap_scatter)
        if now > s.seconds:
            break
    return Sent(np.array(on), np.array(off), np.array(dah), tuple(signs))


def recorded(s: Setting, seed: int) -> tuple[Array, Sent]:
    """Samples at ``s.rate`` with full scale 1, and what was sent."""
    rng = np.random.default_rng(seed)
    n = round(s.seconds * s.rate)
    sent = keyed(s, rng)
    t = np.arange(n) / s.rate
    tone = station(s, sent.on_s, sent.off_s, t, s.tone_hz + rng.uniform(-20, 20), rng)
    tone *= _path(s, t, rng)
    density = (
        10 ** (-s.snr_db / 10) / REFERENCE_HZ / 2
    )  # of real noise beside a tone of amplitude 1: power 1/2
    x = tone.real + rng.standard_normal(n) * np.sqrt(density * s.rate / 2)
    if s.other_db is not None:
        theirs = keyed(replace(s, wpm=18.0, scatter=0.03, weight=0.0), rng)
        plain = Setting(rise_s=0.005, fall_s=0.005)
        x += (
            10 ** (s.other_db / 20)
            * station(plain, theirs.on_s, theirs.off_s, t, s.tone_hz + s.other_hz, rng).real
        )
    if s.crashes_per_s:
        x += _static(s, n, rng)
    x = signal.sosfilt(signal.butter(s.order, s.band_hz, "bandpass", fs=s.rate, output="sos"), x)
    if s.gain_db:
        x = _controlled(s, x)
    return _stored(s, x, rng), sent


def station(
    s: Setting, on: Array, off: Array, t: Array, hz: float, rng: np.random.Generator
) -> NDArray[np.complex128]:
    """The keyed oscillator: raised-cosine edges, chirp that settles exponentially from half amplitude on."""
    level, phase, droop = np.zeros(t.size), np.zeros(t.size), np.ones(t.size)
    rate = 1 / (t[1] - t[0])
    for a, b in zip(on, off, strict=True):
        i, j = (int(np.clip(v * rate, 0, t.size)) for v in (a - s.rise_s, b + 0.02 + s.fall_s))
        # a raised cosine takes 0.5903 of its whole length from 10 to 90 %
        up, down = (
            0.5 + 0.5 * np.sin(np.pi * np.clip((t[i:j] - c) * 0.5903 / r, -0.5, 0.5))
            for c, r in ((a, s.rise_s), (b, s.fall_s))
        )
        level[i:j] = np.maximum(level[i:j], up * (1 - down))
        since = t[i:j] - a
        settling = np.exp(-np.maximum(since, 0) / s.settle_s)
        phase[i:j] += s.chirp_hz * (np.minimum(since, 0) - s.settle_s * settling)
        droop[i:j] = 10 ** (s.droop_db / 20 * settling)
    level *= droop
    if s.backwave_db is not None:
        left = 10 ** (s.backwave_db / 20)
        level = left + (1 - left) * level
    swing = s.doppler_hz * np.tanh((t - t[-1] * rng.uniform(0.35, 0.65)) / (0.15 * t[-1]))
    course = hz + s.drift_hz_per_min * t / 60 - swing
    return level * np.exp(2j * np.pi * (np.cumsum(course) / rate + phase + rng.random()))


def _path(s: Setting, t: Array, rng: np.random.Generator) -> NDArray[np.complex128]:
    """Fading whose mean power is one over a whole cycle of two paths, or that of a Rayleigh channel."""
    out = np.ones(t.size, complex)
    if s.fade_db:
        second = (1 - 10 ** (-s.fade_db / 20)) / (1 + 10 ** (-s.fade_db / 20))
        out *= (1 + second * np.exp(2j * np.pi * (t / s.fade_s + rng.random()))) / (1 + second)
    if s.scatter_hz:
        knots = np.arange(0, t[-1] + 1, 0.02)
        f = np.fft.fftfreq(knots.size, 0.02)
        shape = np.exp(-0.25 * (f / (0.5 * s.scatter_hz)) ** 2)
        g = np.fft.ifft(
            shape * np.fft.fft(rng.standard_normal(knots.size) + 1j * rng.standard_normal(knots.size))
        )
        g /= np.sqrt(np.mean(np.abs(g) ** 2))
        out *= np.interp(t, knots, g.real) + 1j * np.interp(t, knots, g.imag)
    return out


def _static(s: Setting, n: int, rng: np.random.Generator) -> Array:
    """Bursts of wide noise, 1 to 30 ms long, up to 26 dB over the tone."""
    out = np.zeros(n)
    for _ in range(rng.poisson(s.crashes_per_s * n / s.rate)):
        at, m = int(rng.integers(n)), int(rng.uniform(0.001, 0.03) * s.rate) + 4
        burst = rng.standard_normal(m) * np.exp(-np.arange(m) / (0.35 * m)) * 10 ** rng.uniform(0, 1.3)
        out[at : at + m] += burst[: n - at]
    return out


def _controlled(s: Setting, x: Array) -> Array:
    """A gain control that holds the louder of the last moments at one level and opens by ``gain_db`` at most."""
    step = 8
    level = np.abs(signal.hilbert(x))[: x.size // step * step].reshape(-1, step).max(axis=1)
    attack, release = (1 - np.exp(-step / s.rate / v) for v in (s.attack_s, s.release_s))
    held, gain = 1.0, np.empty(level.size)
    least = 10 ** (-s.gain_db / 20)
    for i, v in enumerate(level.tolist()):
        held += (attack if v > held else release) * (v - held)
        gain[i] = 1 / max(held, least)
    return x * np.interp(np.arange(x.size), np.arange(gain.size) * step + step, gain)


def _stored(s: Setting, x: Array, rng: np.random.Generator) -> Array:
    """Levelled, clipped, rounded and coded as the recorder does."""
    import soundfile as sf

    rails = np.max(np.abs(x)) if s.clip_db is None else 10 ** (-s.clip_db / 20)
    x = 0.9 * np.clip(x / rails, -1, 1)
    if s.bits is not None:
        x = np.round(x * 2 ** (s.bits - 1)) / 2 ** (s.bits - 1)
    if s.codec:
        form = {"gsm": ("WAV", "GSM610"), "mp3": ("MP3", "MPEG_LAYER_III"), "vorbis": ("OGG", "VORBIS")}[
            s.codec
        ]
        memory = io.BytesIO()
        extra = {} if s.codec == "gsm" else {"compression_level": 0.95}
        sf.write(memory, x, s.rate, format=form[0], subtype=form[1], **extra)
        memory.seek(0)
        x, _ = sf.read(memory)
    return np.asarray(x, np.float64)


def measured(s: Setting, seed: int) -> tuple[Measured, Sent]:
    """One recording, made and measured."""
    x, sent = recorded(s, seed)
    return measure(from_samples(x.astype(np.float32), float(s.rate), lossy=s.codec is not None)), sent


# --- copy -----------------------------------------------------------------------------------------

MACHINE = tuple((f"machine, {w} WPM", Setting(wpm=w)) for w in (12.0, 16.0, 20.0))
HAND = Setting(scatter=0.15, gap_scatter=0.15, letter_gap=3.4, word_gap=8.0, wpm=16.0)
TROUBLE: tuple[tuple[str, Setting], ...] = (
    ("by hand, ratio 2.4", replace(HAND, ratio=2.4)),
    ("by hand, ratio 3", replace(HAND, ratio=3.0)),
    ("by hand, ratio 3.6", replace(HAND, ratio=3.6)),
    ("by hand, ratio 4.5", replace(HAND, ratio=4.5)),
    ("fading 20 dB", Setting(fade_db=20.0)),
    ("gain control", Setting(gain_db=30.0)),
    ("backwave -20 dB", Setting(backwave_db=-20.0)),
    ("drift 50 Hz/min", Setting(drift_hz_per_min=50.0)),
    ("Doppler 400 Hz", Setting(doppler_hz=200.0)),
    ("static", Setting(crashes_per_s=2.0)),
    ("other station", Setting(other_db=-6.0)),
    ("weighted +0.25", Setting(weight=0.25)),
    ("8 bits", Setting(bits=8)),
    ("clipped 6 dB", Setting(clip_db=6.0)),
    ("speech codec", Setting(codec="gsm")),
    ("MP3, least rate", Setting(codec="mp3", rate=16000)),
    ("5 WPM", Setting(wpm=5.0, seconds=90.0)),
    ("40 WPM", Setting(wpm=40.0, rise_s=0.003, fall_s=0.003)),
    ("60 WPM", Setting(wpm=60.0, rise_s=0.002, fall_s=0.002)),
)


def copy_table(rows: Iterable[tuple[str, Setting]], snr_db: Iterable[float], n: int, seed: int) -> None:
    """Character error rate in per cent; in brackets the share of recordings for which no text was claimed."""
    levels = list(snr_db)
    print("character error rate, per cent (recordings without text), against dB in 2500 Hz")
    print(f"{'':24s}" + "".join(f"{v:>12.0f} dB" for v in levels))
    for name, setting in rows:
        cells = []
        for v in levels:
            wrong = signs = silent = 0.0
            for k in range(n):
                got, sent = measured(replace(setting, snr_db=v), seed + k)
                text = sent.text(setting.seconds - 5 * 1.2 / setting.wpm).replace(" ", "")
                read = got.measurements.keying.text or ""
                silent += not read
                wrong += edits(text, read.replace(" ", ""))
                signs += len(text)
            cells.append(f"{100 * wrong / signs:8.2f} ({silent / n:3.0%})")
        print(f"{name:24s}" + "".join(f"{c:>15s}" for c in cells), flush=True)


def edits(sent: str, read: str) -> int:
    """Edits from the one to the other; up to three signs read at the end may be of what came later.

    What is read as a procedure sign or as no sign at all is one wrong sign, however long its name.
    """
    read = re.sub(r"\{.*?\}|\[.*?\]", "*", read)
    row = list(range(len(read) + 1))
    for i, a in enumerate(sent, 1):
        corner, row[0] = row[0], i
        for j, b in enumerate(read, 1):
            corner, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, corner + (a != b))
    return min(row[-4:])


def confidence_table(n: int, seed: int) -> None:
    """Of the characters claimed with a probability, how many were right."""
    claimed: list[float] = []
    right: list[bool] = []
    for k in range(n):
        rng = np.random.default_rng([seed, k])
        hand = rng.random() < 0.5
        s = replace(
            HAND if hand else Setting(),
            snr_db=rng.uniform(-8, 6),
            ratio=rng.uniform(2.4, 4.5) if hand else 3.0,
        )
        got, sent = measured(s, seed + k)
        said = got.measurements.keying
        read = [c for c in said.text or "" if c != " "]
        if len(read) != len(said.character_confidence):
            continue  # signs of several letters: not lined up below
        for p, good in zip(
            said.character_confidence, aligned(sent.text(s.seconds).replace(" ", ""), read), strict=True
        ):
            claimed.append(p)
            right.append(good)
    p, good = np.array(claimed), np.array(right)
    print("probability claimed: mean claimed, share right, characters")
    for low, high in ((0, 0.5), (0.5, 0.7), (0.7, 0.85), (0.85, 0.95), (0.95, 0.99), (0.99, 1.01)):
        some = (p >= low) & (p < high)
        if some.any():
            print(
                f"  {low:4.2f}..{min(high, 1):4.2f}: {p[some].mean():6.3f} {good[some].mean():6.3f} {some.sum():6d}"
            )


def aligned(sent: str, read: list[str]) -> list[bool]:
    """For each sign read, whether it stands against the same sign in the best alignment."""
    rows = np.zeros((len(sent) + 1, len(read) + 1))
    rows[:, 0], rows[0] = np.arange(len(sent) + 1), np.arange(len(read) + 1)
    for i, a in enumerate(sent, 1):
        for j, b in enumerate(read, 1):
            rows[i, j] = min(rows[i - 1, j] + 1, rows[i, j - 1] + 1, rows[i - 1, j - 1] + (a != b))
    good, i, j = [False] * len(read), len(sent), len(read)
    while i and j:
        if rows[i, j] == rows[i - 1, j - 1] + (sent[i - 1] != read[j - 1]):
            good[j - 1] = sent[i - 1] == read[j - 1]
            i, j = i - 1, j - 1
        elif rows[i, j] == rows[i - 1, j] + 1:
            i -= 1
        else:
            j -= 1
    return good


# --- figures --------------------------------------------------------------------------------------


def figure_table(
    title: str,
    rows: Iterable[tuple[str, Setting]],
    read: Callable[[Keying], tuple[float | None, float | None]],
    true: Callable[[Setting, Sent], float],
    snr_db: Iterable[float],
    n: int,
    seed: int,
    *,
    unit: float = 1.0,
) -> None:
    """Median and rms error, 95 % coverage of the stated sigma, and how often there was no figure."""
    levels = list(snr_db)
    print(f"{title}: mean error, rms error, share within 1.96 sigma, share not measured")
    print(f"{'':24s}" + "".join(f"{v:>24.0f} dB" for v in levels))
    for name, setting in rows:
        cells = []
        for v in levels:
            error, inside, none = [], [], 0
            for k in range(n):
                s = replace(setting, snr_db=v)
                got, sent = measured(s, seed + k)
                value, sigma = read(got.measurements.keying)
                if value is None:
                    none += 1
                    continue
                error.append((value - true(s, sent)) / unit)
                inside.append(sigma is not None and abs(value - true(s, sent)) < 1.96 * sigma)
            e = np.array(error)
            shown = f"{e.mean():+.3f} {np.sqrt(np.mean(e**2)):.3f} {np.mean(inside):4.0%}" if e.size else "-"
            cells.append(f"{shown} {none / n:4.0%}")
        print(f"{name:24s}" + "".join(f"{c:>27s}" for c in cells), flush=True)


def _step_through(s: Setting, rise_s: float) -> tuple[Array, Array]:
    """Noise-free edge after the receiver's filter: times from half of what is keyed on, level over the settled."""
    rate = 48000
    t = np.arange(-0.1, 0.25, 1 / rate)
    step = 0.5 + 0.5 * np.sin(np.pi * np.clip(t * 0.5903 / rise_s, -0.5, 0.5))
    x = step * np.exp(2j * np.pi * s.tone_hz * t)
    y = np.abs(signal.sosfilt(signal.butter(s.order, s.band_hz, "bandpass", fs=rate, output="sos"), x))
    return t, np.asarray(y / np.mean(y[t > 0.15]))


def _through(s: Setting, rise_s: float) -> float:
    """10..90 % time of the keyed edge after the receiver's filter, from a noise-free step."""
    t, y = _step_through(s, rise_s)
    rate = 1 / (t[1] - t[0])
    above = int(np.flatnonzero(y > 0.9)[0])
    below = int(np.flatnonzero(y[:above] < 0.1)[-1])
    first = below + (0.1 - y[below]) / (y[below + 1] - y[below])
    last = above - 1 + (0.9 - y[above - 1]) / (y[above] - y[above - 1])
    return float((last - first) / rate)


def _occupied(s: Setting, seed: int) -> float:
    """Width that holds 99 % of the power of the same keying through the filter, without noise."""
    rng = np.random.default_rng(seed)
    t = np.arange(round(s.seconds * s.rate)) / s.rate
    sent = keyed(s, rng)
    tone = station(s, sent.on_s, sent.off_s, t, s.tone_hz + rng.uniform(-20, 20), rng).real
    x = signal.sosfilt(signal.butter(s.order, s.band_hz, "bandpass", fs=s.rate, output="sos"), tone)
    power = np.cumsum(np.abs(np.fft.rfft(x)) ** 2)
    low, high = np.interp((0.005, 0.995), power / power[-1], np.fft.rfftfreq(x.size, 1 / s.rate))
    return float(high - low)


EDGES = tuple(
    (f"rise {1e3 * v:.0f} ms", Setting(rise_s=v, fall_s=v, seconds=30.0)) for v in (0.001, 0.002, 0.005, 0.01)
)
CHIRPS = (
    ("none", Setting(seconds=30.0)),
    ("5 Hz, 20 ms", Setting(seconds=30.0, chirp_hz=5.0)),
    ("30 Hz, 10 ms", Setting(seconds=30.0, chirp_hz=30.0, settle_s=0.01)),
    ("-20 Hz, 30 ms, 2 dB", Setting(seconds=30.0, chirp_hz=-20.0, settle_s=0.03, droop_db=2.0)),
)


def _dit(s: Setting, sent: Sent) -> float:
    return 1.2 / s.wpm


def drawn(seed: int) -> Setting:
    """A short recording of some signal: any speed, edges, filter, chirp, backwave and hand."""
    rng = np.random.default_rng([11, seed])

    def between(low: float, high: float) -> float:
        return float(np.exp(rng.uniform(np.log(low), np.log(high))))

    tone, width, narrow = float(rng.uniform(500, 1100)), float(rng.uniform(350, 600)), rng.random() < 0.4
    hand, chirped = rng.random() < 0.5, rng.random() < 0.5
    return Setting(
        snr_db=float(rng.uniform(0, 40)),
        wpm=float(rng.uniform(8, 28)),
        seconds=float(rng.choice([15.0, 30.0])),
        ratio=float(rng.uniform(2.6, 4.0)) if hand else 3.0,
        weight=float(rng.uniform(-0.15, 0.2)),
        scatter=float(rng.uniform(0.03, 0.15)) if hand else 0.0,
        gap_scatter=float(rng.uniform(0.05, 0.2)) if hand else 0.0,
        tone_hz=tone,
        rise_s=between(0.0015, 0.012),
        fall_s=between(0.0015, 0.012),
        band_hz=(tone - width / 2, tone + width / 2) if narrow else (300.0, 2700.0),
        order=int(rng.integers(2, 5)),
        chirp_hz=float(rng.choice([-1, 1])) * between(3.0, 50.0) if chirped else 0.0,
        settle_s=between(0.008, 0.03),
        backwave_db=float(rng.uniform(-40, -15)) if rng.random() < 0.4 else None,
    )


def errors_over_sigmas(seed: int) -> dict[str, float]:
    """Errors of the figures of one drawn recording, each over its stated sigma."""
    s = drawn(seed)
    got, _ = measured(s, seed)
    k = got.measurements.keying
    true = {
        "dit_s": 1.2 / s.wpm,
        "dah_dit_ratio": s.ratio,
        "element_jitter": s.scatter,
        "rise_s": _through(s, s.rise_s),
        "fall_s": _through(s, s.fall_s),
        "chirp_hz": s.chirp_hz,
        "droop_db": 0.0,
        "overshoot_db": 20 * float(np.log10(_step_through(s, s.rise_s)[1].max())),
        "occupied_bandwidth_hz": _occupied(s, seed),
    }
    if not s.scatter:
        true["weighting"] = 0.5 * s.weight
    if s.chirp_hz:
        true["chirp_settle_s"] = s.settle_s
    if s.backwave_db is not None:
        true["backwave_db"] = s.backwave_db
    found = {name: (getattr(k, name), getattr(k, f"{name}_sigma")) for name in true}
    return {n: (value - true[n]) / sigma for n, (value, sigma) in found.items() if value is not None and sigma}


def coverage_table(n: int, seed: int) -> None:
    """Of drawn recordings: how often each figure lies within 1.96 sigma, and how large the errors are in sigmas."""
    found: dict[str, list[float]] = {}
    for k in range(n):
        for name, z in errors_over_sigmas(seed + k).items():
            found.setdefault(name, []).append(z)
    print("figure: recordings, share within 1.96 sigma, rms and median of the error over its sigma")
    for name, values in found.items():
        z = np.abs(values)
        print(f"  {name:24s}{z.size:5d}{np.mean(z < 1.96):7.1%}{np.sqrt(np.mean(z**2)):8.2f}{np.median(z):8.2f}")


TABLES: dict[str, Callable[[int, int], None]] = {
    "machine": lambda n, seed: copy_table(MACHINE, (-8, -5, -3, 0, 3, 10), n, seed),
    "trouble": lambda n, seed: copy_table(TROUBLE, (-5, 0, 3, 10), n, seed),
    "confidence": lambda n, seed: confidence_table(12 * n, seed),
    "coverage": lambda n, seed: coverage_table(50 * n, seed),
    "rise": lambda n, seed: figure_table(
        "rise, ms", EDGES, lambda k: (k.rise_s, k.rise_s_sigma), lambda s, _: _through(s, s.rise_s),
        (6, 10, 20, 30), n, seed, unit=1e-3,
    ),
    "fall": lambda n, seed: figure_table(
        "fall, ms", EDGES, lambda k: (k.fall_s, k.fall_s_sigma), lambda s, _: _through(s, s.fall_s),
        (6, 10, 20, 30), n, seed, unit=1e-3,
    ),
    "chirp": lambda n, seed: figure_table(
        "chirp, Hz", CHIRPS, lambda k: (k.chirp_hz, k.chirp_hz_sigma), lambda s, _: s.chirp_hz,
        (10, 20, 25, 35), n, seed,
    ),
    "dit": lambda n, seed: figure_table(
        "dit, per cent", (*MACHINE, ("by hand", HAND)), lambda k: (k.dit_s, k.dit_s_sigma), _dit,
        (-5, 0, 10, 20), n, seed, unit=0.01 * 1.2 / 16,
    ),
}  # fmt: skip


def main() -> None:
    """Print the tables asked for."""
    words = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    words.add_argument("--table", action="append", choices=sorted(TABLES), help="default: all of them")
    words.add_argument("--recordings", type=int, default=4, help="for each cell")
    words.add_argument("--seed", type=int, default=1)
    asked = words.parse_args()
    for name in asked.table or TABLES:
        TABLES[name](asked.recordings, asked.seed)
        print()


if __name__ == "__main__":
    main()
