"""Saved results in order: read, skipped with the reason, noted on, their slope, table and page."""

from __future__ import annotations

import csv
import io
import json
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from sigcheck.cli import run
from sigcheck.errors import ResultError, SettingError
from sigcheck.history import COLUMNS, History, add_note, read_history
from sigcheck.report.history_page import headline, render_history
from sigcheck.report.terminal import history_summary

START = datetime(2026, 10, 28, 18, 0, tzinfo=UTC)
EVIL = "<img src=x onerror=alert(1)>"


def saved(hours: float | None, **changes: Any) -> dict[str, Any]:
    """The least that a result of schema 1 holds."""
    start = None if hours is None else (START + timedelta(hours=hours)).isoformat().replace("+00:00", "Z")
    return {
        "schema": 1,
        "recording": {"path": "shed.flac", "start_utc": start, "sample_rate_hz": 8000.0, "duration_s": 30.0},
        "signal": {"kind": "keyed", "tone_hz": 700.0, "tone_hz_sigma": 0.05, "level_dbfs": -14.0},
        "symptoms": [],
        "causes": [],
        "verdict": "clean",
        "not_measured": {},
        "notes": [],
        "plan": None,
        "version": "0.1.0",
    } | changes


FAULT = {"id": "hum-sidebands", "severity": "fault", "value": -28.0, "sigma": 0.3, "unit": "dBc", "limit": -40.0,
         "text": "sidebands at 100 Hz"}  # fmt: skip


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    def put(name: str, data: dict[str, Any]) -> None:
        (tmp_path / name).write_text(json.dumps(data))

    put("b.json", saved(12.0, notes=[f"on battery {EVIL}"]))
    put("a.json", saved(24.0, verdict="faulty", symptoms=[FAULT]))
    put("undated.json", saved(None))
    (tmp_path / "later").mkdir()
    put("later/c.json", saved(0.0))
    (tmp_path / "torn.json").write_text('{"schema": 1, "signal": ')
    put("newer.json", saved(1.0, schema=9))
    put("other.json", {"name": "no result"})
    put("a-to-b.json", {"schema": 1, "before": {}, "after": {}, "changes": []})
    put("shed.truth.json", {"what": "the truth beside a sample"})
    return tmp_path


def test_results_stand_in_the_order_of_time_those_without_one_last(folder: Path) -> None:
    history = read_history(folder)
    assert [e.file for e in history.entries] == ["later/c.json", "b.json", "a.json", "undated.json"]


def test_what_can_not_be_read_is_named_with_its_reason(folder: Path) -> None:
    skipped = dict(read_history(folder).skipped)
    assert set(skipped) == {"torn.json", "newer.json", "other.json", "a-to-b.json"}
    assert "no JSON" in skipped["torn.json"]
    assert "newer version" in skipped["newer.json"]
    assert skipped["a-to-b.json"] == "a comparison of two recordings"
    assert "no result of sigcheck" in skipped["other.json"]


@pytest.mark.parametrize("start", ["0001-01-01T00:00:00+14:00", "2026-11-01T10:00:00", "yesterday", 5, []])
def test_a_start_time_that_is_none_is_no_start_time(tmp_path: Path, start: Any) -> None:
    result = saved(0.0)
    result["recording"]["start_utc"] = start
    (tmp_path / "a.json").write_text(json.dumps(result))
    assert [e.start for e in read_history(tmp_path).entries] == [None]


def test_a_note_is_added_and_everything_else_kept(folder: Path) -> None:
    before = json.loads((folder / "a.json").read_text())
    assert run(["history", "note", str(folder / "a.json"), "new  capacitor\n22 nF"]) == 0
    after = json.loads((folder / "a.json").read_text())
    assert after == before | {"notes": ["new capacitor 22 nF"]}


@pytest.mark.parametrize("text", ["", "  \n", "x" * 2001])
def test_a_note_that_says_nothing_or_too_much_is_refused(folder: Path, text: str) -> None:
    with pytest.raises(SettingError, match="1 to 2000"):
        add_note(folder / "a.json", text)


def test_no_note_in_a_file_that_is_no_result(folder: Path) -> None:
    with pytest.raises(ResultError):
        add_note(folder / "torn.json", "on battery")
    assert (folder / "torn.json").read_text() == '{"schema": 1, "signal": '


def test_table_has_a_line_a_result_and_runs_no_formula(folder: Path) -> None:
    add_note(folder / "a.json", "=HYPERLINK(0)")
    rows = list(csv.DictReader(io.StringIO(read_history(folder).to_csv())))
    assert [r["file"] for r in rows] == ["later/c.json", "b.json", "a.json", "undated.json"]
    assert rows[0]["start_utc"] == "2026-10-28T18:00:00.000Z" and float(rows[0]["tone_hz"]) == 700.0
    assert rows[0]["rate_hz_per_min"] == ""  # not measured
    assert rows[2]["faults"] == "hum-sidebands" and rows[2]["notes"] == "'=HYPERLINK(0)"
    assert rows[3]["start_utc"] == ""


def history_of(values: np.ndarray, days: np.ndarray, folder: Path) -> History:
    for k, (day, hz) in enumerate(zip(days, values, strict=True)):
        data = saved(24.0 * day, signal={"kind": "keyed", "tone_hz": float(hz)})
        (folder / f"{k:03}.json").write_text(json.dumps(data))
    return read_history(folder)


def test_slope_of_a_straight_line_is_exact_and_one_wild_night_does_not_turn_it(tmp_path: Path) -> None:
    days = np.arange(20.0)
    values = 700.0 + 0.25 * days
    values[7] += 80.0
    trend = history_of(values, days, tmp_path).trend("tone_hz")
    assert trend is not None and trend.certain
    assert trend.per_day == pytest.approx(0.25, abs=1e-6)  # start times have milliseconds


def test_slope_agrees_with_an_independent_library(tmp_path: Path) -> None:
    """`scipy.stats.theilslopes`: the same estimator and Sen's interval (JASA 63, 1968)."""
    from scipy.stats import theilslopes

    rng = np.random.default_rng(4)
    days = np.sort(rng.uniform(0, 30, 25))
    values = 700.0 + 0.1 * days + rng.normal(0, 1.0, 25)
    trend = history_of(values, days, tmp_path).trend("tone_hz")
    other = theilslopes(values, days, alpha=0.95)
    assert trend is not None
    assert trend.per_day == pytest.approx(other.slope, rel=1e-6)
    # Either may round a rank of 300 slopes to its neighbour.
    slopes = np.sort([(values[j] - values[i]) / (days[j] - days[i]) for i in range(25) for j in range(i + 1, 25)])
    for ours, theirs in ((trend.low, other.low_slope), (trend.high, other.high_slope)):
        assert abs(int(np.abs(slopes - ours).argmin()) - int(np.abs(slopes - theirs).argmin())) <= 1


def test_too_few_nights_have_no_slope(folder: Path) -> None:
    assert all(read_history(folder).trend(column) is None for column in COLUMNS)


def test_page_marks_faults_and_notes_and_lets_no_markup_in(folder: Path) -> None:
    history = read_history(folder)
    page = render_history(history)
    assert "Faulty in 1 of 4 recordings. Most often: hum on the tone (1)." in page
    assert EVIL not in page and "&lt;img src=x" in page
    for phrase in ("2026-10-29 06:00:00 UTC", "newer version", "Dotted: your notes", "compliance test", "1 without a"):
        assert phrase in page


def test_terminal_says_the_same(folder: Path) -> None:
    history = read_history(folder)
    text = history_summary(history, width=200)
    assert text.startswith(headline(history))
    assert "fault hum on the tone: 1 of 4" in text and "skipped torn.json" in text


def test_an_empty_folder_and_none_at_all(tmp_path: Path) -> None:
    assert "No results to read here" in render_history(read_history(tmp_path))
    with pytest.raises(SettingError, match="no such folder"):
        read_history(tmp_path / "none")


def test_command_writes_page_and_table(folder: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "out"
    assert run(["history", str(folder), "--out", str(out)]) == 0
    assert {p.name for p in out.iterdir()} == {"history.html", "history.csv"}
    assert run(["history", str(folder), "--csv", "-"]) == 0
    assert "\n2026-10-28T18:00:00.000Z,shed.flac,later/c.json,clean,700.0," in capsys.readouterr().out
