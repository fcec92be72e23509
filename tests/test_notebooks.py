"""The notebooks run from top to bottom, and show what their text says."""

from __future__ import annotations

import os
import warnings
from pathlib import Path

import pytest

FOLDER = Path(__file__).parents[1] / "notebooks"
NOTEBOOKS = sorted(FOLDER.glob("*.ipynb"))

# What has to appear somewhere in the output, as the text about it says.
SHOWN = {
    "raspy-signal": ("Faulty: hum on the tone.", "twice-mains", "supply", "Try next:", "raised by"),
    "drift-over-a-slot": ("drift", "spacings of the tones", "Try next:"),
    "before-and-after": ("key clicks", "Clean", "better", "rise"),
}


def test_there_is_one_for_each_use() -> None:
    assert {p.stem for p in NOTEBOOKS} == set(SHOWN)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_runs_and_shows_what_it_says(path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    nbformat = pytest.importorskip("nbformat", reason="the extra `notebook` is not installed")
    nbclient = pytest.importorskip("nbclient", reason="the extra `notebook` is not installed")
    monkeypatch.setenv("PYTHONPATH", os.pathsep.join((str(FOLDER.parent), os.environ.get("PYTHONPATH", ""))))
    book = nbformat.read(path, as_version=4)
    assert not any(cell.get("outputs") for cell in book.cells), "saved without outputs: they would grow old"
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the client's own libraries
        nbclient.NotebookClient(book, timeout=120, resources={"metadata": {"path": str(FOLDER)}}).execute()
    outputs = [out for cell in book.cells for out in cell.get("outputs", [])]
    assert not [out for out in outputs if out.get("name") == "stderr"]
    text = "".join(str(out.get("text") or out.get("data")) for out in outputs)
    missing = [words for words in SHOWN[path.stem] if words.lower() not in text.lower()]
    assert missing == []
    assert any("image/png" in out.get("data", {}) for out in outputs)


@pytest.mark.parametrize("path", NOTEBOOKS, ids=lambda p: p.stem)
def test_it_is_read_in_one_sitting(path: Path) -> None:
    """Under 500 words and 60 lines of code: ten minutes at a reading pace of 200 words a minute, with thought."""
    import json

    cells = json.loads(path.read_text(encoding="utf-8"))["cells"]
    source = {kind: "".join("".join(c["source"]) + "\n" for c in cells if c["cell_type"] == kind)
              for kind in ("markdown", "code")}  # fmt: skip
    assert len(source["markdown"].split()) < 500
    assert len(source["code"].splitlines()) < 60
