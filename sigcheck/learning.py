"""A plan learnt from a strong recording: what was sent, as it was heard."""

from __future__ import annotations

from typing import Any

from sigcheck.errors import RecordingError
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan

_SURE = 0.9  # mean probability of the characters; below it a text is misread in places
_SLOWEST_CW_DIT_S = 1.2  # 1 WPM, the slowest that a plan's speed may be


def learn_plan(m: Measurements, name: str) -> tuple[Plan, tuple[str, ...]]:
    """The plan, and what of it is doubtful, a line each.

    Raises
    ------
    RecordingError : there is no signal, or nothing of it can be learnt.
    """
    if m.signal.kind == "none":
        why = m.signal.missing.get("kind", "no signal was found")
        raise RecordingError(f"{name}: nothing to learn from ({why}); record the transmitter close by")
    sent: dict[str, Any] = {}
    doubts: list[str] = []
    if m.slot.kind == "four-tone":
        sent["keying"] = "four-tone"
        sent |= _symbols(m, doubts)
    elif m.slot.kind is not None:
        sent |= {"keying": m.slot.kind, "dit_s": _known(m.keying.dit_s, 4)}
        if m.slot.shift_hz is not None:
            sent["shift_hz"] = _known(abs(m.slot.shift_hz), 4)
        sent |= _text(m, doubts)
    elif m.signal.kind == "steady":
        sent["keying"] = "steady"
    else:
        sent |= _morse(m, doubts)
        sent |= _text(m, doubts)
    if m.signal.snr_db is not None and m.signal.snr_db < 10.0:
        doubts.append(f"the signal is weak ({m.signal.snr_db:.0f} dB in 2500 Hz): learn from a stronger recording")
    return Plan.from_dict({"sent": {k: v for k, v in sent.items() if v is not None}}), tuple(doubts)


def _symbols(m: Measurements, doubts: list[str]) -> dict[str, Any]:
    if not m.slot.complete:
        doubts.append("the transmission is not whole in the recording, so its symbols are left out")
        return {}
    return {"symbols": list(m.slot.symbols)}


def _morse(m: Measurements, doubts: list[str]) -> dict[str, Any]:
    dit_s = m.keying.dit_s
    if dit_s is None:
        doubts.append("the speed was not measured: " + m.keying.missing.get("dit_s", "too few elements"))
        return {"keying": "cw"}
    if dit_s > _SLOWEST_CW_DIT_S:
        return {"keying": "qrss", "dit_s": _known(dit_s, 3)}
    return {"keying": "cw", "speed_wpm": _known(1.2 / dit_s, 3)}


def _text(m: Measurements, doubts: list[str]) -> dict[str, Any]:
    text, confidence = m.keying.text, m.keying.text_confidence
    if not text or not text.strip():
        doubts.append("no text was read")
        return {}
    if confidence is not None and confidence < _SURE:
        doubts.append(f"the text is read with a confidence of {100 * confidence:.0f} % only")
    return {"text": text}


def _known(value: float | None, digits: int) -> float | None:
    return None if value is None else float(f"{value:.{digits}g}")
