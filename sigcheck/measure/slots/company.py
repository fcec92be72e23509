"""Steady carriers so near to a four-tone slot that they would be taken for a part of it: found and taken out."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from sigcheck.measure.results import OtherSignal
from sigcheck.measure.slot import Found
from sigcheck.measure.spectrum import HANN_ENBW_BINS, Survey, peak_bin
from sigcheck.measure.track import Complex, Real

_FRAME_S = 2.7
_CLEAR_HZ = 8.0  # from the middle of the slot, and as much more as it drifts to one side: nearer are its own tones
_REACH_HZ = 42.0  # what is further stands apart in the survey
_STANDS = 100.0  # over what is usual beside it: a slot's tones, spread over the frames, reach 30
_EVEN = 1.5  # mean square over squared mean of the frames' power: noise and keying make 2 and more
_WEAKEST = 0.03  # of our power: weaker ones do no harm
_MOST = 3
_BLOCK_S = 0.02  # what folds onto the carrier from 50 Hz away is beyond the reach
_SMOOTH_S = 2.0  # a carrier may wander by a quarter of a hertz; of a tone 8 Hz off nothing is left


@dataclass(frozen=True)
class NearCarrier:
    """A steady carrier: its audio frequency, and its power as amplitude squared."""

    hz: float
    power: float


def carriers_beside(found: Found) -> tuple[NearCarrier, ...]:
    """Steady carriers within some forty hertz of our main transmission, strongest first."""
    main = found.main
    band, length = main.band, round(_FRAME_S * main.band.rate_hz)
    if band.z.size < 4 * length:
        return ()
    window = np.hanning(length + 1)[:-1].astype(np.float32)
    frames = np.lib.stride_tricks.sliding_window_view(band.z, length)[:: length // 2] * window
    power: Real = np.fft.fftshift(np.abs(np.fft.fft(frames, axis=1)) ** 2, axes=1)
    hz = np.fft.fftshift(np.fft.fftfreq(length, 1 / band.rate_hz))
    mean = power.mean(axis=0)
    around = np.array([np.median(mean[max(0, k - 12) : k + 13]) for k in range(mean.size)])
    even = (power**2).mean(axis=0) < _EVEN * mean**2
    moves_hz = np.abs(main.middle_hz(np.linspace(main.begin_s, main.end_s, 9)) - main.centre_hz).max()
    apart = np.abs(hz + band.hz - main.centre_hz)
    allowed = (apart > _CLEAR_HZ + moves_hz) & (apart < _REACH_HZ) & even & (mean > _STANDS * around)
    scale = 1 / (float(window.sum()) ** 2 * band.response(hz))
    left = np.where(allowed, mean * scale, 0.0)
    out: list[NearCarrier] = []
    while len(out) < _MOST:
        k = int(np.argmax(left))
        if left[k] < _WEAKEST * main.fit.power:
            break
        near = slice(max(0, k - 3), k + 4)
        place = float(np.interp(peak_bin(mean, k), np.arange(hz.size), hz))
        out.append(NearCarrier(band.hz + place, float((mean * scale)[near].sum() / HANN_ENBW_BINS)))
        left[near] = 0.0
    return tuple(out)


def without_carriers(s: Survey, carriers: tuple[NearCarrier, ...]) -> Survey:
    """The survey with these carriers, each with all that it wanders, taken out of the audio."""
    audio = s.audio
    for one in carriers:
        audio = audio - _followed(audio, one.hz, s.rate_hz)
    return replace(s, audio=audio)


def _followed(audio: Complex, hz: float, rate_hz: float) -> Complex:
    """The carrier alone: what is within half a hertz of its place."""
    step = round(_BLOCK_S * rate_hz)
    cycles = hz * np.arange(audio.size) / rate_hz
    turn = np.exp(2j * np.pi * (cycles - np.floor(cycles))).astype(np.complex64)
    down = audio * np.conj(turn)
    blocks = down[: down.size // step * step].reshape(-1, step).mean(axis=1)
    window = np.hanning(round(_SMOOTH_S / _BLOCK_S) + 3)[1:-1]
    share = np.convolve(np.ones(blocks.size), window, "same")
    slow = np.convolve(blocks, window, "same") / share
    at, middles = np.arange(audio.size), (np.arange(blocks.size) + 0.5) * step - 0.5
    level = np.interp(at, middles, slow.real) + 1j * np.interp(at, middles, slow.imag)
    return np.asarray((level * turn).astype(np.complex64))


def as_others(carriers: tuple[NearCarrier, ...], carrier_power: float) -> tuple[OtherSignal, ...]:
    """The carriers as other signals, levels relative to a carrier of that power (amplitude squared)."""
    return tuple(
        OtherSignal(
            frequency_hz=one.hz,
            level_dbc=float(10 * np.log10(one.power / max(carrier_power, 1e-30))),
            keyed=False,
            dips_with_ours=None,
            same_lines=None,
        )
        for one in carriers
    )
