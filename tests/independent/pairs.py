"""Judge comparisons on pairs of recordings whose change is known.

    python -m tests.independent.pairs [--n N] [--kinds K ...] [--seed S] [--list-bad]

Each pair has its own noise, lengths, levels, sample rates and mains, drawn anew for the second
recording. The verdict must be right: *fixed* or *better* where the fault was taken away and
something of it is truly beyond a limit, *worse* where it was put in, *same* where nothing was done.
The true cause must not lose by the outcome of the experiment that is right for it.
"""

from __future__ import annotations

import argparse
import copy
from collections import Counter, defaultdict
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np

from . import cases, recorder, truth
from .keyer import Fist
from .scene import Scene, simulate

if TYPE_CHECKING:
    from sigcheck.comparison import Comparison

Generator = np.random.Generator


@dataclass(frozen=True)
class Cure:
    """How a fault is taken away, and what an experimenter would say that he did."""

    fault: str
    changed: str
    mend: Callable[[Scene], None]


def _set(**values: object) -> Callable[[Scene], None]:
    def mend(scene: Scene) -> None:
        for name, value in values.items():
            setattr(scene, name, copy.deepcopy(value))

    return mend


CURES = (
    Cure("supply-hum", "battery", _set(supply=None)),
    Cure("receiver-supply-hum", "receiver-battery", _set(hum_on_receiver=None)),
    Cure("mains-remodulation", "dummy-load", _set(wiring=None)),
    Cure("audio-overdrive", "recording-level", _set(audio_drive_db=None)),
    Cure("ground-loop", "audio-lead", _set(comb_dbc=None)),
    Cure("magnetic-hum", "battery", _set(magnetic_dbc=None)),
    Cure("switching-supply", "battery", _set(switching=None)),
    Cure("chirp-droop", "battery", _set(chirp=None)),
    Cure("chirp", "dummy-load", _set(chirp=None)),
    Cure("key-clicks", "keying", _set(rise_s=0.006, fall_s=0.006)),
    Cure("backwave", "keying", _set(backwave_db=None)),
    Cure("keyer-timing", "keying", _set(fist=Fist())),
    Cure("oscillator-noise", "other", _set(noise_rad=0.004, noise_slope="f2")),
    Cure("warm-up", "warm-up", _set(warm_up=None)),
    Cure("linear-drift", "other", _set(drift_hz_per_min=0.2)),
    Cure("wobble", "other", _set(wobble=None)),
    Cure("clipped", "recording-level", _set(clip_db=None)),
    Cure("dropouts", "other-receiver", _set(gaps=None)),
    Cure("co-channel", "other", _set(others=())),
    Cure("noise-bursts", "other", _set(bursts=None)),
)
KINDS = (
    *(f"cured {c.fault}" for c in CURES),
    *(f"again {c.fault}" for c in CURES),
    "padded receiver-overload", "padded supply-hum", "worse supply-hum", "worse key-clicks", "worse linear-drift",
    "again clean-keyed", "again clean-steady",
)  # fmt: skip
CAUSE = {c.fault: cases.FAULTS[c.fault][1][0] for c in CURES}


def other_evening(rng: Generator, scene: Scene) -> Scene:
    """The same station and receiver again: another recording of it."""
    after = copy.deepcopy(scene)
    after.snr_db += rng.uniform(-2, 2)
    grow = rng.uniform(0.8, 1.3)
    after.end_s += scene.seconds * (grow - 1)
    after.seconds = scene.seconds * grow
    after.peak_dbfs = rng.uniform(-20, -3)
    after.rate = int(rng.choice([r for r in recorder.RATES if r >= scene.rate]))
    if after.codec is not None:
        after.codec = None
    if after.warm_up:
        after.warm_up = (after.warm_up[0], after.warm_up[1])
    return after


def _padded(rng: Generator, scene: Scene, d: float) -> Scene:
    """A pad in front of an overloaded receiver, without gain control: out of limiting, no products left."""
    assert scene.overload is not None
    after = other_evening(rng, scene)
    after.overload = None
    after.snr_db = scene.snr_db - d
    # The tone's own level falls by what the limiting stage had not already taken.
    after.peak_dbfs = max(scene.peak_dbfs - d + scene.overload.drive_db, -45.0)
    loss = d - scene.overload.drive_db
    after.detector_third *= 10 ** (-2 * loss / 20)
    after.detector_second *= 10 ** (-loss / 20)
    return after


def draw(kind: str, rng: Generator) -> tuple[Scene, Scene, str, str | None, float | None]:
    """Both scenes; what must come out; what is said to have been changed, and by how many dB."""
    what, fault = kind.split()
    keyed = fault == "clean-keyed" or (fault != "clean-steady" and (rng.random() < 0.65 or _only_keyed(fault)))
    scene = cases.everyday(rng, keyed=keyed)
    scene.codec = None
    if fault in cases.FAULTS and what != "worse":
        cases.FAULTS[fault][0](rng, scene)
    if what == "worse":
        after = other_evening(rng, scene)
        cases.strong(rng, scene)
        cases.FAULTS[fault][0](rng, after)
        scene.filter = after.filter
        return scene, after, "worse", None, None
    if fault == "receiver-overload":
        scene.control = None
        d = float(rng.uniform(22, 30))
        return scene, _padded(rng, scene, d), "cured", "attenuator", d
    if what == "padded":
        scene.snr_db, d = rng.uniform(45, 55), 20.0
        after = other_evening(rng, scene)
        after.snr_db = scene.snr_db - d
        return scene, after, "same", "attenuator", d
    after = other_evening(rng, scene)
    if what == "again":
        return scene, after, "same", None, None
    cure = next(c for c in CURES if c.fault == fault)
    cure.mend(after)
    return scene, after, "cured", cure.changed, 10.0 if cure.changed == "recording-level" else None


def _only_keyed(fault: str) -> bool:
    return fault in cases.FAULTS and cases.FAULTS[fault][4] == "keyed"


RIGHT = {"cured": {"fixed", "better"}, "worse": {"worse"}, "same": {"same"}}


@dataclass
class Row:
    """One pair judged."""

    kind: str
    seed: int
    wanted: str
    verdict: str
    reason: str
    counts: bool  # what was changed is truly beyond a limit, or nothing was
    before: float | None = None  # probability of the true cause before and after the outcome
    after: float | None = None
    gone_wrong: tuple[str, ...] = ()  # said to be gone while truly there
    heard_wrong: tuple[str, ...] = ()  # symptoms false or missed in either recording: no fault of comparing

    @property
    def right(self) -> bool:
        """Whether the verdict is."""
        return self.verdict in RIGHT[self.wanted]


def examine(kind: str, seed: int) -> Row:
    """Make one pair, compare, and set beside the truth."""
    from sigcheck.comparison import compare
    from sigcheck.recording import from_samples

    rng = np.random.default_rng([seed, KINDS.index(kind), 77])
    one, two, wanted, changed, by_db = draw(kind, rng)
    sims = [simulate(s, rng) for s in (one, two)]
    found = [truth.expected(truth.read(s)) for s in sims]
    c = compare(*(from_samples(s.samples, s.rate) for s in sims), changed=changed, by_db=by_db)
    fault = kind.split()[1]
    true = CAUSE.get(fault) or ("receiver-overload" if fault == "receiver-overload" else None)
    then = {x.id: x.probability for x in c.causes}
    moved = found[0][0] - found[1][0] - found[1][1]
    arisen = found[1][0] - found[0][0] - found[0][1]
    counts = bool(moved) if wanted == "cured" else bool(arisen) if wanted == "worse" else not (moved or arisen)
    return Row(
        kind, seed, wanted, c.verdict, c.reason, counts,
        c.chance_before.get(true) if true and changed not in (None, "other") else None,
        then.get(true) if true else None,
        tuple(set(c.gone) & set(found[1][0])),
        tuple(_heard_wrong(c, found, fault)),
    )  # fmt: skip


def _heard_wrong(c: Comparison, found: list[tuple[set[str], set[str]]], fault: str) -> set[str]:
    taste = cases.FAULTS[fault][3] if fault in cases.FAULTS else set()
    wrong = set()
    for side, (true, near) in zip((c.before, c.after), found, strict=True):
        heard = {s.id for s in side.symptoms}
        hidden = {name.partition(".")[2] for name in side.not_measured}
        wrong |= (heard - true - near - taste) | (true - heard - hidden - near - taste)
    return wrong


def report(rows: list[Row], *, list_bad: bool = False) -> str:
    """The findings as text."""
    out = []
    by = defaultdict(list)
    for r in rows:
        by[r.kind].append(r)
    for kind, these in by.items():
        good = sum(r.right for r in these if r.counts)
        told = dict(Counter(r.verdict for r in these))
        out.append(f"{kind:<28} {good} of {sum(r.counts for r in these)} right | {told}")
    counted = [r for r in rows if r.counts]
    moved = [(r.before, r.after or 0.0) for r in rows if r.before is not None]
    out.append(f"verdict right in {sum(r.right for r in counted)} of {len(counted)}")
    heard = [r for r in counted if not r.heard_wrong]
    out.append(f"of those whose symptoms were all heard right: {sum(r.right for r in heard)} of {len(heard)}")
    out.append(f"said gone while truly there: {sum(bool(r.gone_wrong) for r in rows)} of {len(rows)}")
    if moved:
        lost = sum(a < b - 0.05 for b, a in moved)
        mean = np.mean([a - b for b, a in moved])
        out.append(f"true cause lost by its experiment in {lost} of {len(moved)}; mean change {mean:+.3f}")
    if list_bad:
        out += [str(r) for r in rows if (r.counts and not r.right) or r.gone_wrong]
    return "\n".join(out)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--n", type=int, default=2, help="pairs of each kind")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), metavar="KIND")
    parser.add_argument("--seed", type=int, default=400)
    parser.add_argument("--list-bad", action="store_true")
    given = parser.parse_args()
    rows = [examine(kind, given.seed + i) for i in range(given.n) for kind in given.kinds]
    print(report(rows, list_bad=given.list_bad))


if __name__ == "__main__":
    main()
