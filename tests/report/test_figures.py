"""Figures: one SVG each, text as text, the page's colours, and no trace left in the library."""

from __future__ import annotations

import subprocess
import sys
import xml.etree.ElementTree as ET

import matplotlib
import numpy as np
import pytest
from examples_for_report import faulty, no_signal, silent_views, views

from sigcheck.measure.views import Views
from sigcheck.report import figures
from sigcheck.report.figures import Mark
from sigcheck.report.pictures import PICTURE_TITLES, pictures

SVG = "{http://www.w3.org/2000/svg}"


def texts(svg: str) -> list[str]:
    return ["".join(t.itertext()).strip() for t in ET.fromstring(svg).iter(f"{SVG}text")]


@pytest.fixture(scope="module")
def drawn() -> dict[str, str]:
    made, missing = pictures(faulty(), views())
    assert missing == []
    return {p.name: p.svg for p in made}


def test_each_picture_is_one_svg_with_readable_text(drawn: dict[str, str]) -> None:
    # The steady level would be a straight line, and there is neither a slot nor a shift.
    assert len(drawn) == len(PICTURE_TITLES) - 3
    for name, svg in drawn.items():
        root = ET.fromstring(svg)
        assert root.tag == f"{SVG}svg" and root.get("viewBox"), name
        assert root.get("width") is None and root.get("height") is None  # the page sets the size
        assert len(texts(svg)) > 5, name
        assert not {e.tag for e in root.iter()} & {f"{SVG}script", f"{SVG}foreignObject"}


def test_axes_carry_units(drawn: dict[str, str]) -> None:
    for name, labels in {
        "spectrogram": ("time, s", "audio frequency, Hz"),
        "beside": ("offset from the tone, Hz", "level, dBc"),
        "skirt": ("offset from the tone, Hz", "noise density, dBc/Hz"),
        "stability": ("averaging time, s", "Allan deviation, Hz"),
        "track": ("time in the recording, s", "audio frequency, Hz"),
    }.items():
        assert set(labels) <= set(texts(drawn[name])), name


def test_lines_and_limits_are_named_where_they_are(drawn: dict[str, str]) -> None:
    assert {"−100", "100", "−200", "200", "tone", "note", "fault"} <= set(texts(drawn["beside"]))
    assert {"amplitude", "angle"} <= set(texts(drawn["modulation"]))
    assert {"key down", "key up"} <= set(texts(drawn["audio"]))
    assert {"tone 702", "other 1350"} <= set(texts(drawn["spectrogram"]))


def test_colours_are_the_pages(drawn: dict[str, str]) -> None:
    for svg in drawn.values():
        assert "var(--muted" in svg
        for stand_in in figures._CSS:
            assert stand_in not in svg


def test_drawing_leaves_the_library_as_it_was() -> None:
    before = dict(matplotlib.rcParams)
    pictures(faulty(), views())
    assert dict(matplotlib.rcParams) == before
    code = "import sys, sigcheck.report.pictures; print([m for m in sys.modules if 'matplotlib' in m])"
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "[]"


def test_pyplot_is_not_used() -> None:
    code = (
        "import sys, numpy as np; from sigcheck.report import figures as f; from sigcheck.measure.views import Level;"
        "f.level(Level(np.arange(9.0), np.zeros(9)), 'level'); print('matplotlib.pyplot' in sys.modules)"
    )
    run = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert run.stdout.strip() == "False"


def test_the_scale_of_levels_reads_the_same_in_grey() -> None:
    # Relative luminance by ITU-R BT.709 of linear sRGB; lightness L* by CIE 1976.
    rgb = np.array([[int(h[k : k + 2], 16) / 255 for k in (1, 3, 5)] for h in figures._PAPER_TO_INK])
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    lightness = 116 * np.cbrt(linear @ [0.2126, 0.7152, 0.0722]) - 16
    steps = np.diff(lightness)
    assert np.all(steps < 0)
    # Even steps: no band of levels looks wider than another.
    assert np.abs(steps / steps.mean() - 1).max() < 0.15


def test_without_a_signal_there_is_the_spectrogram_alone() -> None:
    made, missing = pictures(no_signal(), silent_views())
    assert [p.name for p in made] == ["spectrogram"]
    assert "Beside the tone" in missing and "Edges of the keying" in missing


def test_no_views_at_all_draw_only_what_the_result_itself_holds() -> None:
    made, _ = pictures(faulty(), Views())
    assert {p.name for p in made} == {"track", "stability"}


def test_gaps_and_jumps_are_marked_along_the_top() -> None:
    result = faulty()
    result["recording"]["dropouts"] = [{"time_s": 5.0, "length_s": 0.02, "how": "zeros"}]
    result["drift"]["steps"] = [{"time_s": 20.0, "size_hz": -3.2, "size_hz_sigma": 0.1}]
    svg = {p.name: p.svg for p in pictures(result, views())[0]}
    assert {"gap", "jump"} <= set(texts(svg["spectrogram"]))
    assert "−3.20 Hz" in texts(svg["track"])


def test_names_that_would_overlap_are_thinned_the_first_given_stays() -> None:
    kept = figures._apart([Mark(100.0, "a"), Mark(101.0, "b"), Mark(300.0, "c")], 50.0, 5)
    assert [m.label for m in kept] == ["a", "c"]


def test_labels_are_not_read_as_formulas_or_markup() -> None:
    time_s, hz = np.arange(5.0), 700 + np.arange(5.0)
    svg = figures.track(time_s, hz, np.ones(5), np.empty(0), 'a "b" <c>', label="$x^2$ <b>")
    assert "$x^2$ <b>" in texts(svg)
    assert ET.fromstring(svg).get("aria-label") == 'a "b" <c>'
