"""Arrays for the pictures of a report, at picture resolution.

Everything here is for the eye. The numbers of a result come from the other modules of ``measure``;
a view shows where they come from, on the same samples and the same key-down mask. A view that a
recording does not allow (no signal, no keying, elements too short) is None.
"""

from __future__ import annotations

import os
import zipfile
from dataclasses import dataclass, fields
from itertools import pairwise
from pathlib import Path
from typing import Any, ClassVar, Self

import numpy as np
from numpy.typing import NDArray

from sigcheck.errors import ResultError, SaveError
from sigcheck.measure.results import Measurements
from sigcheck.measure.sound import EdgeShape, Sound, excerpt, gentle_edge
from sigcheck.measure.spectrum import hann
from sigcheck.measure.symbol_view import SymbolView, ToneView, symbol_view, tone_view
from sigcheck.measure.track import Complex, Mask, Real, Track

_LOWEST_DB = -200.0  # stands for the logarithm of nothing
_SPECTRUM_REACH_HZ = 600.0
_SPECTRUM_SEGMENT_S = 1.0  # 1.5 Hz wide under a Hann window: mains families are told apart
_SLOWEST_HZ = 5.0  # the carrier that is divided out holds everything slower
_MOST_SEGMENTS = 600  # ten times fewer would still draw the same curve
_STRETCH_MARKS = 12
_EDGES_AVERAGED = 300
_HALF_BAND_HZ = 1000.0  # wider than any keying that is not itself a fault
_FILTER_MARGIN_S = 0.02  # the filter's response has died away after it
_CHUNK_SAMPLES = 1 << 20
_DAMAGED = (OSError, ValueError, KeyError, TypeError, AttributeError, EOFError, zipfile.BadZipFile)


@dataclass(frozen=True)
class Spectrogram:
    """Power against time and audio frequency.

    ``db`` (times, frequencies) is the level that a steady tone in the cell would have, relative to
    the key-down tone, or to full scale where no signal was found.
    """

    time_s: Real
    hz: Real
    db: NDArray[np.float16]
    relative_to_tone: NDArray[np.bool_]


@dataclass(frozen=True)
class Beside:
    """Spectrum beside the tone while the key is down, the tone itself divided out.

    Level per line in dBc: ``dbc`` (n,) both kinds, ``am_dbc`` and ``pm_dbc`` (m,) amplitude and
    angle modulation, per side. Lines are told apart from about 2 Hz; noise reads as its power in
    ``noise_bandwidth_hz``, which is wider the less of the time the key is down.
    """

    offset_hz: Real
    dbc: Real
    side_hz: Real
    am_dbc: Real
    pm_dbc: Real
    noise_bandwidth_hz: Real


@dataclass(frozen=True)
class Skirt:
    """Noise density beside the tone (median over logarithmic steps, so that lines drop out)."""

    offset_hz: Real
    dbc_hz: Real
    additive_dbc_hz: Real  # a single number: the additive noise near the tone


@dataclass(frozen=True)
class AudioSpectrum:
    """Whole audio spectrum while the key is down and while it is up, line levels in dBc."""

    hz: Real
    down_dbc: Real
    up_dbc: Real  # empty where no key-up stretch is long enough
    resolution_hz: Real


@dataclass(frozen=True)
class Edge:
    """The average edge: all elements laid over each other at their half-amplitude crossing.

    ``frequency_hz`` is relative to the settled frequency, NaN where the signal is too weak to have
    one. ``ten_ninety_s`` are the times of 10 and 90 % of the settled amplitude (empty if not met).
    """

    time_s: Real
    amplitude: Real
    frequency_hz: Real
    ten_ninety_s: Real
    averaged: NDArray[np.int64]


@dataclass(frozen=True)
class Stretch:
    """Amplitude, relative to key-down, of some typical elements."""

    time_s: Real
    amplitude: Real


@dataclass(frozen=True)
class Level:
    """Key-down level against time relative to its median."""

    time_s: Real
    db: Real


@dataclass(frozen=True)
class Views:
    """All views of one recording; None where it does not allow one."""

    spectrogram: Spectrogram | None = None
    beside: Beside | None = None
    skirt: Skirt | None = None
    audio: AudioSpectrum | None = None
    on_edge: Edge | None = None
    off_edge: Edge | None = None
    stretch: Stretch | None = None
    level: Level | None = None
    sound: Sound | None = None
    symbols: SymbolView | None = None
    tones: ToneView | None = None

    _KINDS: ClassVar[dict[str, type[Any]]] = {
        "spectrogram": Spectrogram,
        "beside": Beside,
        "skirt": Skirt,
        "audio": AudioSpectrum,
        "on_edge": Edge,
        "off_edge": Edge,
        "stretch": Stretch,
        "level": Level,
        "sound": Sound,
        "symbols": SymbolView,
        "tones": ToneView,
    }

    def save(self, path: str | os.PathLike[str]) -> None:
        """Write all arrays to one compressed ``.npz`` file, whole or not at all.

        Raises
        ------
        SaveError : the file can't be written.
        """
        arrays = {
            f"{name}.{f.name}": getattr(view, f.name)
            for name in self._KINDS
            if (view := getattr(self, name)) is not None
            for f in fields(view)
        }
        target = Path(path)
        partial = target.with_name(f".{target.name}.{os.getpid()}.part")
        try:
            with open(partial, "wb") as file:
                np.savez_compressed(file, **arrays)
            partial.replace(target)
        except OSError as error:
            partial.unlink(missing_ok=True)
            raise SaveError(f"{target}: the pictures' data can't be written ({error.strerror})") from error

    @classmethod
    def load(cls, path: str | os.PathLike[str]) -> Self:
        """Read what `save` wrote.

        Raises
        ------
        ResultError : no such file, or not one of these.
        """
        try:
            with np.load(path, allow_pickle=False) as file:
                arrays = {key: file[key] for key in file.files}
            views = {
                name: kind(**{f.name: arrays[f"{name}.{f.name}"] for f in fields(kind)})
                for name, kind in cls._KINDS.items()
                if any(key.startswith(f"{name}.") for key in arrays)
            }
        except FileNotFoundError as error:
            raise ResultError(f"{path}: no such file of pictures' data") from error
        except _DAMAGED as error:
            raise ResultError(f"{path}: not readable as pictures' data; make the report again") from error
        return cls(**views)


def prepare(
    x: NDArray[np.float32],
    rate_hz: float,
    track: Track | None,
    measurements: Measurements,
    *,
    max_width: int = 800,
    max_height: int = 400,
) -> Views:
    """Views of one recording.

    Parameters
    ----------
    x : (n,) the channel as recorded, full scale 1.
    track : the followed signal, None where none was found.
    max_width, max_height : most columns and rows of the spectrogram; other views get as many points
        as a picture of that width shows.
    """
    amplitude = track.marks.amplitude if track is not None else 1.0
    spectrogram = _spectrogram(x, rate_hz, _band(rate_hz, measurements), amplitude, max_width, max_height)
    if spectrogram is not None and track is None:
        spectrogram = Spectrogram(spectrogram.time_s, spectrogram.hz, spectrogram.db, np.array(False))
    if track is None or track.base.z.size < 64 or amplitude <= 0.0:
        return Views(spectrogram=spectrogram, sound=excerpt(x, rate_hz, None, rise=None, fall=None))
    on_edge, off_edge = _edge(track, rising=True), _edge(track, rising=False)
    beside, skirt = _beside(track)
    return Views(
        spectrogram=spectrogram,
        beside=beside,
        skirt=skirt,
        audio=_audio(track),
        on_edge=on_edge,
        off_edge=off_edge,
        stretch=_stretch(track, 2 * max_width),
        level=_level(track, max_width // 2),
        sound=excerpt(x, rate_hz, track, rise=_shape(on_edge, rising=True), fall=_shape(off_edge, rising=False)),
        symbols=symbol_view(track, measurements.slot),
        tones=tone_view(track, measurements),
    )


def _shape(edge: Edge | None, *, rising: bool) -> EdgeShape | None:
    """The edge that clean keying would have."""
    if edge is None:
        return None
    took = float(np.ptp(edge.ten_ninety_s)) if edge.ten_ninety_s.size else None
    return gentle_edge(edge.time_s, edge.amplitude, took, rising=rising)


def _decibels(power: NDArray[Any]) -> Real:
    return np.asarray(10.0 * np.log10(np.maximum(power, 10.0 ** (_LOWEST_DB / 10.0))), np.float64)


def _band(rate_hz: float, measurements: Measurements) -> tuple[float, float]:
    """Audio range worth showing: the passband with some of what lies beside it, at most 6 kHz."""
    top = min(rate_hz / 2, 6000.0)
    tone, passband = measurements.signal.tone_hz, measurements.signal.passband_hz
    if passband is None:
        return 0.0, min(top, 4000.0) if tone is None else min(top, max(4000.0, 1.3 * tone))
    margin = max(0.12 * (passband[1] - passband[0]), 100.0)
    low, high = max(passband[0] - margin, 0.0), min(passband[1] + margin, top)
    if tone is not None:
        high = max(high, min(tone + 2 * margin, top))
    return low, high


def _spectrogram(
    x: NDArray[np.float32],
    rate_hz: float,
    band: tuple[float, float],
    amplitude: float,
    width: int,
    height: int,
) -> Spectrogram | None:
    """Mean power over the time of a column; the strongest bin of a row, so that thin lines stay."""
    # Two columns a frame shows keying in short recordings; beyond 0.35 s a drifting tone smears.
    frame_s = float(np.clip(2.0 * x.size / rate_hz / width, 0.04, 0.35))
    length = max(32, 2 * round(frame_s * rate_hz / 2))
    if x.size < length:
        return None
    hop = length // 2
    frames = np.lib.stride_tricks.sliding_window_view(x, length)[::hop]
    together = -(-frames.shape[0] // width)
    bin_hz = rate_hz / length
    first = int(band[0] / bin_hz)
    last = max(first + 2, min(int(np.ceil(band[1] / bin_hz)) + 1, length // 2))
    window = hann(length)
    per_chunk = max(1, _CHUNK_SAMPLES // (length * together)) * together
    columns = []
    for start in range(0, frames.shape[0], per_chunk):
        part = np.fft.rfft(frames[start : start + per_chunk] * window, axis=1)[:, first:last]
        power = part.real**2 + part.imag**2
        columns.append(np.add.reduceat(power, np.arange(0, power.shape[0], together), axis=0))
    total = np.concatenate(columns)
    total[:-1] /= together
    total[-1] /= frames.shape[0] - (total.shape[0] - 1) * together
    rows = -(-total.shape[1] // height)
    edges = np.arange(0, total.shape[1], rows)
    total = np.maximum.reduceat(total, edges, axis=1)
    counts = np.diff(np.append(edges, last - first))
    # A real tone of amplitude A puts (A/2 sum w)^2 into its bin.
    reference = (amplitude * float(window.sum()) / 2.0) ** 2
    centre = (np.arange(total.shape[0]) * together + (together - 1) / 2) * hop + length / 2
    return Spectrogram(
        time_s=centre / rate_hz,
        hz=(first + edges + (counts - 1) / 2) * bin_hz,
        db=_decibels(total / reference).astype(np.float16),
        relative_to_tone=np.array(True),
    )


def _residual(track: Track) -> Complex:
    """z / carrier - 1 while settled, else 0: amplitude modulation + j angle modulation."""
    settled = track.marks.settled
    weak = np.abs(track.carrier) < 0.05 * track.marks.amplitude
    carrier = np.where(weak, np.complex64(track.marks.amplitude), track.carrier)
    return np.where(settled & ~weak, track.base.z / carrier - 1.0, 0.0).astype(np.complex64)


def _beside(track: Track) -> tuple[Beside | None, Skirt | None]:
    """Gated spectra of the modulation.

    With the tone divided out and taken away, the gaps of the keying are zeros in what is left, and
    a long window over many elements resolves lines far closer than one element could. Scaled by
    the window's sum over the key-down time, a line reads its level whatever the keying.
    """
    base = track.base
    mask = track.marks.settled
    length = min(base.z.size, 2 * round(_SPECTRUM_SEGMENT_S * base.rate_hz / 2))
    down_s = float(mask.sum()) / base.rate_hz
    if down_s < 0.05 or length < 64:
        return None, None
    modulation = _residual(track)
    window = hann(length)
    hop = max(length // 2, base.z.size // _MOST_SEGMENTS)
    parts = np.lib.stride_tricks.sliding_window_view(modulation, length)[::hop]
    gates = np.lib.stride_tricks.sliding_window_view(mask, length)[::hop]
    coherent = gates @ window
    busy = coherent > 0.1 * float(window.sum())
    if not busy.any():
        return None, None
    spectra = np.fft.fft(parts[busy] * window, axis=1)
    gain = float((coherent[busy] ** 2).sum())
    noise_gain = float((gates[busy] @ window**2).sum()) * base.rate_hz
    mirrored = np.conj(np.roll(spectra[:, ::-1], 1, axis=1))
    amplitude, angle = 0.5 * (spectra + mirrored), 0.5 * (spectra - mirrored)
    power, am, pm = ((np.abs(s) ** 2).sum(axis=0, dtype=np.float64) for s in (spectra, amplitude, angle))
    f: Real = np.fft.fftfreq(length, 1.0 / base.rate_hz).astype(np.float64)
    low = max(-_SPECTRUM_REACH_HZ, -track.tone_hz)
    high = min(_SPECTRUM_REACH_HZ, base.rate_hz / 2)
    shown = np.flatnonzero((f >= low) & (f <= high) & (np.abs(f) >= _SLOWEST_HZ))
    shown = shown[np.argsort(f[shown])]
    # A side line exists on both sides of the tone only where the audio does.
    side = np.flatnonzero((f >= _SLOWEST_HZ) & (f <= min(-low, high)))
    if shown.size < 4 or side.size < 4:
        return None, None
    beside = Beside(
        offset_hz=f[shown],
        dbc=_decibels(power[shown] / gain),
        side_hz=f[side],
        am_dbc=_decibels(am[side] / gain),
        pm_dbc=_decibels(pm[side] / gain),
        noise_bandwidth_hz=np.array(noise_gain / gain),
    )
    return beside, _skirt(track, f[side], 0.5 * (power[side] + power[-side]) / noise_gain)


def _skirt(track: Track, offset_hz: Real, density: Real) -> Skirt | None:
    steps = np.geomspace(_SLOWEST_HZ, offset_hz[-1], 33)
    groups = [density[(offset_hz >= a) & (offset_hz < b)] for a, b in pairwise(steps)]
    kept = [i for i, group in enumerate(groups) if group.size >= 3]
    if len(kept) < 3:
        return None
    additive = track.base.noise_density / track.marks.amplitude**2
    return Skirt(
        offset_hz=np.sqrt(steps[:-1] * steps[1:])[kept],
        dbc_hz=_decibels(np.array([np.median(groups[i]) for i in kept])),
        additive_dbc_hz=_decibels(np.array(additive)),
    )


def _audio(track: Track) -> AudioSpectrum | None:
    """Spectra of whole frames that lie within key-down, and within key-up, at one resolution."""
    base, marks = track.base, track.marks
    down_s, up_s = _longest_run_s(marks.settled, base.rate_hz), _longest_run_s(marks.up, base.rate_hz)
    if down_s < 0.03:
        return None
    heard = up_s >= 0.05
    frame_s = min(0.25, 0.9 * down_s, 0.9 * up_s if heard else np.inf)
    length = 2 * round(frame_s * base.rate_hz / 2)
    window = hann(length)
    scale = (track.marks.amplitude * float(window.sum())) ** 2

    def mean_power(mask: Mask) -> Real:
        inside = np.concatenate([[0], np.cumsum(mask)])
        start = np.arange(0, mask.size - length + 1, length // 2)
        # the frame may begin anywhere: at each place take the next start that has the mask whole
        whole = start[inside[start + length] - inside[start] == length]
        if whole.size == 0:
            run = _longest_run(mask)
            whole = np.array([run[0]])
        whole = whole[:: max(1, whole.size // 200)]
        frames = base.audio[whole[:, None] + np.arange(length)] * window
        spectrum = np.fft.fft(frames, axis=1)
        return np.asarray((spectrum.real**2 + spectrum.imag**2).mean(axis=0), np.float64)

    f: Real = np.arange(length) * np.float64(base.rate_hz / length)
    shown = f <= min(base.rate_hz, max(1.4 * base.passband_hz[1], 4.5 * track.tone_hz))
    return AudioSpectrum(
        hz=f[shown],
        down_dbc=_decibels(mean_power(marks.settled)[shown] / scale),
        up_dbc=_decibels(mean_power(marks.up)[shown] / scale) if heard else np.empty(0),
        resolution_hz=np.array(1.5 * base.rate_hz / length),
    )


def _longest_run(mask: Mask) -> tuple[int, int]:
    """First sample and length of the longest stretch of True; (0, 0) where there is none."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], mask, [False]]).astype(np.int8)))
    if edges.size == 0:
        return 0, 0
    starts, ends = edges[::2], edges[1::2]
    longest = int(np.argmax(ends - starts))
    return int(starts[longest]), int(ends[longest] - starts[longest])


def _longest_run_s(mask: Mask, rate_hz: float) -> float:
    return _longest_run(mask)[1] / rate_hz


def _near_tone(track: Track, index: NDArray[np.intp]) -> Complex:
    """Stretches of ``z`` at rows of consecutive indices (n, m), without what lies far from the tone.

    Strong hum or another station far off would else draw its own beat into the envelope. The band
    reaches 1 kHz either way where the tone's audio frequency leaves room above the hum.
    """
    base = track.base
    margin = round(_FILTER_MARGIN_S * base.rate_hz)
    wide = np.arange(index[0, 0] - margin, index[0, -1] + margin + 1) - index[0, 0]
    places = index[:, :1] + wide
    inside = (places >= 0) & (places < base.z.size)
    spectra = np.fft.fft(np.where(inside, base.z[np.clip(places, 0, base.z.size - 1)], 0), axis=1)
    f = np.fft.fftfreq(wide.size, 1.0 / base.rate_hz)
    upper, lower = _HALF_BAND_HZ, min(_HALF_BAND_HZ, 0.7 * track.tone_hz)
    over = np.maximum((f - upper) / upper, (-f - lower) / lower) / 0.25
    spectra *= (0.5 + 0.5 * np.cos(np.pi * np.clip(over, 0.0, 1.0))).astype(np.float32)
    return np.asarray(np.fft.ifft(spectra, axis=1)[:, margin : margin + index.shape[1]], np.complex64)


def _edge(track: Track, *, rising: bool) -> Edge | None:
    """Coherent average of the edges.

    Each element is turned to the phase of its own settled part before it is added, so that noise
    averages out and the oscillator's own course through the edge stays.
    """
    base, marks = track.base, track.marks
    if not marks.keyed or marks.on_s.size == 0:
        return None
    lengths, gaps = marks.off_s - marks.on_s, marks.on_s[1:] - marks.off_s[:-1]
    inside_s = min(0.12, 0.85 * float(np.quantile(lengths, 0.2)))
    outside_s = min(0.04, 0.6 * float(np.quantile(gaps, 0.2))) if gaps.size else 0.02
    times = marks.on_s if rising else marks.off_s
    cut = slice(1 if marks.cut_start else 0, None) if rising else slice(None, -1 if marks.cut_end else None)
    times = times[cut]
    times = times[:: max(1, times.size // _EDGES_AVERAGED)]
    at = np.round(times * base.rate_hz).astype(np.intp)
    before, after = (outside_s, inside_s) if rising else (inside_s, outside_s)
    lag = np.arange(-round(before * base.rate_hz), round(after * base.rate_hz) + 1)
    at = at[(at + lag[0] >= 0) & (at + lag[-1] < base.z.size)]
    if at.size < 2 or lag.size < 16:
        return None
    rows = _near_tone(track, at[:, None] + lag)
    settled = lag > 0.4 * lag[-1] if rising else lag < 0.4 * lag[0]
    reference = rows[:, settled].mean(axis=1)
    level = np.maximum(np.abs(reference), 1e-3 * marks.amplitude)
    mean = (rows * (np.conj(reference) / level**2)[:, None]).mean(axis=0)
    amplitude = np.abs(mean).astype(np.float64)
    amplitude /= max(float(np.median(amplitude[settled])), 1e-12)
    time_s = lag / base.rate_hz
    return Edge(
        time_s=time_s,
        amplitude=amplitude,
        frequency_hz=_frequency(mean, amplitude, settled, base.rate_hz),
        ten_ninety_s=_ten_ninety(time_s, amplitude, rising=rising),
        averaged=np.array(at.size),
    )


def _frequency(mean: Complex, amplitude: Real, settled: Mask, rate_hz: float) -> Real:
    """Frequency by the phase's advance over 3 ms, relative to the settled one."""
    reach = max(1, round(0.0015 * rate_hz))
    out = np.full(mean.size, np.nan)
    if mean.size > 2 * reach:
        advance = np.angle(mean[2 * reach :] * np.conj(mean[: -2 * reach]))
        out[reach:-reach] = advance * rate_hz / (4 * np.pi * reach)
    known = settled & np.isfinite(out)
    if not known.any():
        return np.full(mean.size, np.nan)
    out -= np.median(out[known])
    out[amplitude < 0.3] = np.nan
    return out


def _ten_ninety(time_s: Real, amplitude: Real, *, rising: bool) -> Real:
    """Times of 10 and 90 % of the settled amplitude, nearest to the half-amplitude crossing."""
    t, a = (time_s, amplitude) if rising else (-time_s[::-1], amplitude[::-1])
    half = int(np.searchsorted(t, 0.0))
    below = np.flatnonzero(a[: half + 1] < 0.1)
    above = np.flatnonzero(a[half:] > 0.9)
    if below.size == 0 or above.size == 0 or half + above[0] == 0:
        return np.empty(0)

    def crossing(k: int, level: float) -> float:
        share = (level - a[k]) / (a[k + 1] - a[k]) if a[k + 1] != a[k] else 0.0
        return float(t[k] + np.clip(share, 0.0, 1.0) * (t[k + 1] - t[k]))

    times = np.array([crossing(int(below[-1]), 0.1), crossing(half + int(above[0]) - 1, 0.9)])
    return times if rising else -times


def _stretch(track: Track, points: int) -> Stretch | None:
    """Some elements from the middle of the recording."""
    base, marks = track.base, track.marks
    if not marks.keyed or marks.on_s.size < 2:
        return None
    first = max(0, (marks.on_s.size - _STRETCH_MARKS) // 2)
    last = min(marks.on_s.size, first + _STRETCH_MARKS) - 1
    margin = 0.5 * float(np.median(marks.off_s - marks.on_s))
    start = max(0, int((marks.on_s[first] - margin) * base.rate_hz))
    end = min(base.z.size, int((marks.off_s[last] + margin) * base.rate_hz))
    cell = max(1, (end - start) // points)
    count = (end - start) // cell
    if count < 8:
        return None
    band = _near_tone(track, np.arange(start, start + count * cell)[None, :])
    magnitude = np.abs(band).reshape(count, cell).mean(axis=1)
    return Stretch(
        time_s=(start + (np.arange(count) + 0.5) * cell) / np.float64(base.rate_hz),
        amplitude=(magnitude / marks.amplitude).astype(np.float64),
    )


def _level(track: Track, points: int) -> Level | None:
    """Mean key-down level in equal steps of time, steps without key-down left out."""
    base, settled = track.base, track.marks.settled
    cell = max(1, round(0.2 * base.rate_hz), -(-base.z.size // points))
    starts = np.arange(0, base.z.size, cell)
    count = np.add.reduceat(settled.astype(np.int64), starts)
    power = np.add.reduceat(np.where(settled, np.abs(track.carrier) ** 2, 0.0).astype(np.float64), starts)
    enough = count >= max(1, 0.02 * cell)
    if enough.sum() < 3:
        return None
    db = _decibels(power[enough] / count[enough])
    return Level(time_s=(starts[enough] + cell / 2) / np.float64(base.rate_hz), db=db - np.median(db))
