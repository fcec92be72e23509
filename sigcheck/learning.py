"""A plan learnt from a strong recording: what was sent, as it was heard."""

from __future__ import annotations

import math
from typing import Any

from sigcheck.errors import RecordingError
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan

_SURE = 0.9  # mean probability of the characters; below it a text is misread in places
_CLEAR_DIT_DB = 23.0  # energy of a dit over the noise density: 7 dB more than a text needs to be read
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
    doubts += _weak(m)
    return Plan.from_dict({"sent": {k: v for k, v in sent.items() if v is not None}}), tuple(doubts)


def _weak(m: Measurements) -> list[str]:
    """Whether the signal is weak: a slow mode needs little in 2500 Hz, as its dits last so long."""
    snr_db, cn0, dit_s = m.signal.snr_db, m.signal.cn0_dbhz, m.keying.dit_s
    if m.slot.kind not in (None, "four-tone") and cn0 is not None and dit_s is not None:
        energy_db = cn0 + 10.0 * math.log10(dit_s)
        if energy_db < _CLEAR_DIT_DB:
            return [f"the signal is weak ({energy_db:.0f} dB in a dit): learn from a stronger recording"]
    elif snr_db is not None and snr_db < 10.0:
        return [f"the signal is weak ({snr_db:.0f} dB in 2500 Hz): learn from a stronger recording"]
    return []


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
    for other in m.keying.other_readings:
        doubts.append(f'if the receiver turned the tones over (wrong sideband), the text is "{_once(other)}"')
    return {"text": _once(text)}


def _once(text: str) -> str:
    """A message that is heard again and again, once: the first and the last word may be cut."""
    words = text.split()
    for first in (0, 1):
        heard = words[first:]
        for period in range(1, len(heard)):
            again = all(a == b for a, b in zip(heard[period:-1], heard, strict=False))
            # of a word that is cut, the last character is cut as well
            started = heard[len(heard) - 1 - period].startswith(heard[-1]) or (
                len(heard[-1]) > 1 and heard[len(heard) - 1 - period].startswith(heard[-1][:-1])
            )
            before = first == 0 or (period + first < len(words) and words[period].endswith(words[0]))
            if again and started and before:
                return " ".join(heard[:period])
    return text


def _known(value: float | None, digits: int) -> float | None:
    return None if value is None else float(f"{value:.{digits}g}")
