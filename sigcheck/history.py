"""Saved results of one station over nights and months: the trend, and the user's notes on it.

>>> history = read_history("results")                     # doctest: +SKIP
>>> [entry.rate_hz_per_min for entry in history.entries]  # doctest: +SKIP

Only what the results say is used, not the audio. A file that is damaged, foreign or from a newer
version is listed with its reason and skipped.
"""

from __future__ import annotations

import csv
import io
import json
import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np

from sigcheck.errors import ResultError, SettingError
from sigcheck.result import write_whole
from sigcheck.saved import load_result

# Each column of the trend: where it stands in a result.
COLUMNS: dict[str, tuple[str, str]] = {
    "tone_hz": ("signal", "tone_hz"),
    "carrier_hz": ("on_air", "carrier_hz"),
    "error_hz": ("on_air", "error_hz"),
    "rate_hz_per_min": ("drift", "rate_hz_per_min"),
    "level_dbfs": ("signal", "level_dbfs"),
    "cn0_dbhz": ("signal", "cn0_dbhz"),
    "sinad_db": ("purity", "sinad_db"),
    "thd_db": ("purity", "thd_db"),
    "pm_excess_rad": ("purity", "pm_excess_rad"),
    "rise_s": ("keying", "rise_s"),
    "chirp_hz": ("keying", "chirp_hz"),
}
_LONGEST_NOTE = 2000
_FEWEST = 4  # below it the interval of a slope says nothing
_MOST = 500  # so many, evenly taken, give the same slope
_Z95 = 1.96
_DAY_S = 86400.0


@dataclass(frozen=True)
class Entry:
    """One saved result on the time axis.

    ``start`` is None where neither file nor plan told it; ``values`` and ``sigmas`` go by `COLUMNS`,
    None where not measured. ``hum_dbc`` is the strongest sideband of the mains families.
    """

    file: str
    start: datetime | None
    recording: str
    verdict: str
    values: Mapping[str, float | None]
    sigmas: Mapping[str, float | None]
    hum_dbc: float | None
    faults: tuple[str, ...]
    noted: tuple[str, ...]  # ids of symptoms that are notes only
    cause: str
    probability: float | None
    notes: tuple[str, ...]


@dataclass(frozen=True)
class Trend:
    """Median slope per day with its 95 % interval."""

    per_day: float
    low: float
    high: float

    @property
    def certain(self) -> bool:
        """The interval leaves no doubt about the sign."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True)
class History:
    """All results of a folder, earliest first, those without a start time last by name.

    ``skipped`` are (file, reason).
    """

    folder: str
    entries: tuple[Entry, ...]
    skipped: tuple[tuple[str, str], ...]

    def trend(self, column: str) -> Trend | None:
        """How a column of `COLUMNS` moves per day: the median of the slopes between all pairs (Theil 1950, Sen 1968).

        One bad night does not turn it. None with fewer than four values or all at one time. Values
        that go together (slow wander) make the interval too narrow: it assumes independent ones.
        """
        at = [(e.start.timestamp() / _DAY_S, e.values[column]) for e in self.entries if e.start is not None]
        known = np.array([(t, v) for t, v in at if v is not None], float).reshape(-1, 2)
        known = known[np.linspace(0, len(known) - 1, min(len(known), _MOST)).astype(int)] if len(known) else known
        n = len(known)
        if n < _FEWEST:
            return None
        i, j = np.triu_indices(n, 1)
        step = known[j] - known[i]
        slopes = np.sort(step[step[:, 0] > 0, 1] / step[step[:, 0] > 0, 0])
        if slopes.size < _FEWEST:
            return None
        # Kendall's variance of the count of rising pairs gives the ranks that bound the slope.
        reach = _Z95 * np.sqrt(n * (n - 1) * (2 * n + 5) / 18)
        low, high = (slopes.size - reach) / 2, (slopes.size + reach) / 2
        if low < 0 or high > slopes.size - 1:
            return Trend(float(np.median(slopes)), float(slopes[0]), float(slopes[-1]))
        return Trend(float(np.median(slopes)), float(slopes[int(low)]), float(slopes[int(np.ceil(high))]))

    def to_csv(self) -> str:
        """One line a result (RFC 4180), SI units in the headings, empty where not measured."""
        out = io.StringIO()
        write = csv.writer(out, lineterminator="\r\n")
        numbers = [name for column in COLUMNS for name in (column, f"{column}_sigma")]
        write.writerow(
            ["start_utc", "recording", "file", "verdict", *numbers, "hum_sideband_dbc",
             "faults", "notes_on_limits", "cause", "probability", "notes"]
        )  # fmt: skip
        for e in self.entries:
            cells = [v for c in COLUMNS for v in (e.values[c], e.sigmas[c])]
            write.writerow(
                ["" if e.start is None else _utc(e.start), _inert(e.recording), _inert(e.file), e.verdict, *cells,
                 e.hum_dbc, " ".join(e.faults), " ".join(e.noted), _inert(e.cause), e.probability,
                 _inert("; ".join(e.notes))]
            )  # fmt: skip
        return out.getvalue()

    def save_csv(self, path: str | os.PathLike[str]) -> None:
        """Write the CSV, whole or not at all.

        Raises
        ------
        SaveError : the file cannot be written.
        """
        write_whole(path, self.to_csv().encode())

    def _repr_html_(self) -> str:
        from sigcheck.report.history_page import history_card

        return history_card(self)


def read_history(folder: str | os.PathLike[str]) -> History:
    """Read every saved result (``*.json``) of a folder and of those in it.

    Raises
    ------
    SettingError : no such folder.
    """
    root = Path(folder)
    if not root.is_dir():
        raise SettingError(f"{root}: no such folder; give the one that holds saved results")
    entries: list[Entry] = []
    skipped: list[tuple[str, str]] = []
    for path in _files(root):
        name = path.relative_to(root).as_posix()
        try:
            data = load_result(path).data
            entries.append(_entry(name, data))
        except ResultError as error:
            skipped.append((name, _other_kind(path) or str(error).removeprefix(f"{path}: ")))
    entries.sort(key=lambda e: (e.start is None, e.start or datetime.min.replace(tzinfo=UTC), e.file))
    return History(str(root), tuple(entries), tuple(skipped))


def add_note(path: str | os.PathLike[str], text: str) -> None:
    """Put a note of the user's into a saved result.

    Raises
    ------
    ResultError : the file is no saved result.
    SettingError : the note is empty or longer than 2000 characters.
    SaveError : the file cannot be written.
    """
    words = " ".join(text.split())
    if not words or len(words) > _LONGEST_NOTE:
        raise SettingError(f"a note has 1 to {_LONGEST_NOTE} characters, this has {len(words)}")
    data = dict(load_result(path).data)
    data["notes"] = [*_texts(data.get("notes")), words]
    write_whole(path, (json.dumps(data, indent=1, allow_nan=False) + "\n").encode())


def _files(root: Path) -> Iterator[Path]:
    for folder, folders, names in os.walk(root):
        folders.sort()
        yield from (Path(folder) / n for n in sorted(names) if n.endswith(".json") and not n.endswith(".truth.json"))


def _other_kind(path: Path) -> str | None:
    """What a file is that this tool wrote, but not of one recording; None of any other."""
    try:
        data = json.loads(path.read_bytes())
    except (OSError, ValueError, RecursionError):
        return None
    if isinstance(data, dict) and "before" in data and "after" in data:
        return "a comparison of two recordings"
    if isinstance(data, dict) and "recordings" in data and "per_slot_hz" in data:
        return "the drift over several recordings"
    return None


def _entry(name: str, data: Mapping[str, Any]) -> Entry:
    def number(section: str, key: str) -> float | None:
        value = (data.get(section) or {}).get(key)
        return float(value) if isinstance(value, int | float) and not isinstance(value, bool) else None

    symptoms = data.get("symptoms") or ()
    causes = data.get("causes") or ()
    first = causes[0] if isinstance(causes, list) and causes and isinstance(causes[0], Mapping) else {}
    hum = [s["level_dbc"] for s in data.get("sidebands") or () if s.get("family") in ("mains", "twice-mains")]
    recording = data.get("recording") or {}
    return Entry(
        file=name,
        start=_moment(recording.get("start_utc")),
        recording=Path(str(recording.get("path") or name)).name,
        verdict=str(data.get("verdict")),
        values={c: number(*place) for c, place in COLUMNS.items()},
        sigmas={c: number(place[0], f"{place[1]}_sigma") for c, place in COLUMNS.items()},
        hum_dbc=max(hum, default=None),
        faults=tuple(s["id"] for s in symptoms if s["severity"] == "fault"),
        noted=tuple(s["id"] for s in symptoms if s["severity"] == "note"),
        cause=str(first.get("text") or ""),
        probability=first.get("probability") if isinstance(first.get("probability"), float | int) else None,
        notes=tuple(_texts(data.get("notes"))),
    )


def _texts(value: Any) -> list[str]:
    return [t for t in value if isinstance(t, str)] if isinstance(value, list) else []


def _moment(text: Any) -> datetime | None:
    try:
        moment = datetime.fromisoformat(text)
        # Without a zone it is no UTC, and a guess would move it by hours.
        return moment.astimezone(UTC) if moment.tzinfo is not None else None
    except (TypeError, ValueError, OverflowError):
        return None


def _utc(moment: datetime) -> str:
    return moment.isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _inert(text: str) -> str:
    """Text that a spreadsheet takes as text: a leading = + - @ would be run as a formula."""
    return f"'{text}" if text[:1] in ("=", "+", "-", "@", "\t", "\r") else text
