"""Rules on the keying."""

from __future__ import annotations

import math
from dataclasses import replace

from sigcheck.judge.ruling import (
    Z95,
    Z_SEEN,
    Case,
    Finding,
    Unseen,
    about_zero,
    grade,
    reason,
    symptom,
    with_floor,
)
from sigcheck.judge.shapes import Symptom


def key_clicks(case: Case) -> Finding:
    k, row = case.m.keying, case.limits["key-clicks"]
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None]
    if not edges:
        return Unseen(reason(k, "rise_s"))
    if k.rise_limit_s is not None and k.rise_limit_s > 2e-3:
        return Unseen(f"the passband alone makes edges of {1e3 * k.rise_limit_s:.1f} ms")
    assert row.note is not None and row.fault is not None
    value, sigma = min(edges, key=lambda edge: edge[0])
    # Usual edges are 5 ms; scatter that reaches from there to the limit would accuse clean keying.
    reach = Z95 * (sigma or 0.0)
    if sigma is not None and Z_SEEN * sigma > 5e-3 - row.note and value + reach > row.note:
        seen = row.note - reach
        return Unseen(seen if seen > 0 else f"noise leaves the edges uncertain by {1e3 * sigma:.0f} ms")
    fault_s = max(row.fault, 1.2 * (k.rise_limit_s or 0.0))
    own = Case(case.m, case.plan, {**case.limits, "key-clicks": replace(row, fault=fault_s)})
    edge = "rise" if k.rise_s == value else "fall"
    return symptom(own, "key-clicks", value, sigma, f"hard edges: the {edge} takes {1e3 * value:.1f} ms")


def slow_keying(case: Case) -> Finding:
    k, dit_s = case.m.keying, case.dit_s
    edges = [(e, s) for e, s in ((k.rise_s, k.rise_s_sigma), (k.fall_s, k.fall_s_sigma)) if e is not None]
    if not edges or dit_s is None:
        return Unseen(reason(k, "rise_s" if not edges else "dit_s"))
    raw, raw_sigma = max(edges, key=lambda edge: edge[0])
    # Rise times of cascaded stages add as squares.
    own = math.sqrt(max(raw**2 - (k.rise_limit_s or 0.0) ** 2, 0.0))
    sigma = None if raw_sigma is None else raw_sigma * min(raw / own if own > 0 else 1.0, 3.0) / dit_s
    name = "rise" if k.rise_s == raw else "fall"
    text = f"soft edges: the {name} takes {1e3 * own:.0f} ms of a dit of {1e3 * dit_s:.0f} ms"
    return about_zero(case, "slow-keying", own / dit_s, sigma, None, text)


def chirp(case: Case) -> Finding:
    k = case.m.keying
    if k.chirp_hz is None:
        return Unseen(reason(k, "chirp_hz"))
    if not case.slow:
        text = f"chirp: each element starts {abs(k.chirp_hz):.1f} Hz {'high' if k.chirp_hz > 0 else 'low'}"
        return about_zero(case, "chirp", k.chirp_hz, k.chirp_hz_sigma, None, text)
    if case.dit_s is None:
        return Unseen("the dit of this slow mode is not known")
    shift_hz = case.plan.main.shift_hz if case.m.signal.kind == "shifted" else None
    scale_hz = min([1.0 / case.dit_s] + ([shift_hz] if shift_hz else []))
    sigma = None if k.chirp_hz_sigma is None else k.chirp_hz_sigma / scale_hz
    share = k.chirp_hz / scale_hz
    text = f"chirp of {abs(k.chirp_hz):.2f} Hz, {abs(share):.2f} of what this slow mode resolves"
    return about_zero(case, "chirp", share, sigma, None, text, row="chirp-slow")


def backwave(case: Case) -> Finding:
    k = case.m.keying
    if k.backwave_db is not None and case.plan.receiver.gain_control and case.m.bursts.gain_recovery_db is None:
        return Unseen("the gain control was on, and the noise does not tell how far it opened at key-up")
    if k.backwave_db is not None and (order := _hum_beside(case)) is not None:
        return Unseen(
            f"harmonic {order} of the hum in the audio is as near to the tone as the gaps resolve: "
            "retune by 20 Hz and record again"
        )
    return with_floor(
        case, "backwave", k.backwave_db, k.backwave_db_sigma, k.backwave_floor_db, reason(k, "backwave_db"),
        lambda v: f"backwave: the tone stays at key-up, {abs(v):.0f} dB weaker", searched=False,
    )  # fmt: skip


# How the harmonics of hum fall off is common practice, no source: as 1/k or faster, single ones twice as strong.
_HARMONIC_MARGIN_DB = 6.0


def _hum_beside(case: Case) -> int | None:
    """Order of a mains harmonic that may be what is heard of the tone at key-up; None where it is too far or weak."""
    p, k, tone_hz = case.m.purity, case.m.keying, case.m.signal.tone_hz
    if p.hum_dbc is None or p.hum_hz is None or not p.mains_hz or p.mains_hz < 1.0 or tone_hz is None or not k.dit_s:
        return None
    order, first = max(round(tone_hz / p.mains_hz), 1), max(round(p.hum_hz / p.mains_hz), 1)
    if abs(tone_hz - order * p.mains_hz) > max(3.0, 0.5 / k.dit_s):
        return None
    loudest_dbc = p.hum_dbc - 20 * math.log10(order / first) + _HARMONIC_MARGIN_DB
    return order if k.backwave_db is not None and k.backwave_db < loudest_dbc else None


def overshoot(case: Case) -> Finding:
    k = case.m.keying
    peak_db = None if k.overshoot_db is None else max(k.overshoot_db, 0.0)
    return about_zero(
        case, "overshoot", peak_db, k.overshoot_db_sigma, reason(k, "overshoot_db"),
        f"elements start {k.overshoot_db or 0.0:.1f} dB above their settled level",
    )  # fmt: skip


def keying_timing(case: Case) -> Finding:
    """Scatter or ratio; a fault only where the copy suffers."""
    k = case.m.keying
    if k.element_jitter is None and k.dah_dit_ratio is None:
        return Unseen(reason(k, "element_jitter"))
    off = None if k.dah_dit_ratio is None else k.dah_dit_ratio - 3.0
    scatter = about_zero(
        case, "keying-timing", k.element_jitter, k.element_jitter_sigma, reason(k, "element_jitter"),
        f"element lengths scatter by {100 * (k.element_jitter or 0):.0f} %",
    )  # fmt: skip
    ratio = about_zero(
        case, "keying-timing", off, k.dah_dit_ratio_sigma, reason(k, "dah_dit_ratio"),
        f"a dah lasts {k.dah_dit_ratio or 0:.2f} dits instead of 3", row="keying-ratio",
    )  # fmt: skip
    found = [f for f in (scatter, ratio) if isinstance(f, Symptom)]
    if not found:
        return scatter if isinstance(scatter, Unseen) else ratio
    worst = min(found, key=lambda f: f.severity != "fault")
    suffers = case.limits["copy-suffers"]
    spoilt = k.text_confidence is not None and grade(suffers, k.text_confidence) == "fault"
    if worst.severity == "note" or spoilt:
        return worst
    row = case.limits["keying-timing" if worst is scatter else "keying-ratio"]
    if row.note is None:
        return None
    text = f"{worst.text.partition(' (limit')[0]}, though the copy does not suffer (limit {row.note:g})"
    return replace(worst, severity="note", limit=row.note, text=text)
