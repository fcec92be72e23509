"""Plans as text: a commented new one, a known one as TOML, one with some keys set, and one explained in plain words."""

from __future__ import annotations

import json
import re
import tomllib
from collections.abc import Mapping, Sequence
from datetime import datetime
from typing import Any

from sigcheck.errors import PlanError
from sigcheck.plan import RECEIVER_SIGMA_PPM, RECORDER_SIGMA_PPM, SHIFTED_MODES, SLOW_MODES, Plan, Sent

_NEW = """\
# What you meant to send, and how you receive it. Every line is optional: take off the # in front of what you
# know, and leave out the rest. What is not said here is taken as unknown. `sigcheck plan check FILE` says in plain
# words how this is understood.

[sent]                          # write [[sent]] once for each where the beacon sends several in turn
# keying = "cw"                 # steady, cw, qrss, fskcw, dfcw or four-tone
# text = "VVV DE Q5KAP"
# speed_wpm = 15                # cw: words a minute (PARIS)
# dit_s = 3.0                   # qrss, fskcw, dfcw: length of a dit in seconds
# shift_hz = 4.0                # fskcw, dfcw: upper less lower tone
# symbols = [3, 1, 0, 2]        # four-tone: the tones in turn; `sigcheck plan learn` takes them from a recording

[carrier]
# hz = 10140070.0               # where it should be on the air, in hertz
# reference_hz = 25000000.0     # the reference that the synthesiser was told
# power_w = 0.2

[timing]
# repeat_s = 120                # a transmission starts every so many seconds of the hour ...
# after_s = 1.0                 # ... and this much later

[receiver]
# dial_hz = 10138700.0
# sideband = "usb"              # usb or lsb
# error_ppm = 0.8               # how much higher it listens than it shows; `sigcheck calibrate` finds it
# error_ppm_sigma = 0.1
# gain_control = false
# noise_reduction = false

[recorder]
# start_utc = 2026-11-01T10:02:00Z   # of the recording, unless its file says so
# start_utc_sigma_s = 0.3
# sample_rate_error_ppm = -12.3      # positive: more samples than nominal; `sigcheck calibrate` finds it
# sample_rate_error_ppm_sigma = 0.5

[mains]
# hz = 50.0

[limits]                        # where a symptom begins; any limit can be set otherwise
# hum-sidebands = { note = -70, fault = -50 }
"""


def commented() -> str:
    """A plan with every key explained and none set."""
    return _NEW


def to_toml(plan: Plan) -> str:
    """A plan as TOML: only what it knows."""
    parts = []
    for name, table in plan.to_dict().items():
        tables = table if isinstance(table, list) else [table]
        head = f"[[{name}]]" if len(tables) > 1 else f"[{name}]"
        parts += ["\n".join([head, *(f"{_key(k)} = {_value(v, k)}" for k, v in one.items())]) for one in tables]
    return "\n\n".join(parts) + "\n"


def edited(text: str, values: Mapping[str, Mapping[str, Any]]) -> str:
    """A plan's text with these keys set, by section; its comments and everything else stay as they are.

    Raises
    ------
    PlanError : the text is no plan, or is written in a way in which a key can't be replaced.
    """
    lines = text.splitlines()
    for section, keys in values.items():
        for key, value in keys.items():
            lines = _with_key(lines, section, f"{key} = {_value(value, key)}", key)
    out = "\n".join(lines) + "\n"
    _check(out, values)
    return out


def _with_key(lines: list[str], section: str, line: str, key: str) -> list[str]:
    heads = [i for i, one in enumerate(lines) if re.match(rf"\s*\[\s*{re.escape(section)}\s*\]", one)]
    if not heads:
        return [*lines, *([""] if lines and lines[-1].strip() else []), f"[{section}]", line]
    first = heads[0] + 1
    rest = range(first, len(lines))
    end = next((i for i in rest if re.match(r"\s*\[", lines[i])), len(lines))
    for i in range(first, end):
        found = re.match(rf"\s*{re.escape(key)}\s*=[^#]*(#.*)?$", lines[i])
        if found:
            return [*lines[:i], line + (f"  {found[1]}" if found[1] else ""), *lines[i + 1 :]]
    while end > first and not lines[end - 1].strip():
        end -= 1
    return [*lines[:end], line, *lines[end:]]


def _check(text: str, values: Mapping[str, Mapping[str, Any]]) -> None:
    try:
        tables = tomllib.loads(text)
    except ValueError as error:
        raise PlanError(f"the plan can't be edited ({' '.join(str(error).split())[:120]}); give a new file") from None
    Plan.from_dict(tables)
    for section, keys in values.items():
        for key, value in keys.items():
            if _value(tables.get(section, {}).get(key, "")) != _value(value):
                raise PlanError(f"[{section}] {key} can't be set in this plan; give a new file")


def _key(key: str) -> str:
    return key if re.fullmatch(r"[A-Za-z0-9_-]+", key) else json.dumps(key)


def _value(value: Any, key: str = "") -> str:
    if isinstance(value, bool):
        return str(value).lower()
    if isinstance(value, str):
        return value if key == "start_utc" else json.dumps(value, ensure_ascii=False)
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_value(v) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{ " + ", ".join(f"{_key(k)} = {_value(v)}" for k, v in value.items()) + " }"
    # what a clock or a dial can be told by has fewer than twelve digits
    return repr(float(f"{value:.12g}")) if isinstance(value, float) else str(value)


# --- in plain words --------------------------------------------------------------------------------


def explain(plan: Plan, starts: Sequence[datetime] = ()) -> tuple[str, ...]:
    """What a plan means, a sentence each; what it lacks for the questions that could be asked of it at the end.

    ``starts``: the next moments at which a transmission should start, where they are to be named.
    """
    out = [_sent(one) for one in plan.sent] or ["What is sent is not said."]
    out += _on_the_air(plan)
    out += _when(plan)
    if starts:
        out.append(f"The next ones: {', '.join(f'{m:%Y-%m-%d %H:%M:%S}' for m in starts)} UTC.")
    out += _clocks(plan)
    if plan.mains.hz is not None:
        out.append(f"The mains is taken to be {plan.mains.hz:g} Hz.")
    known = [name for name, value in vars(plan.chain).items() if value is not None]
    if known:
        out.append("The chain was calibrated: its own hum, noise and distortion are taken off where they show.")
    for row, (note, fault) in plan.limits.items():
        words = (("a note", note), ("a fault", fault))
        limits = [f"{word} from {value:g}" for word, value in words if value is not None]
        out.append(f"{row}: {', '.join(limits)}.")
    return (*out, *_wanting(plan))


_MODES = {
    "cw": "Morse",
    "qrss": "Very slow Morse by level",
    "fskcw": "Very slow Morse by frequency",
    "dfcw": "Very slow Morse, dits and dahs on two frequencies",
}


def _sent(sent: Sent) -> str:
    text = f' sends "{sent.text}"' if sent.text else ""
    unused = f" {', '.join(sent.unused)} says nothing for this keying." if sent.unused else ""
    dit_s = sent.planned_dit_s
    if sent.keying == "steady":
        return f"A steady carrier.{unused}"
    if sent.keying == "four-tone":
        count = f", {len(sent.symbols)} symbols known" if sent.symbols else ", its symbols unknown"
        return f"A four-tone slot{text}{count}.{unused}"
    name = _MODES.get(sent.keying or "", "A transmission")
    speed = ""
    if dit_s is not None:
        speed = f" at {1.2 / dit_s:.3g} WPM: dit {_length(dit_s)}, dah {_length(3 * dit_s)}"
        if sent.text and sent.keying in (None, "cw", *SLOW_MODES):
            speed += f", the text lasts about {_length(_dits(sent.text) * dit_s)}"
    shift = f", shift {sent.shift_hz:g} Hz" if sent.shift_hz is not None and sent.keying in SHIFTED_MODES else ""
    return f"{name}{text}{speed}{shift}.{unused}"


def _dits(text: str) -> float:
    """Usual length in dits: PARIS has 50 for five letters and the space after them."""
    return 50.0 / 6.0 * (len(text) + 1)


def _length(seconds: float) -> str:
    if seconds < 1.0:
        return f"{1e3 * seconds:.0f} ms"
    return f"{seconds:.3g} s" if seconds < 120 else f"{seconds / 60:.1f} min"


def _on_the_air(plan: Plan) -> list[str]:
    out = []
    if plan.carrier.hz is not None:
        out.append(f"It should be on {plan.carrier.hz:.12g} Hz.")
    if plan.carrier.reference_hz is not None and plan.carrier.hz is not None:
        ppm = 1e6 / plan.carrier.hz
        out.append(
            f"Its synthesiser was told a reference of {plan.carrier.reference_hz:.12g} Hz: 1 Hz off on the air is "
            f"{ppm:.4f} ppm, {plan.carrier.reference_hz / plan.carrier.hz:.4g} Hz of the reference."
        )
    if plan.tone_hz is not None:
        out.append(
            f"With the dial on {plan.receiver.dial_hz:.12g} Hz, {plan.receiver.sideband}, it is heard at "
            f"{plan.tone_hz:.7g} Hz."
        )
    return out


def _when(plan: Plan) -> list[str]:
    repeat_s, after_s = plan.timing.repeat_s, plan.timing.after_s or 0.0
    out = []
    if repeat_s is not None:
        out.append(f"A transmission starts every {_length(repeat_s)} of the hour, {after_s:g} s later.")
    if plan.recorder.start_utc is not None:
        out.append(f"The recording starts at {plan.recorder.start_utc:%Y-%m-%d %H:%M:%S.%f} UTC.")
    return out


def _clocks(plan: Plan) -> list[str]:
    dial, dial_sigma = plan.receiver.dial_error()
    rate, rate_sigma = plan.recorder.rate_error()
    return [
        f"The receiver listens {abs(dial):g} ± {dial_sigma:g} ppm {'below' if dial < 0 else 'above'} its dial."
        if plan.receiver.error_ppm is not None
        else f"The receiver's dial is not calibrated: taken as right to {RECEIVER_SIGMA_PPM:g} ppm.",
        f"The recorder takes {abs(rate):g} ± {rate_sigma:g} ppm {'fewer' if rate < 0 else 'more'} samples than nominal."
        if plan.recorder.sample_rate_error_ppm is not None
        else f"The recorder's rate is not calibrated: taken as right to {RECORDER_SIGMA_PPM:g} ppm.",
    ]


def _wanting(plan: Plan) -> list[str]:
    out = []
    places = {
        "[carrier] hz": plan.carrier.hz,
        "[receiver] dial_hz": plan.receiver.dial_hz,
        "[receiver] sideband": plan.receiver.sideband,
    }
    lacks = [name for name, value in places.items() if value is None]
    if lacks:
        out.append(f"Whether it is on frequency can't be told without {', '.join(lacks)}.")
    if plan.timing.repeat_s is None:
        out.append("Whether it is on time can't be told without [timing] repeat_s.")
    if not any(one.text or one.symbols for one in plan.sent):
        out.append("Whether it sends the right message can't be told without its text or symbols in [sent].")
    return out
