"""``sigcheck drift`` from the outside: order, refusals, CSV, JSON, page."""

from __future__ import annotations

import csv
import io
import json
from collections.abc import Callable
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import pytest
import soundfile

from sigcheck.cli import run
from sigcheck.drift_series import Part, series_of
from sigcheck.errors import SettingError
from sigcheck.measure.results import Drift, TrackPoint
from sigcheck.report.drift_page import summary
from tests.measure.plain_audio import band_noise, keyed

RATE = 8000.0
Capture = pytest.CaptureFixture[str]


@pytest.fixture(scope="module")
def slots(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Three slots of 30 s, two minutes apart: 3 Hz/min throughout."""
    folder = tmp_path_factory.mktemp("slots")
    t = np.arange(round(30 * RATE)) / RATE
    for k in range(3):
        hz = 800 + 3.0 / 60 * (t + 120 * k)
        noise = band_noise(np.random.default_rng(k), t.size, RATE, 1e-7, 300, 2700)
        x = 0.2 * keyed(t, wpm=15) * np.cos(2 * np.pi * np.cumsum(hz) / RATE) + noise
        soundfile.write(folder / f"20261101T100{2 * k}00Z.flac", x, int(RATE), subtype="PCM_16")
    return folder


def files(slots: Path) -> list[str]:
    return [str(p) for p in sorted(slots.glob("*.flac"))]


def test_a_series_in_any_order(slots: Path, capfd: Capture) -> None:
    assert run(["drift", *reversed(files(slots)), "--json", "-"]) == 0
    said = json.loads(capfd.readouterr().out)
    starts = [r["start_utc"] for r in said["recordings"]]
    assert starts == sorted(starts)
    # start times in whole seconds: 0.29 s at 3 Hz/min are 0.014 Hz a recording
    assert 0.001 < said["rate_hz_per_min_sigma"] < 0.02
    assert said["rate_hz_per_min"] == pytest.approx(3.0, abs=4 * said["rate_hz_per_min_sigma"])
    assert said["per_slot_hz"] == pytest.approx(6.0, abs=4 * said["per_slot_hz_sigma"])
    assert said["slot_s"] == 120.0
    assert said["within_hz_per_min"] == pytest.approx(3.0, abs=5 * said["within_hz_per_min_sigma"])
    assert said["returns"] is False


def test_csv_has_the_track_with_the_time_of_day(slots: Path, capfd: Capture) -> None:
    assert run(["drift", *files(slots), "--csv", "-"]) == 0
    rows = list(csv.DictReader(io.StringIO(capfd.readouterr().out)))
    assert list(rows[0]) == ["time_utc", "time_s", "frequency_hz", "frequency_hz_sigma", "fitted_hz", "recording"]
    t, hz, sigma, fit = (np.array([float(r[c]) for r in rows]) for c in list(rows[0])[1:5])
    assert np.all(np.diff(t) > 0)
    assert rows[0]["time_utc"].startswith("2026-11-01T10:00:00")
    assert rows[-1]["time_utc"].startswith("2026-11-01T10:04:2")
    assert np.max(np.abs(fit - (800 + 3.0 / 60 * t))) < 0.01
    assert np.mean(np.abs(hz - fit) < 1.96 * sigma) > 0.85


def test_page_and_saved_results(slots: Path, tmp_path: Path, capfd: Capture) -> None:
    one, *_ = files(slots)
    saved = tmp_path / "20261101T100000Z.json"
    assert run(["diagnose", one, "--json", str(saved)]) == 0
    capfd.readouterr()
    assert run(["drift", str(saved), "--out", str(tmp_path)]) == 0
    out = capfd.readouterr().out
    assert "drifts steadily" in out
    page = (tmp_path / "20261101T100000Z-drift.html").read_text()
    assert "<svg" in page
    assert "time, UTC" in page
    assert "http://" not in page.replace("http://www.w3.org", "")
    assert (tmp_path / "20261101T100000Z-drift.csv").exists()
    said = json.loads((tmp_path / "20261101T100000Z-drift.json").read_text())
    assert said["slot_s"] is None
    assert "one recording" in said["not_measured"]["slot_s"]


def test_refusals_say_why(slots: Path, tmp_path: Path, capfd: Capture) -> None:
    first, second, _ = files(slots)
    nameless = tmp_path / "night.flac"
    nameless.write_bytes(Path(first).read_bytes())
    across = tmp_path / "20261101T100210Z.flac"
    across.write_bytes(Path(first).read_bytes())
    for arguments, why in (
        ([first, first], "the same recording"),
        ([first, str(nameless)], "start time is not known"),
        ([second, str(across)], "overlap by 20.0 s"),
        ([first, "absent.flac"], "no such file"),
        ([first, "--csv", "-", "--json", "-"], "can't both print"),
        ([first, "--csv", str(tmp_path / "absent" / "track.csv")], "track.csv: cannot be written (No such file"),
    ):
        assert run(["drift", *arguments]) == 2
        said = capfd.readouterr()
        assert why in said.err
        assert said.err.count("\n") == 1
        assert "--out" not in said.err
        assert not said.out


# --- the line through the parts, without audio ---------------------------------------------------


def part(minute: int, hz: float | None, *, rate: float = 0.0, sigma: float = 0.01, name: str = "") -> Part:
    track = tuple(TrackPoint(time_s=t, hz=(hz or 0.0) + rate / 60 * (t - 30), hz_sigma=0.1) for t in (10.0, 30.0, 50.0))
    return Part(
        file=name or f"{minute}.flac",
        start=datetime(2026, 11, 1, 10, minute, tzinfo=UTC),
        start_sigma_s=0.0,
        duration_s=60.0,
        sha256=f"{minute}",
        tone_hz=hz,
        tone_hz_sigma=None if hz is None else sigma,
        at_s=None if hz is None else 30.0,
        drift=Drift() if hz is None else Drift(rate_hz_per_min=rate, rate_hz_per_min_sigma=0.01, track=track),
        missing="no signal" if hz is None else None,
    )


def test_sigma_of_the_slope_is_that_of_least_squares() -> None:
    """Var slope = sigma^2 / sum (t - mean)^2; with scatter beyond the stated sigma, the scatter's."""
    minutes = np.arange(0, 20, 2)
    series = series_of([part(m, 800 + 0.5 * m) for m in minutes])
    by_hand = 0.01 / np.sqrt(np.sum((minutes - minutes.mean()) ** 2))
    assert series.rate_hz_per_min == pytest.approx(0.5)
    assert series.rate_hz_per_min_sigma == pytest.approx(by_hand)
    rng = np.random.default_rng(5)
    slopes, sigmas = [], []
    for _ in range(200):
        s = series_of([part(m, 800 + 0.5 * m + rng.normal(0, 0.3)) for m in minutes])
        assert s.rate_hz_per_min is not None and s.rate_hz_per_min_sigma is not None
        slopes.append(s.rate_hz_per_min - 0.5)
        sigmas.append(s.rate_hz_per_min_sigma)
    # 200 trials know their rms to 5 %; 8 degrees of freedom make single sigmas scatter by a quarter
    assert np.std(slopes) / np.sqrt(np.mean(np.square(sigmas))) == pytest.approx(1.0, abs=0.15)


def test_the_same_drift_in_every_slot_is_recognised() -> None:
    again: Callable[[int], Part] = lambda m: part(m, 800.0 + 0.01 * (m % 3), rate=3.0)  # noqa: E731
    assert series_of([again(m) for m in range(0, 12, 2)]).returns is True
    assert series_of([part(m, 800.0 + 3.0 * m, rate=3.0) for m in range(0, 12, 2)]).returns is False
    still = series_of([part(m, 800.0) for m in range(0, 12, 2)])
    assert still.returns is None
    assert dict(still.missing)["returns"]


def test_silent_recordings_are_passed_over_and_strangers_refused() -> None:
    series = series_of([part(0, 800.0), part(2, None), part(4, 800.4)])
    assert series.rate_hz_per_min == pytest.approx(0.1)
    with pytest.raises(SettingError, match="another signal"):
        series_of([part(0, 800.0), part(2, 1500.0)])
    alone = series_of([part(0, 800.0), part(2, None)])
    assert alone.rate_hz_per_min is None
    assert "fewer than two" in dict(alone.missing)["rate_hz_per_min"]


# --- the transmitter's clock ---------------------------------------------------------------------


def test_the_clock_is_told_from_the_starts() -> None:
    """0.1 s later every 10 minutes is 14.4 s a day; 0.5 s late at last, it passes 1 s after 50 minutes more."""
    parts = [replace(part(m, 800.0), late_s=0.01 * m, late_s_sigma=0.001) for m in range(0, 51, 10)]
    series = series_of(parts)
    assert series.clock is not None
    assert series.clock.s_per_day == pytest.approx(14.4)
    assert series.clock.leaves_utc == datetime(2026, 11, 1, 11, 40, tzinfo=UTC)
    said = summary(series)
    # sigma of a slope: sigma / sqrt(sum (t - mean)^2), t = 0, 10 ... 50 minutes
    assert series.clock.s_per_day_sigma == pytest.approx(0.001 * 1440 / np.sqrt(1750))
    assert "14.40 ± 0.03 s/day, it loses" in said
    assert "2026-11-01 11:40 UTC" in said
    assert json.loads(series.to_json())["clock"]["leaves_utc"] == "2026-11-01T11:40:00.000Z"


def test_an_unseen_clock_drift_gives_no_day() -> None:
    parts = [replace(part(m, 800.0), late_s=0.2, late_s_sigma=0.3) for m in range(0, 51, 10)]
    assert "no drift is seen yet" in summary(series_of(parts))
    outside = [replace(part(m, 800.0), late_s=1.4, late_s_sigma=0.01) for m in (0, 10)]
    assert "outside already" in summary(series_of(outside))
    assert "not measured" in summary(series_of([replace(part(0, 800.0), late_s=0.2), part(10, 800.0)]))
    assert "clock" not in summary(series_of([part(0, 800.0), part(10, 800.0)]))


def test_slots_with_a_plan_tell_the_clock(tmp_path: Path, capfd: Capture) -> None:
    """Starts 3.00, 3.05, 3.10 s into slots that should begin at 3 s: 0.05 s in 4 minutes are 18 s a day."""
    rate = 6000.0
    t = np.arange(round(40 * rate)) / rate
    for k in range(3):
        noise = band_noise(np.random.default_rng(k), t.size, rate, 1e-7, 300, 2700)
        begin = round((3.0 + 0.05 * k) * rate)
        sent = np.zeros(t.size)
        sent[begin:] = keyed(t[: t.size - begin], wpm=15)
        x = 0.2 * sent * np.cos(2 * np.pi * 800 * t) + noise
        soundfile.write(tmp_path / f"20261101T10{4 * k:02}00.000Z.flac", x, int(rate), subtype="PCM_16")
    plan = tmp_path / "shed.toml"
    plan.write_text("[timing]\nrepeat_s = 120\nafter_s = 3.0\n")
    assert run(["drift", *files(tmp_path), "--plan", str(plan), "--json", "-"]) == 0
    clock = json.loads(capfd.readouterr().out)["clock"]
    # the contact before the tone and the edge's own place are alike in all three
    assert clock["late_s"] == pytest.approx(0.1, abs=0.03)
    # an edge at 15 WPM is placed to some 5 ms, over 8 minutes
    assert clock["s_per_day"] == pytest.approx(18.0, abs=0.005 * np.sqrt(2) * 86400 / 480)
    # start times from names are those of a clock read to the second: the sigma says so
    assert clock["s_per_day_sigma"] > 20.0
