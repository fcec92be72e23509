"""The whole path on the demo recordings, and on real ones where their folder is given."""

from __future__ import annotations

import json
import os
from pathlib import Path

import pytest

import sigcheck

SAMPLES = sorted((Path(__file__).parent.parent / "sample_audio").glob("*.flac"))
REAL = os.environ.get("SIGCHECK_REAL_AUDIO")


@pytest.mark.parametrize("path", SAMPLES, ids=lambda p: p.stem)
def test_sample_has_its_symptoms_and_cause(path: Path) -> None:
    truth = json.loads(path.with_suffix(".truth.json").read_text())
    plan = sigcheck.load_plan(path.with_suffix(".plan.toml"))
    result = sigcheck.diagnose(path, plan=plan).to_dict()
    assert {s["id"] for s in result["symptoms"]} == set(truth["symptoms"])
    top = result["causes"][0]
    assert {top["id"], *top["same_as"]} & set(truth["causes"])
    assert result["verdict"] == ("faulty" if truth["symptoms"] else "clean")


@pytest.mark.parametrize("path", SAMPLES[:3], ids=lambda p: p.stem)
def test_whatever_is_missing_has_its_reason(path: Path) -> None:
    result = sigcheck.diagnose(path)
    for name, family in result.measurements.families().items():
        assert not family.unexplained(), name


# Facts measured independently with plain numpy steps: tone in Hz, unit (half of dit + gap) in s, dah/dit
# ratio by (dah + gap)/(dit + gap), each with what the hand or the instrument leaves open.
REAL_FACTS = {
    "keyed-beacon-168s.flac": (1258.5, 1.5, 0.0795, 0.01, 2.99, 0.05),
    "keyed-by-hand-60s.flac": (1488.6, 0.5, 0.048, 0.03, 4.0, 0.25),
    "ident-tone-noisy-10s.flac": (1024.0, 1.5, 0.109, 0.02, 3.0, 0.1),
}


@pytest.mark.skipif(not REAL, reason="SIGCHECK_REAL_AUDIO does not name a folder of real recordings")
@pytest.mark.parametrize("name", REAL_FACTS)
def test_real_recording_is_read(name: str) -> None:
    tone, tone_within, unit, unit_within, ratio, ratio_within = REAL_FACTS[name]
    result = sigcheck.diagnose(Path(str(REAL)) / name).to_dict()
    assert result["signal"]["kind"] == "keyed"
    assert result["signal"]["tone_hz"] == pytest.approx(tone, abs=tone_within)
    assert result["keying"]["dit_s"] == pytest.approx(unit, rel=unit_within)
    assert result["keying"]["dah_dit_ratio"] == pytest.approx(ratio, abs=ratio_within)
