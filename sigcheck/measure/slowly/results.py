"""What slow keying yields once it has been read: baseband as if the tone had stayed, keying, slot.

The dit of QRSS and FSKCW is half of dit + following gap; that of DFCW, whose gaps are at the sender's
choice, the length of an element.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from sigcheck.measure import carrier
from sigcheck.measure.keying import designator
from sigcheck.measure.results import Drift, Keying, OtherSignal, Signal, Slot, not_measured_names
from sigcheck.measure.slowly.runs import HIGH
from sigcheck.measure.slowly.signal import EDGES_ENERGY, SHORTEST_DIT_S, Elements, SlowKeying
from sigcheck.measure.spectrum import Survey
from sigcheck.measure.track import Baseband, Marks, Mask, Real, Track

_OWN_HZ = 15.0
_QUIET_DITS = 3.5  # of quiet before a beginning: letters are 3 apart
_SURE_FIRST = 0.9  # probability of the first character
_CONTRADICTS = 6.0  # sigmas: neither course bends quite as the other one
_PLAIN = 0.97  # confidence in a text that is keyed on and off
_REFERENCE_DB = 10 * float(np.log10(2500.0))  # bandwidth in which a signal-to-noise ratio is stated
_FASTEST = 0.8  # of the shortest dit: its length is not known exactly while reading
_LEAST_FREE = 3  # edges more than unknowns, to tell their scatter from
_EDGE_NATS = 2.8  # 1.96 of it times 1 / (C/N0) hold 95 % of the errors of an edge's place
_EDGE_S = 0.01  # half a rise of the receiver's filter and of the keying
_SHIFTED_K = 1.2  # ITU-R SM.1138: K of frequency-shift telegraphy


def as_steady(s: Survey, found: SlowKeying) -> tuple[Baseband, Real, Marks]:
    """Baseband along the instantaneous tone, that tone's path (n,), and its marks.

    The baseband's own ``path_hz`` is the lower tone's, so that what follows sees a tone that stays there.
    """
    runs = found.runs
    t = np.arange(s.audio.size) / s.rate_hz
    lower = found.fit.path(t)
    path = lower.copy()
    if found.pair.tones == 2:
        for a, b in zip(runs.start_s[runs.state == HIGH], runs.end_s[runs.state == HIGH], strict=True):
            path[slice(*np.searchsorted(t, [a, b]))] += found.fit.shift_hz
    base = replace(carrier.shift(s, path), path_hz=lower)
    return base, path, _marks(base, found)


def _marks(base: Baseband, found: SlowKeying) -> Marks:
    runs, t, end_s = found.runs, base.times_s, base.z.size / base.rate_hz
    on, off = runs.start_s[runs.on].copy(), runs.end_s[runs.on].copy()
    cut_start, cut_end = bool(on[0] < 0.1), bool(off[-1] > end_s - 0.1)
    on[0], off[-1] = (0.0 if cut_start else on[0]), (end_s if cut_end else off[-1])
    guard = min(0.15 * found.dit_s, 0.5)

    def within(a: Real, b: Real) -> Mask:
        out = np.zeros(t.size, bool)
        for i, j in zip(np.searchsorted(t, a), np.searchsorted(t, b), strict=True):
            out[i:j] = True
        return out

    pieces = [np.abs(np.mean(base.z[slice(*np.searchsorted(t, [a, b]))])) for a, b in zip(on, off, strict=True)]
    gap_on, gap_off = np.append(0.0, off + guard), np.append(on - guard, end_s)
    return Marks(
        keyed=True,
        on_s=on,
        off_s=off,
        cut_start=cut_start,
        cut_end=cut_end,
        down=within(on, off),
        settled=within(on + guard, off - guard),
        up=within(gap_on, gap_off),
        amplitude=float(np.median(pieces)),
    )


def about_middle(track: Track, found: SlowKeying) -> Track:
    """The track placed between our tones: noise is looked for beyond both."""
    return replace(track, tone_hz=track.tone_hz + 0.5 * found.fit.shift_hz)


def without_own_tones(others: tuple[OtherSignal, ...], found: SlowKeying) -> tuple[OtherSignal, ...]:
    """The other signals, less our own two tones."""
    lower = float(np.median(found.fit.hz))
    own = (lower, lower + found.fit.shift_hz)
    return tuple(o for o in others if all(abs(o.frequency_hz - hz) > _OWN_HZ for hz in own))


def as_shifted(signal: Signal, found: SlowKeying) -> Signal:
    """The signal of shifted keying: FSKCW is never off between its first and last mark.

    A tone too weak to be followed in phase from element to element has its level from the elements' own sums.
    """
    share = 1.0 if found.mode == "fskcw" else signal.key_down_fraction
    signal = replace(signal, kind="shifted", key_down_fraction=share)
    if found.dit_energy > EDGES_ENERGY:
        return signal
    cn0 = 10 * float(np.log10(np.mean([np.median(found.pair.density[k]) for k in range(2)])))
    # each element's energy E is known to sqrt(2 E + 1); the noise beside the tone to half a decibel
    energy = found.dit_energy
    scatter = 4.343 * float(np.sqrt((2 * energy + 1) / max(found.elements.on_s.size, 1))) / energy
    sigma = float(np.hypot(scatter, 0.5))
    return replace(
        signal, cn0_dbhz=cn0, cn0_dbhz_sigma=sigma, snr_db=cn0 - _REFERENCE_DB, snr_db_sigma=sigma
    )


def unread(keyed: Keying, why: str) -> Keying:
    """Keying of a signal that is shifted and can't be read: what its one tone spells is no text, unless it is plain."""
    if keyed.text is not None and (keyed.text_confidence or 0.0) > _PLAIN:
        return keyed
    missing = {**keyed.missing, "text": why, "text_confidence": why}
    return replace(keyed, text=None, text_confidence=None, character_confidence=(), missing=missing)


def without_unseen_edges(keyed: Keying, found: SlowKeying) -> Keying:
    """Keying whose single edges noise hides, without what was read off them; the text is that of the whole runs."""
    if found.dit_energy > EDGES_ENERGY:
        return keyed
    nothing: dict[str, None] = dict.fromkeys(_EDGES)
    dit, sigma, ratio = _timing(found)
    values: dict[str, object] = {}
    if dit is not None:
        values = {"dit_s": dit, "dit_s_sigma": sigma, "wpm": 1.2 / dit, "wpm_sigma": 1.2 * sigma / dit**2}
    if ratio is not None:
        values |= {"dah_dit_ratio": ratio[0], "dah_dit_ratio_sigma": ratio[1]}
    missing = {**keyed.missing, **dict.fromkeys(_EDGES, "too weak to see single edges")}
    values |= {
        "text": found.elements.decoded.text,
        "text_confidence": float(np.mean(found.elements.confidences)),
        "character_confidence": found.elements.confidences,
    }
    missing = {k: v for k, v in missing.items() if k not in values}
    return replace(keyed, **nothing, **values, missing=missing)  # type: ignore[arg-type]


_EDGES = (
    "rise_s", "rise_s_sigma", "fall_s", "fall_s_sigma", "overshoot_db", "overshoot_db_sigma", "droop_db",
    "droop_db_sigma", "chirp_hz", "chirp_hz_sigma", "chirp_settle_s", "broken_starts",
)  # fmt: skip


def measure_keying(found: SlowKeying) -> Keying:
    """Text and timing of FSKCW and DFCW."""
    e = found.elements
    dit, sigma, ratio = _timing(found)
    values: dict[str, object] = {"n_elements": int(e.on_s.size)}
    too_fast = dit is not None and dit < _FASTEST * SHORTEST_DIT_S
    if not too_fast:
        values |= {
            "text": e.decoded.text,
            "text_confidence": float(np.mean(e.confidences)),
            "character_confidence": e.confidences,
            "other_readings": () if e.exchanged is None else (e.exchanged,),
        }
    if dit is not None:
        values |= {"dit_s": dit, "dit_s_sigma": sigma, "wpm": 1.2 / dit, "wpm_sigma": 1.2 * sigma / dit**2}
        # SM.1138: B + 2 D K, D half of the shift
        width = 1.0 / dit + _SHIFTED_K * found.fit.shift_hz
        values |= {"necessary_bandwidth_hz": width, "designator": designator(width, "F1B")}
    if ratio is not None:
        values |= {"dah_dit_ratio": ratio[0], "dah_dit_ratio_sigma": ratio[1]}
    why = "not measured where the key shifts the tone"
    missing = {k: v for k, v in not_measured_names(Keying, why).items() if k not in values}
    if too_fast:
        fast = f"shifted keying is read from dits of {SHORTEST_DIT_S} s on"
        missing |= dict.fromkeys(("text", "text_confidence", "character_confidence"), fast)
    if dit is None:
        short = "no gaps inside characters to tell the speed from"
        missing |= dict.fromkeys(("dit_s", "wpm", "necessary_bandwidth_hz", "designator"), short)
    return Keying(**values, missing=missing)  # type: ignore[arg-type]


def _timing(found: SlowKeying) -> tuple[float | None, float, tuple[float, float] | None]:
    """Dit and its sigma; dah over dit and its sigma."""
    e = found.elements
    grain = 1.0 / found.pair.low.rate_hz / np.sqrt(12.0)  # of the edges' grid
    if found.mode == "dfcw":
        length = e.off_s - e.on_s
        length = length[1:-1]  # the ends may be cut
        kept = length[np.abs(length - np.median(length)) < 0.3 * np.median(length)]
        # elements of one length fall on the edges' grid alike, so some of its grain stays in the mean
        return float(kept.mean()), float(np.hypot(_error(kept, grain), 0.5 * grain)), None
    return _spaced(e, grain)


def _spaced(e: Elements, grain: float) -> tuple[float | None, float, tuple[float, float] | None]:
    """Dit and ratio by least squares of the beginnings of elements, each character with a place of its own.

    Within a character the beginnings are a dit and a gap, or a dah and a gap, apart. An edge that is found late makes
    one of these steps longer and the next one shorter, so the steps' own scatter says too much.
    """
    timing = e.decoded.timing
    if timing is None:
        return None, 0.0, None
    on = e.on_s[e.cut : e.cut + timing.dah.size]
    character = np.append(0, np.cumsum(timing.gap > 0))
    inside = character[1:] == character[:-1]
    steps = [np.append(0, np.cumsum(inside & (timing.dah[:-1] == kind))) for kind in (False, True)]
    heard = [bool(np.any(inside & (timing.dah[:-1] == kind))) for kind in (False, True)]
    own = (character[:, None] == np.arange(character[-1] + 1)).astype(float)
    columns = np.column_stack([own, *(s for s, any_ in zip(steps, heard, strict=True) if any_)])
    free = on.size - columns.shape[1]
    if not any(heard) or free < _LEAST_FREE:
        return None, 0.0, None
    inverse = np.linalg.inv(columns.T @ columns)
    found = inverse @ (columns.T @ (on - on[0]))
    rest = float(np.sum((on - on[0] - columns @ found) ** 2)) / free
    # with so few to tell the scatter from, it may be larger (variance of Student's distribution)
    covariance = inverse * max(rest * free / (free - 2.0), grain**2)
    if not all(heard):
        units = 2.0 if heard[0] else 4.0
        return float(found[-1]) / units, float(np.sqrt(covariance[-1, -1])) / units, None
    dits, dahs = found[-2:]
    ratio = 2.0 * dahs / dits - 1.0
    slope = np.array([-2.0 * dahs / dits**2, 2.0 / dits])
    sigma = float(np.sqrt(slope @ covariance[-2:, -2:] @ slope))
    return float(dits) / 2, float(np.sqrt(covariance[-2, -2])) / 2, (float(ratio), sigma)


def _error(x: Real, grain: float) -> float:
    """Standard error of the mean; two lengths may agree by chance, so a part in a thousand and the grid at least."""
    spread = float(x.std(ddof=1)) if x.size > 1 else 0.0
    return max(spread, grain, 1e-3 * float(x.mean())) / float(np.sqrt(max(x.size, 1)))


def by_frequencies(moved: Drift, found: SlowKeying, marks: Marks) -> Drift:
    """The drift from the frequencies of the runs, where the phase is no better.

    The phase from one element of shifted keying to the next hangs on the shift, which is not known so well: change and
    mean rate, from the beginning to the end of the key-down time, are told by the frequencies alone. Where the tone is
    keyed on and off, phase is finer, but it may slip by a cycle in each gap; then the frequencies contradict it.
    """
    if moved.total_hz is None:
        return moved
    fit = found.fit
    seen_s = float(fit.knots_s[-1] - fit.knots_s[0])
    share = float(marks.off_s[-1] - marks.on_s[0]) / seen_s
    first, last = fit.path(np.array([marks.on_s[0], marks.off_s[-1]]))
    change = float(last - first)
    sigma = fit.change_sigma * share
    by_phase = moved.total_hz_sigma or 0.0
    agree = abs(moved.total_hz - change) < _CONTRADICTS * float(np.hypot(sigma, by_phase))
    if found.mode == "qrss" and agree and by_phase < sigma:
        return moved
    return replace(
        moved,
        total_hz=change,
        total_hz_sigma=sigma,
        rate_hz_per_min=None if moved.rate_hz_per_min is None else 60 * fit.change_hz / seen_s,
        rate_hz_per_min_sigma=None if moved.rate_hz_per_min is None else 60 * fit.change_sigma / seen_s,
    )


def measure_slot(found: SlowKeying, moved: Drift) -> Slot:
    """Mode, start, shift and drift. ``shift_hz`` is mark minus space, dah minus dit: negative where upside down."""
    values: dict[str, object] = {"kind": found.mode}
    missing = not_measured_names(Slot, "a slow-keyed signal has none")
    _put_start(values, missing, _first(found), found.dit_s, _start_sigma(found))
    if found.pair.tones == 2:
        sign = -1.0 if found.inverted else 1.0
        values |= {"shift_hz": sign * found.fit.shift_hz, "shift_hz_sigma": found.fit.shift_sigma}
    return _with_drift(values, missing, moved)


def _first(found: SlowKeying) -> float | None:
    """When the first element begins; None where it is not sure that it is the first."""
    e = found.elements
    doubtful = bool(e.confidences) and e.confidences[0] < _SURE_FIRST * e.right_way_up
    return None if doubtful else float(found.runs.start_s[0])


def _put_start(
    values: dict[str, object], missing: dict[str, str], start_s: float | None, dit_s: float, sigma: float
) -> None:
    """The start, where there is quiet before it: a recording may begin in mid-message, in a gap between letters."""
    names = ("start_offset_s", "start_offset_s_sigma", "start_offset_from")
    if start_s is None:
        missing |= dict.fromkeys(names, "too weak to be sure of the first element")
    elif start_s > _QUIET_DITS * dit_s:
        values |= dict(zip(names, (start_s, sigma, "recording"), strict=True))
    else:
        missing |= dict.fromkeys(names, "the recording does not show the beginning of a transmission")


def _start_sigma(found: SlowKeying) -> float:
    """Of the first edge; never better than half a rise of the receiver's filter.

    Likelihood against the place of an edge between silence and a tone is a random walk with a drift to both sides;
    where it is highest scatters by sqrt(26) / 2 / (C/N0), with long tails (Yao 1987, from memory, not looked up).
    """
    density = float(np.interp(found.runs.start_s[0], found.pair.low.times_s, found.pair.density[found.runs.state[0]]))
    return float(np.hypot(_EDGE_NATS / density, _EDGE_S))


def slot_of_keying(keyed: Keying, marks: Marks, moved: Drift, found: SlowKeying | None) -> Slot | None:
    """QRSS, where ordinary on and off keying turned out as slow as that; else None."""
    if keyed.dit_s is None or keyed.dit_s < SHORTEST_DIT_S or keyed.text is None:
        return None
    values: dict[str, object] = {"kind": "qrss"}
    missing = not_measured_names(Slot, "a slow-keyed signal has none")
    missing |= dict.fromkeys(("shift_hz", "shift_hz_sigma"), "on and off keying has no shift")
    sigma = _start_sigma(found) if found is not None and found.mode == "qrss" else 0.02 * keyed.dit_s
    doubtful = found is not None and found.mode == "qrss" and _first(found) is None
    first = None if doubtful else float(marks.on_s[0])
    _put_start(values, missing, first, keyed.dit_s, sigma)
    return _with_drift(values, missing, moved)


def _with_drift(values: dict[str, object], missing: dict[str, str], moved: Drift) -> Slot:
    if moved.total_hz is not None:
        values["drift_hz"] = moved.total_hz
        if moved.total_hz_sigma is not None:
            values["drift_hz_sigma"] = moved.total_hz_sigma
    else:
        missing["drift_hz"] = moved.missing.get("total_hz", "the frequency's course was not measured")
    return Slot(**values, missing={k: v for k, v in missing.items() if k not in values})  # type: ignore[arg-type]
