"""Before and after on recordings with known faults: of our own maker, and of one that shares no code with it."""

from __future__ import annotations

from dataclasses import replace

import pytest

import sigcheck
from sigcheck.synth import FAULTS, clean_scenario, scenario_with, synthesise

# fault, what cures it, and its true cause; the battery cures the supply, the transformer the loop ...
CURES = [
    ("supply-hum", "battery", None),
    ("receiver-supply-hum", "receiver-battery", None),
    ("mains-remodulation", "dummy-load", None),
    ("ground-loop", "audio-lead", None),
    ("switching-supply", "battery", None),
    ("key-clicks", "keying", None),
    ("soft-keying", "keying", None),
    ("supply-sag", "battery", None),
    ("warm-up", "warm-up", None),
    ("receiver-overload", "attenuator", 20.0),
]
QUICK = [c for c in CURES if c[0] in ("supply-hum", "ground-loop")]


def recorded(names: list[str], *, seed: int, seconds: float = 24.0, rate: int = 12000, level: float = -18.0):
    base = clean_scenario(
        seconds=seconds, rate_hz=rate, tone_hz=740.0, wpm=15.0, snr_db=30.0, mains_hz=50.0, seed=seed
    )
    scenario = scenario_with(names, base)
    scenario = replace(scenario, recorder=replace(scenario.recorder, level_dbfs=level))
    made = synthesise(scenario)
    return sigcheck.from_samples(made.samples, rate)


def pair_of(fault: str, seed: int):
    """With the fault, and without it (or with the pad): another length, rate and noise."""
    after = ["receiver-overload-padded"] if fault == "receiver-overload" else []
    one = recorded([fault], seed=seed)
    # A pad's outcome needs the recording level left alone: the tone's own loss is part of it.
    return one, recorded(after, seed=seed + 50, seconds=30.0, rate=16000)


def check_cured(fault: str, change: str, pad: float | None, seed: int) -> None:
    one, two = pair_of(fault, seed)
    c = sigcheck.compare(one, two, changed=change, by_db=pad)
    assert c.verdict in ("fixed", "better"), c.reason
    assert set(c.gone) | set(c.hidden) >= {s.id for s in c.before.symptoms if s.severity == "fault"}
    cause = FAULTS[fault].cause
    then = {x.id: x.probability for x in c.causes}
    assert then[cause] >= c.chance_before[cause] - 0.02


@pytest.mark.parametrize(("fault", "change", "pad"), QUICK)
def test_a_cure_is_seen_and_its_cause_stands(fault, change, pad):
    check_cured(fault, change, pad, seed=3)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [11, 12])
@pytest.mark.parametrize(("fault", "change", "pad"), CURES)
def test_cures_of_all_kinds(fault, change, pad, seed):
    check_cured(fault, change, pad, seed)


@pytest.mark.parametrize("names", [[], ["supply-hum"]])
def test_the_same_again_is_the_same(names):
    """Another noise, length, rate and level are no change."""
    one, two = recorded(names, seed=5), recorded(names, seed=6, seconds=31.0, rate=16000, level=-24.0)
    c = sigcheck.compare(one, two)
    assert c.verdict == "same", c.reason
    assert not c.gone and not c.new


def test_two_faults_one_cured():
    """A battery takes the hum, not the clicks: better, and both causes told."""
    one = recorded(["supply-hum", "key-clicks"], seed=8)
    c = sigcheck.compare(one, recorded(["key-clicks"], seed=9), changed="battery")
    assert c.verdict == "better"
    assert "hum-sidebands" in c.gone and "key-clicks" in c.still
    then = {x.id: x.probability for x in c.causes}
    assert then["transmitter-supply-hum"] > 0.9 and then["hard-keying"] > 0.5


def test_supply_hum_keeps_its_level_under_a_pad():
    """Hum of a supply and 20 dB more noise: still there, and neither supply is accused less than before."""
    one = recorded(["supply-hum"], seed=21)
    base = clean_scenario(seconds=30, rate_hz=12000, tone_hz=740.0, wpm=15.0, snr_db=20.0, mains_hz=50.0, seed=22)
    two = sigcheck.from_samples(synthesise(scenario_with(["supply-hum"], base)).samples, 12000)
    c = sigcheck.compare(one, two, changed="attenuator", by_db=20)
    assert c.verdict == "same" and c.still == ("hum-sidebands",)
    then = {x.id: x.probability for x in c.causes}
    assert then["transmitter-supply-hum"] >= c.chance_before["transmitter-supply-hum"] - 0.05
    assert then.get("receiver-overload", 0.0) < 0.1


@pytest.mark.slow
@pytest.mark.parametrize("seed", [900, 901])
def test_pairs_of_the_second_maker(seed):
    """Where all symptoms of both were heard right, the verdict is right in 95 of 100."""
    from tests.independent.pairs import KINDS, examine

    rows = [examine(kind, seed) for kind in KINDS]
    heard = [r for r in rows if r.counts and not r.heard_wrong]
    assert len(heard) > 25
    assert sum(r.right for r in heard) >= 0.95 * len(heard)
    assert not any(r.gone_wrong for r in rows)
