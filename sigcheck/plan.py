"""What was meant to be sent and how it was received: the plan.

A plan is a TOML file or a mapping of the same shape. Every key is optional, and what is absent is
unknown (None), never 0. ::

    [sent]                     # [[sent]] several times where the recording holds several
    keying = "cw"              # steady, cw, qrss, fskcw, dfcw or four-tone
    text = "VVV DE Q5KAP"
    speed_wpm = 15             # cw
    dit_s = 3.0                # qrss, fskcw, dfcw
    shift_hz = 4.0             # fskcw, dfcw
    symbols = [3, 1, 0, 2]     # four-tone
    [carrier]
    hz = 10140070.0            # where it should be on the air
    reference_hz = 25000000.0  # the reference that its synthesiser was told
    power_w = 0.2
    [timing]
    repeat_s = 120             # a transmission starts every so many seconds of the hour ...
    after_s = 1.0              # ... and this much later
    [receiver]
    dial_hz = 10138700.0
    sideband = "usb"           # usb or lsb
    error_ppm = 0.8
    error_ppm_sigma = 0.1
    gain_control = true
    noise_reduction = false
    [recorder]
    start_utc = 2026-11-01T10:02:00.250Z
    start_utc_sigma_s = 0.3
    sample_rate_error_ppm = -12.3
    sample_rate_error_ppm_sigma = 0.5
    [mains]
    hz = 50.0
    [chain]                    # what receiver and recorder add of their own, as `sigcheck calibrate --save` found it
    level_dbfs = -14.0         # of the clean tone that it was measured with
    hum_dbfs = -71.0           # strongest additive mains line
    hum_hz = 50.0
    sideband_hz = [50.0, 100.0]
    sideband_dbc = [-61.0, -55.0]
    skirt_hz = [20.0, 100.0]
    skirt_dbc_hz = [-70.0, -78.0]
    thd_db = -42.0
    rasp_dbc = -48.0
    pm_excess_rad = 0.004
    passband_hz = [310.0, 2680.0]
    gain_recovery_db = 12.0    # rise of the noise through a gap of the signal, and how long it takes
    gain_recovery_s = 0.2
    [limits]                   # any limit of a symptom, see `sigcheck.judge.limits`
    hum-sidebands = { note = -70, fault = -50 }

Each field below carries its own rule, so that the table of keys, the checks and the errors can't
drift apart.
"""

from __future__ import annotations

import os
import tomllib
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, fields
from datetime import UTC, datetime
from difflib import get_close_matches
from types import MappingProxyType
from typing import Any, Literal, TypeVar, get_args

from sigcheck.errors import PlanError
from sigcheck.plan_contradictions import contradictions

KeyingMode = Literal["steady", "cw", "qrss", "fskcw", "dfcw", "four-tone"]
Sideband = Literal["usb", "lsb"]

KEYING_MODES: tuple[str, ...] = get_args(KeyingMode)
SLOW_MODES: tuple[KeyingMode, ...] = ("qrss", "fskcw", "dfcw")
SHIFTED_MODES: tuple[KeyingMode, ...] = ("fskcw", "dfcw")

# The keys of [sent] that mean something for each keying.
_USED: dict[KeyingMode, tuple[str, ...]] = {
    "steady": (),
    "cw": ("text", "speed_wpm"),
    "qrss": ("text", "dit_s"),
    "fskcw": ("text", "dit_s", "shift_hz"),
    "dfcw": ("text", "dit_s", "shift_hz"),
    "four-tone": ("text", "symbols"),
}

RECEIVER_SIGMA_PPM = 10.0  # an uncalibrated crystal: common practice, no source
RECORDER_SIGMA_PPM = 50.0  # an uncalibrated sound card: common practice, no source


@dataclass(frozen=True)
class _Rule:
    """What a key may hold: ``read`` turns the given value into the kept one or raises ValueError."""

    example: str
    read: Callable[[Any], Any]


def _rule(example: str, read: Callable[[Any], Any]) -> Any:
    return field(default=None, metadata={"rule": _Rule(example, read)})


def _number(example: str, low: float, high: float, *, open_low: bool = False) -> Any:
    def read(value: Any) -> float:
        if isinstance(value, bool) or not isinstance(value, int | float):
            raise ValueError("needs a number")
        # Compared before the conversion: a whole number in TOML may be too long for a float.
        if not (low < value if open_low else low <= value) or not value <= high:
            between = f"above {low:g} and up to {high:g}" if open_low else f"from {low:g} to {high:g}"
            raise ValueError(f"needs a number {between}")
        return float(value)

    return _rule(example, read)


def _choice(example: str, choices: Sequence[str]) -> Any:
    def read(value: Any) -> str:
        if not isinstance(value, str) or value not in choices:
            near = get_close_matches(str(value).lower(), choices, n=1)
            hint = f" (did you mean {near[0]!r}?)" if near else ""
            raise ValueError(f"needs one of {', '.join(choices)}{hint}")
        return value

    return _rule(f'"{example}"', read)


def _read_switch(value: Any) -> bool:
    if not isinstance(value, bool):
        raise ValueError("needs true or false, without quotes")
    return value


def _read_text(value: Any) -> str:
    if not isinstance(value, str) or not value.strip():
        raise ValueError("needs a text in quotes")
    return " ".join(value.split())


def _read_symbols(value: Any) -> tuple[int, ...]:
    if not isinstance(value, list | tuple) or not value:
        raise ValueError("needs a list of tones")
    if any(isinstance(s, bool) or not isinstance(s, int) or not 0 <= s <= 3 for s in value):
        raise ValueError("needs a list of the tones 0, 1, 2 or 3")
    return tuple(value)


def _read_moment(value: Any) -> datetime:
    if isinstance(value, str):  # as in a saved result
        try:
            value = datetime.fromisoformat(value)
        except ValueError:
            raise ValueError("needs a date and time") from None
    if not isinstance(value, datetime):
        raise ValueError("needs a date and time")
    if value.tzinfo is None:
        raise ValueError("has no zone; end it with Z where it is UTC")
    try:
        return value.astimezone(UTC)
    except OverflowError:
        raise ValueError("lies outside the calendar") from None


def _numbers(example: str, low: float, high: float, *, count: int | None = None) -> Any:
    def read(value: Any) -> tuple[float, ...]:
        if not isinstance(value, list | tuple) or len(value) > 1000 or (count is not None and len(value) != count):
            raise ValueError(f"needs a list of {'numbers' if count is None else f'{count} numbers'}")
        if any(isinstance(v, bool) or not isinstance(v, int | float) or not low <= v <= high for v in value):
            raise ValueError(f"needs numbers from {low:g} to {high:g}")
        return tuple(float(v) for v in value)

    return _rule(example, read)


@dataclass(frozen=True, kw_only=True)
class Sent:
    """One transmission as it was meant to be."""

    keying: KeyingMode | None = _choice("cw", KEYING_MODES)
    text: str | None = _rule('"VVV DE Q5KAP"', _read_text)
    speed_wpm: float | None = _number("15", 1, 100)
    dit_s: float | None = _number("3.0", 0, 600, open_low=True)
    shift_hz: float | None = _number("4.0", 0, 2000, open_low=True)
    symbols: tuple[int, ...] | None = _rule("[3, 1, 0, 2]", _read_symbols)

    @property
    def planned_dit_s(self) -> float | None:
        """Length of a dit in seconds, from the speed (PARIS: 1.2 / WPM) or, in slow modes, ``dit_s``."""
        from_speed = None if self.speed_wpm is None else 1.2 / self.speed_wpm
        if self.keying == "cw":
            return from_speed
        if self.keying in SLOW_MODES:
            return self.dit_s
        return None if self.keying else from_speed or self.dit_s

    @property
    def unused(self) -> tuple[str, ...]:
        """The keys that say nothing for this keying: ``dit_s`` of ``cw``, ``shift_hz`` of ``qrss`` ..."""
        if self.keying is None:
            return ()
        return tuple(key for key in _known(self) if key != "keying" and key not in _USED[self.keying])


@dataclass(frozen=True, kw_only=True)
class Carrier:
    """Where and how strongly the transmitter should be on the air."""

    hz: float | None = _number("10140070.0", 5e3, 3e11)
    reference_hz: float | None = _number("25000000.0", 1e3, 3e10)
    power_w: float | None = _number("0.2", 0, 1e4, open_low=True)


@dataclass(frozen=True, kw_only=True)
class Timing:
    """When a transmission starts: every ``repeat_s`` of the hour, and ``after_s`` later."""

    repeat_s: float | None = _number("120", 0, 86400, open_low=True)
    after_s: float | None = _number("1.0", 0, 86400)


@dataclass(frozen=True, kw_only=True)
class Receiver:
    """How the receiver was set."""

    dial_hz: float | None = _number("10138700.0", 0, 3e11)
    sideband: Sideband | None = _choice("usb", get_args(Sideband))
    error_ppm: float | None = _number("0.8", -1000, 1000)
    error_ppm_sigma: float | None = _number("0.1", 0, 1000, open_low=True)
    gain_control: bool | None = _rule("true", _read_switch)
    noise_reduction: bool | None = _rule("false", _read_switch)

    def dial_error(self) -> tuple[float, float]:
        """Error of the dial and its sigma in ppm: the calibration, or 0 with that of a plain crystal."""
        return _calibrated(self.error_ppm, self.error_ppm_sigma, RECEIVER_SIGMA_PPM)


@dataclass(frozen=True, kw_only=True)
class Recorder:
    """The recorder's clocks."""

    start_utc: datetime | None = _rule("2026-11-01T10:02:00Z", _read_moment)
    start_utc_sigma_s: float | None = _number("0.3", 0, 86400, open_low=True)
    sample_rate_error_ppm: float | None = _number("-12.3", -1e4, 1e4)
    sample_rate_error_ppm_sigma: float | None = _number("0.5", 0, 1e4, open_low=True)

    def rate_error(self) -> tuple[float, float]:
        """Error of the sample rate and its sigma in ppm, likewise."""
        return _calibrated(self.sample_rate_error_ppm, self.sample_rate_error_ppm_sigma, RECORDER_SIGMA_PPM)


@dataclass(frozen=True, kw_only=True)
class Mains:
    """The mains where the recording was made."""

    hz: float | None = _number("50.0", 10, 500)


@dataclass(frozen=True, kw_only=True)
class Chain:
    """What receiver and recorder add of their own: found with a clean tone, taken off what they are used for later."""

    level_dbfs: float | None = _number("-14.0", -200, 20)
    hum_dbfs: float | None = _number("-71.0", -200, 20)
    hum_hz: float | None = _number("50.0", 10, 20e3)
    sideband_hz: tuple[float, ...] | None = _numbers("[50.0, 100.0]", 0, 20e3)
    sideband_dbc: tuple[float, ...] | None = _numbers("[-61.0, -55.0]", -200, 20)
    skirt_hz: tuple[float, ...] | None = _numbers("[20.0, 100.0]", 0, 20e3)
    skirt_dbc_hz: tuple[float, ...] | None = _numbers("[-70.0, -78.0]", -250, 20)
    thd_db: float | None = _number("-42.0", -200, 20)
    rasp_dbc: float | None = _number("-48.0", -200, 20)
    pm_excess_rad: float | None = _number("0.004", 0, 10)
    passband_hz: tuple[float, ...] | None = _numbers("[310.0, 2680.0]", 0, 96e3, count=2)
    gain_recovery_db: float | None = _number("12.0", -20, 150)
    gain_recovery_s: float | None = _number("0.2", 0, 60)


Limits = Mapping[str, tuple[float | None, float | None]]
"""Symptom id -> (note, fault); None keeps the usual limit."""


@dataclass(frozen=True, kw_only=True)
class Plan:
    """The whole plan. A section that is absent is there with all its keys None."""

    sent: tuple[Sent, ...] = ()
    carrier: Carrier = Carrier()
    timing: Timing = Timing()
    receiver: Receiver = Receiver()
    recorder: Recorder = Recorder()
    mains: Mains = Mains()
    chain: Chain = Chain()
    limits: Limits = field(default_factory=lambda: MappingProxyType({}))

    @property
    def main(self) -> Sent:
        """The transmission that the plan names first; all unknown where it names none."""
        return self.sent[0] if self.sent else Sent()

    @property
    def tone_hz(self) -> float | None:
        """The audio frequency that carrier, dial and sideband make, None where one is unknown."""
        hz, dial, side = self.carrier.hz, self.receiver.dial_hz, self.receiver.sideband
        if hz is None or dial is None or side is None:
            return None
        return hz - dial if side == "usb" else dial - hz

    @classmethod
    def from_dict(cls, tables: Mapping[str, Any]) -> Plan:
        """Make a plan of what a TOML or JSON file holds.

        Raises
        ------
        PlanError : an unknown key (the nearest known one is named), a value of the wrong type or
            out of range (with an example), or keys that contradict each other.
        """
        if not isinstance(tables, Mapping):
            raise PlanError("a plan holds sections such as [sent] and [receiver], not a single value")
        _refuse_unknown("", tables, (*_SECTIONS, "sent", "limits"))
        sections: dict[str, Any] = {
            name: _read_section(name, cls_, tables.get(name, {})) for name, cls_ in _SECTIONS.items()
        }
        plan = cls(
            sent=_read_sent(tables.get("sent", [])),
            limits=_read_limits(tables.get("limits", {})),
            **sections,
        )
        for fault in contradictions(plan):
            raise PlanError(fault)
        return plan

    def to_dict(self) -> dict[str, Any]:
        """The plan as plain values that JSON can hold; only the keys that are known."""
        out: dict[str, Any] = {}
        if self.sent:
            out["sent"] = [_known(one) for one in self.sent]
        for name in _SECTIONS:
            if known := _known(getattr(self, name)):
                out[name] = known
        if self.limits:
            out["limits"] = {
                row: {k: v for k, v in zip(("note", "fault"), pair, strict=True) if v is not None}
                for row, pair in self.limits.items()
            }
        return out


_SECTIONS: dict[str, type] = {
    "carrier": Carrier,
    "timing": Timing,
    "receiver": Receiver,
    "recorder": Recorder,
    "mains": Mains,
    "chain": Chain,
}


def load_plan(path: str | os.PathLike[str]) -> Plan:
    """Read a plan from a TOML file.

    Raises
    ------
    PlanError : the file can't be read, is not TOML, or holds something wrong; the file is named.
    """
    shown, tables = _tables(path)
    try:
        return Plan.from_dict(tables)
    except PlanError as error:
        raise PlanError(f"{shown}: {error}") from None


def plan_faults(path: str | os.PathLike[str]) -> tuple[str, ...]:
    """Everything that is wrong in a TOML file as a plan, a line each; none where it is one.

    Raises
    ------
    PlanError : the file can't be read or is not TOML.
    """
    shown, tables = _tables(path)
    faults: list[str] = []
    good: dict[str, Any] = {}
    for name, table in tables.items():
        wrong, good[name] = _sorted_out(name, table)
        faults += wrong
    sections: dict[str, Any] = {n: _read_section(n, cls, good.get(n) or {}) for n, cls in _SECTIONS.items()}
    faults += contradictions(Plan(sent=_read_sent(good.get("sent") or []), **sections))
    return tuple(f"{shown}: {fault}" for fault in faults)


def _sorted_out(name: str, table: Any) -> tuple[list[str], Any]:
    """What is wrong in a section, key by key, and the rest of it."""
    if isinstance(table, list | tuple) and name == "sent":
        each = [_sorted_out(name, one) for one in table]
        return [fault for wrong, _ in each for fault in wrong], [rest for _, rest in each if rest]
    faults: list[str] = []
    rest: dict[str, Any] = {}
    parts = [{key: value} for key, value in table.items()] if isinstance(table, Mapping) else [table]
    for part in parts:
        try:
            _refuse_unknown("", {name: part}, (*_SECTIONS, "sent", "limits"))
            if name == "limits":
                _read_limits(part)
            else:
                _read_section(name, _SECTIONS.get(name, Sent), part)
            rest |= part
        except PlanError as error:
            if str(error) not in faults:
                faults.append(str(error))
    return faults, rest


def _tables(path: str | os.PathLike[str]) -> tuple[str, dict[str, Any]]:
    """The file's name as it can be shown, and what it holds."""
    name = os.fspath(path)
    shown = "".join(c if c.isprintable() else "?" for c in os.fsdecode(name))
    try:
        with open(name, "rb") as file:
            return shown, tomllib.load(file)
    except FileNotFoundError:
        raise PlanError(f"{shown}: no such file; check the name of the plan") from None
    except (OSError, ValueError, RecursionError) as error:
        # ValueError: not TOML, not UTF-8, or a name that no file can have.
        reason = getattr(error, "strerror", None) or " ".join(str(error).split())[:160]
        raise PlanError(
            f"{shown}: is no plan that can be read ({reason}); write it as TOML in UTF-8"
        ) from None


# --- reading ---------------------------------------------------------------------------------

_S = TypeVar("_S")


def _read_section(name: str, section: type[_S], table: Any) -> _S:
    if not isinstance(table, Mapping):
        raise PlanError(f"{name} is a section: write [{name}] on a line of its own, its keys below")
    rules: dict[str, _Rule] = {f.name: f.metadata["rule"] for f in fields(section)}  # type: ignore[arg-type]
    _refuse_unknown(name, table, rules)
    values = {}
    for key, value in table.items():
        try:
            values[key] = rules[key].read(value)
        except ValueError as error:
            raise PlanError(
                f"[{name}] {key} = {_short(value)}: {error}, for example {key} = {rules[key].example}"
            ) from None
    return section(**values)


def _read_sent(table: Any) -> tuple[Sent, ...]:
    tables = [table] if isinstance(table, Mapping) else table
    if not isinstance(tables, list | tuple):
        raise PlanError("sent is a section: write [sent] on a line of its own, its keys below")
    return tuple(_read_section("sent", Sent, one) for one in tables)


def _read_limits(table: Any) -> Limits:
    """Which symptoms there are is the judge's to know; here only the shape is checked."""
    if not isinstance(table, Mapping):
        raise PlanError("limits is a section: write [limits] on a line of its own, its keys below")
    limits = {}
    for row, pair in table.items():
        example = f"for example {_short(row, quoted=False)} = {{ note = -70, fault = -50 }}"
        if not isinstance(pair, Mapping) or not pair:
            raise PlanError(f"[limits] {row} = {_short(pair)}: needs a note, a fault or both, {example}")
        _refuse_unknown(f"limits.{row}", pair, ("note", "fault"))
        for value in pair.values():
            number = isinstance(value, int | float) and not isinstance(value, bool)
            if not number or not abs(value) < 1e15:  # nothing measured lies beyond
                raise PlanError(f"[limits] {row}: {_short(value)} is no limit; needs a number, {example}")
        limits[row] = tuple(None if pair.get(k) is None else float(pair[k]) for k in ("note", "fault"))
    return MappingProxyType(limits)  # type: ignore[arg-type]


def _refuse_unknown(section: str, table: Mapping[str, Any], known: Any) -> None:
    for key in table:
        if key in known:
            continue
        where = f"[{section}] {_short(key, quoted=False)}" if section else _short(key, quoted=False)
        raise PlanError(f"{where}: no such key; did you mean {_nearest(str(key), section, known)}?")


def _nearest(key: str, section: str, known: Any) -> str:
    """The known key most like this one: in its own section, or else in any other."""
    own = get_close_matches(key, known, n=1, cutoff=0.7)
    if own:
        return own[0] if section else f"[{own[0]}]"
    homes = {f.name: name for name, cls in (("sent", Sent), *_SECTIONS.items()) for f in fields(cls)}
    other = get_close_matches(key, homes, n=1, cutoff=0.7)
    if other:
        return f"{other[0]} in [{homes[other[0]]}]"
    near = get_close_matches(key, known, n=1, cutoff=0.0)[0]
    return near if section else f"[{near}]"


def _short(value: Any, *, quoted: bool = True) -> str:
    """A value as TOML writes it, on one line and not long."""
    if isinstance(value, bool):
        text = str(value).lower()
    elif isinstance(value, str) and quoted:
        text = f'"{value}"'
    elif isinstance(value, int) and abs(value) > 10**60:  # Python refuses to write out very long ones
        text = f"{'-' if value < 0 else ''}1e60 or more"
    else:
        text = str(value)
    text = "".join(c if c.isprintable() else "?" for c in text)
    return text if len(text) <= 60 else text[:57] + "..."


def _known(section: Any) -> dict[str, Any]:
    values = {f.name: getattr(section, f.name) for f in fields(section)}
    return {key: _plain(value) for key, value in values.items() if value is not None}


def _plain(value: Any) -> Any:
    if isinstance(value, datetime):
        return value.isoformat().replace("+00:00", "Z")
    return list(value) if isinstance(value, tuple) else value


def _calibrated(error_ppm: float | None, sigma_ppm: float | None, usual_ppm: float) -> tuple[float, float]:
    return error_ppm or 0.0, usual_ppm if sigma_ppm is None else sigma_ppm
