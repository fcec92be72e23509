"""``sigcheck compare``: what goes where, and with which exit status."""

from __future__ import annotations

import json
from pathlib import Path

import pytest

import sigcheck
from sigcheck.cli import run

SAMPLES = Path(__file__).parent.parent / "sample_audio"
STRONG, PADDED = (str(SAMPLES / f"receiver-overloaded{tail}.flac") for tail in ("", "-pad"))


@pytest.fixture(scope="module")
def saved(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("saved")
    for name in ("supply-hum", "clean-keyed"):
        sigcheck.diagnose(SAMPLES / f"{name}.flac").save(folder / f"{name}.json")
    return folder


def test_json_and_nothing_else(capfd):
    assert run(["compare", STRONG, PADDED, "--changed", "attenuator", "--by-db", "20", "--json", "-"]) == 0
    out, err = capfd.readouterr()
    told = json.loads(out)
    assert err == "" and told["verdict"] == "fixed"
    assert told["changed"] == "attenuator" and told["by_db"] == 20


def test_summary_says_verdict_change_and_cause(capfd):
    assert run(["compare", STRONG, PADDED, "--changed", "attenuator", "--by-db", "20"]) == 0
    out, err = capfd.readouterr()
    assert err == "" and out.startswith("Fixed: ")
    assert "Gone: " in out and "receiver overload from a nearby transmitter" in out
    assert "20 dB weaker with 20 dB in the receiver's" in " ".join(out.split())
    assert all(len(line) <= 80 for line in out.splitlines())


def test_report_with_overlays_is_self_contained(tmp_path, capfd):
    assert run(["compare", STRONG, PADDED, "--changed", "attenuator", "--by-db", "20", "--out", str(tmp_path)]) == 0
    assert "report: " in capfd.readouterr().err
    page = next(tmp_path.glob("*.html")).read_text()
    assert json.loads(next(tmp_path.glob("*.json")).read_text())["verdict"] == "fixed"
    for name in ("overlay-beside", "overlay-edges", "overlay-track"):
        assert f'id="picture-{name}"' in page
    assert "http://" not in page.replace("http://www.w3.org", "") and "https://" not in page
    assert "Not drawn" not in page


def test_saved_results_without_pictures_say_which_are_missing(saved, tmp_path):
    pair = [str(saved / f"{n}.json") for n in ("supply-hum", "clean-keyed")]
    assert run(["compare", *pair, "--changed", "battery", "--out", str(tmp_path)]) == 0
    page = next(tmp_path.glob("*.html")).read_text()
    assert "Not drawn: Beside the tone" in page and "Not drawn: Average element" in page
    assert 'id="picture-overlay-track"' in page  # the course of the frequency stands in the result itself


def test_pictures_beside_saved_results_are_used(saved, tmp_path):
    for name in ("supply-hum", "clean-keyed"):
        assert run(["diagnose", str(SAMPLES / f"{name}.flac"), "--out", str(tmp_path)]) == 0
    pair = [str(tmp_path / f"{n}.json") for n in ("supply-hum", "clean-keyed")]
    assert run(["compare", *pair, "--out", str(tmp_path / "both")]) == 0
    assert 'id="picture-overlay-beside"' in next((tmp_path / "both").glob("*.html")).read_text()


@pytest.mark.parametrize(
    ("arguments", "says"),
    [
        (["nowhere.flac", PADDED], "nowhere.flac"),
        ([STRONG, "nowhere.json"], "nowhere.json: no such file"),
        ([STRONG, PADDED, "--changed", "atenuator"], "did you mean 'attenuator'"),
        ([STRONG, PADDED, "--changed", "attenuator", "--by-db", "-20"], "by_db"),
        ([STRONG], "AFTER"),
        ([str(SAMPLES / "supply-hum.truth.json"), PADDED], "no result of sigcheck"),
    ],
)
def test_unusable_input_is_one_line_and_status_two(arguments, says, capfd):
    assert run(["compare", *arguments]) == 2
    out, err = capfd.readouterr()
    assert out == "" and says in err and err.count("\n") == 1


def test_twice_the_same_file(capfd):
    assert run(["compare", PADDED, PADDED]) == 0
    assert capfd.readouterr().out.startswith("Not comparable: both are the same recording.")
