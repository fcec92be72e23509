"""Read a saved result back: from its JSON to the same measurements, symptoms and plan.

What a file may hold is told by the measurements' own dataclasses, so nothing has to be described
twice: each value is checked against the type of its field. Keys that are not known are left alone
(later versions may add some), keys that are absent stay "not measured".
"""

from __future__ import annotations

import json
import math
import os
import types
from collections.abc import Iterable, Mapping
from dataclasses import MISSING, dataclass, fields, is_dataclass
from functools import cache
from pathlib import Path
from typing import Any, Literal, NoReturn, Union, get_args, get_origin, get_type_hints

from sigcheck.errors import PlanError, ResultError
from sigcheck.judge.shapes import Symptom
from sigcheck.judge.shapes import Verdict as Judged
from sigcheck.measure.results import Family, Measurements
from sigcheck.plan import Plan
from sigcheck.result import SCHEMA, SECTION, TOP_LEVEL

# A result of a day's recording has a few megabytes; no result is larger than this.
LARGEST_BYTES = 64 << 20
# No measured quantity comes near it, and its square and its exponent of ten still fit a float.
LARGEST = 1e12

_READ = "give the JSON that `sigcheck diagnose --json` wrote, or the recording itself"


@dataclass(frozen=True, eq=False)
class SavedResult:
    """A result without its audio.

    ``data`` is the JSON as it was saved, ``where`` what to call it in messages.
    """

    where: str
    data: Mapping[str, Any]
    measurements: Measurements
    symptoms: tuple[Symptom, ...]
    not_measured: Mapping[str, float | str]
    verdict: Judged
    plan: Plan

    @property
    def sha256(self) -> str | None:
        """Fingerprint of the recording, None where it came from memory."""
        value = self.data.get("recording", {}).get("sha256")
        return value if isinstance(value, str) and value else None


def load_result(path: str | os.PathLike[str]) -> SavedResult:
    """Read a result that `Result.save` or ``sigcheck diagnose --json`` wrote.

    Raises
    ------
    ResultError : the file can't be read, is no such result, is damaged, or comes from a newer version.
    """
    name = "".join(c if c.isprintable() else "?" for c in os.fsdecode(os.fspath(path)))
    try:
        if Path(path).stat().st_size > LARGEST_BYTES:
            raise ResultError(f"{name}: too large for a saved result; {_READ}")
        text = Path(path).read_bytes().decode("utf-8-sig")
    except FileNotFoundError:
        raise ResultError(f"{name}: no such file; check the name of the saved result") from None
    except UnicodeDecodeError:
        raise ResultError(f"{name}: is not text in UTF-8, so no saved result; {_READ}") from None
    except (OSError, ValueError) as error:
        reason = getattr(error, "strerror", None) or error
        raise ResultError(f"{name}: can't be read ({reason}); {_READ}") from None
    try:
        data = json.loads(text, parse_constant=_no_number)
    except (ValueError, RecursionError) as error:
        reason = "nested too deeply" if isinstance(error, RecursionError) else " ".join(str(error).split())[:120]
        raise ResultError(f"{name}: is no JSON of a result ({reason}); {_READ}") from None
    return from_dict(data, name)


def from_dict(data: Any, where: str = "the result") -> SavedResult:
    """Check plain data in the shape of `Result.to_dict` and put the measurements together again.

    Raises
    ------
    ResultError : something is not what a result holds; the message names the place.
    """
    try:
        _check_schema(data)
        explained = _text_or_numbers(data.get("not_measured", {}), "not_measured")
        return SavedResult(
            where=where,
            data=data,
            measurements=_measurements(data, explained),
            symptoms=tuple(_value(Symptom, s, f"symptoms[{k}]") for k, s in enumerate(_list(data, "symptoms"))),
            not_measured={k: v for k, v in explained.items() if k.startswith("symptoms.")},
            verdict=_value(Judged, data.get("verdict"), "verdict"),
            plan=_plan(data.get("plan")),
        )
    except _WrongError as wrong:
        raise ResultError(f"{where}: {wrong}; diagnose the recording again") from None


@dataclass(frozen=True)
class SavedTransmission:
    """One of several transmissions of a saved result."""

    mode: str
    seconds: float
    result: SavedResult


def transmissions_of(saved: SavedResult) -> tuple[SavedTransmission, ...]:
    """The transmissions that a saved result holds, where it holds several.

    Raises
    ------
    ResultError : one of them is damaged.
    """
    try:
        several = _list(saved.data, "transmissions") if "transmissions" in saved.data else []
        out = []
        for k, one in enumerate(several):
            place = f"transmissions[{k}]"
            if not isinstance(one, dict):
                raise _WrongError(f"{place} is {_short(one)}, not an object")
            start, end = (_value(float, one.get(key), f"{place}.{key}") for key in ("start_s", "end_s"))
            mode = _value(str, one.get("mode"), f"{place}.mode")
            data = {**one, "schema": SCHEMA, "version": saved.data.get("version")}
            out.append(SavedTransmission(mode, end - start, from_dict(data, f"{saved.where}, {place}")))
    except _WrongError as wrong:
        raise ResultError(f"{saved.where}: {wrong}; diagnose the recording again") from None
    return tuple(out)


class _WrongError(Exception):
    """Something in a result is not what it should be."""


def _no_number(text: str) -> NoReturn:
    raise ValueError(f"{text} is no number")


def _check_schema(data: Any) -> None:
    if not isinstance(data, dict):
        raise _WrongError("a result is an object with sections, this is not")
    schema = data.get("schema")
    if schema is None:
        raise _WrongError("is no result of sigcheck (it has no `schema`)")
    if isinstance(schema, bool) or not isinstance(schema, int) or schema < 1:
        raise _WrongError(f"its schema is {_short(schema)}, not a number such as {SCHEMA}")
    if schema > SCHEMA:
        raise _WrongError(f"was written by a newer version (schema {_short(schema)}, this one reads {SCHEMA})")
    for name in ("recording", "signal"):
        if not isinstance(data.get(name), dict):
            raise _WrongError(f"its section {name!r} is missing or no object")


def _measurements(data: Mapping[str, Any], explained: Mapping[str, float | str]) -> Measurements:
    """The families, each from its section; lists of lines stand at the top level."""
    hints = _hints(Measurements)
    families: dict[str, Any] = {}
    for name, kind in hints.items():
        if not (isinstance(kind, type) and issubclass(kind, Family)):
            continue
        section = SECTION.get(name, name)
        held = data.get(section) or {}
        if not isinstance(held, dict):
            raise _WrongError(f"{section} is {_short(held)}, not an object")
        own = {f.name for f in fields(kind)} - {"missing"}
        values = {k: v for k, v in held.items() if k in own and k not in TOP_LEVEL}
        values |= {k: data[k] for k in TOP_LEVEL if k in own and k in data}
        reasons = {
            f: str(explained[place]) for f in own if (place := f if f in TOP_LEVEL else f"{section}.{f}") in explained
        }
        families[name] = _built(kind, values, section, missing=reasons)
    recording = data["recording"]
    whole = {k: recording[k] for k in ("channel", "channels", "sample_rate_hz", "duration_s") if k in recording}
    return Measurements(**families, **{k: _value(hints[k], v, f"recording.{k}") for k, v in whole.items()})


@cache
def _hints(kind: type) -> dict[str, Any]:
    return get_type_hints(kind)


def _built(kind: type, values: Mapping[str, Any], where: str, **given: Any) -> Any:
    """A dataclass of these values, each checked against its field's type."""
    hints = _hints(kind)
    known = {
        f.name: _value(hints[f.name], values[f.name], f"{where}.{f.name}")
        for f in fields(kind)
        if f.name in values and f.name not in given
    }
    for f in fields(kind):
        if f.name not in known and f.name not in given and f.default is f.default_factory is MISSING:
            raise _WrongError(f"{where}.{f.name} is missing")
    return kind(**known, **given)


def _value(hint: Any, value: Any, where: str) -> Any:
    """The value as its type has it; lists become tuples, objects dataclasses."""
    origin = get_origin(hint)
    if origin in (Union, types.UnionType):
        options = get_args(hint)
        if value is None and type(None) in options:
            return None
        return _value(next(o for o in options if o is not type(None)), value, where)
    if origin is Literal:
        if not isinstance(value, str) or value not in get_args(hint):
            raise _WrongError(f"{where} is {_short(value)}, not one of {', '.join(get_args(hint))}")
        return value
    if origin is tuple:
        return _several(get_args(hint), value, where)
    if is_dataclass(hint) and isinstance(hint, type):
        if not isinstance(value, dict):
            raise _WrongError(f"{where} is {_short(value)}, not an object")
        return _built(hint, value, where)
    return _plain(hint, value, where)


def _several(options: tuple[Any, ...], value: Any, where: str) -> tuple[Any, ...]:
    if not isinstance(value, list):
        raise _WrongError(f"{where} is {_short(value)}, not a list")
    kinds: Iterable[Any] = options
    if options[-1] is Ellipsis:
        kinds = [options[0]] * len(value)
    elif len(options) != len(value):
        raise _WrongError(f"{where} holds {len(value)} values, not {len(options)}")
    return tuple(_value(kind, v, f"{where}[{k}]") for k, (kind, v) in enumerate(zip(kinds, value, strict=True)))


_NAMES = {float: "a number", int: "a whole number", str: "text", bool: "true or false"}


def _plain(hint: Any, value: Any, where: str) -> Any:
    if hint in (float, int) and isinstance(value, int | float) and not isinstance(value, bool):
        if not (math.isfinite(value) and abs(value) < LARGEST):
            raise _WrongError(f"{where} is {_short(value)}, which no measurement gives")
        if hint is float or value == int(value):
            return hint(value)
    elif hint in (str, bool) and isinstance(value, hint):
        return value
    raise _WrongError(f"{where} is {_short(value)}, not {_NAMES.get(hint, hint)}")


def _text_or_numbers(value: Any, where: str) -> dict[str, float | str]:
    if not isinstance(value, dict):
        raise _WrongError(f"{where} is {_short(value)}, not an object")
    return {k: v if isinstance(v, str) else _plain(float, v, f"{where}[{k!r}]") for k, v in value.items()}


def _list(data: Mapping[str, Any], name: str) -> list[Any]:
    value = data.get(name)
    if not isinstance(value, list):
        raise _WrongError(f"{name} is {_short(value)}, not a list")
    return value


def _plan(value: Any) -> Plan:
    if value is None:
        return Plan()
    try:
        return Plan.from_dict(value)
    except PlanError as error:
        raise _WrongError(f"the plan in it can't be used ({error})") from None


def _short(value: Any) -> str:
    if isinstance(value, int | float) and not isinstance(value, bool):
        return f"{value:.6g}" if abs(value) < LARGEST or isinstance(value, float) else "a huge number"
    text = repr(value) if isinstance(value, str | bool | type(None)) else f"a {type(value).__name__}"
    return text if len(text) <= 40 else f"{text[:37]}..."
