"""Try the judge on synthesised recordings that it was not fitted to: are its probabilities true?

    python -m tests.benchmarks.try_judge FOLDER [--jobs J] [--again] [--figure PATH] [--bad]

FOLDER holds the *held-out* set of `judged_recordings`. Prints symptoms missed and false, how often the cause
or its set was named first, the expected calibration error and a confusion table; draws the reliability
figure. A cause counts as there if one of its symptoms is truly beyond its limit; recordings with a cause
whose symptoms all lie at their limits are left out.
"""

from __future__ import annotations

import argparse
from collections import Counter, defaultdict
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from sigcheck.judge import Diagnosis, diagnose
from sigcheck.judge.tables import NO_FAULT

from .judged_measurements import Case, measured_cases

BINS = np.linspace(0.0, 1.0, 11)


@dataclass(frozen=True)
class Tried:
    """One recording and what the judge made of it."""

    case: Case
    said: Diagnosis

    @property
    def missed(self) -> frozenset[str]:
        """Symptoms that are truly there, not at their limit, neither reported nor said to be hidden."""
        found = {s.id for s in self.said.symptoms}
        hidden = {name.removeprefix("symptoms.") for name in self.said.not_measured}
        return frozenset(self.case.symptoms - self.case.borderline - found - hidden)

    @property
    def false(self) -> frozenset[str]:
        """Symptoms reported that are not there."""
        return frozenset({s.id for s in self.said.symptoms} - self.case.symptoms - self.case.borderline)

    @property
    def false_faults(self) -> frozenset[str]:
        """Those of them that are called faults."""
        return self.false & {s.id for s in self.said.symptoms if s.severity == "fault"}

    @property
    def truth(self) -> frozenset[str]:
        """The causes, or no-fault."""
        return self.case.causes or frozenset({NO_FAULT})

    @property
    def top(self) -> str:
        """The cause named first."""
        return self.said.causes[0].id if self.said.causes else "none"

    @property
    def in_set(self) -> bool:
        """The first named, or one that it can't be told from, is right."""
        first = self.said.causes[0] if self.said.causes else None
        return first is not None and bool({first.id, *first.same_as} & self.truth)

    @property
    def all_named(self) -> bool:
        """Each true cause is listed, or one that can't be told from it."""
        listed = {c.id for c in self.said.causes} | {s for c in self.said.causes for s in c.same_as}
        return self.truth <= listed


def calibration(tried: Sequence[Tried]) -> tuple[float, list[tuple[float, float, int]]]:
    """Expected calibration error of the listed causes, and (mean stated, share true, number) of each bin."""
    stated, true = [], []
    for t in tried:
        for cause in t.said.causes:
            stated.append(cause.probability)
            true.append(cause.id in t.truth)
    p, y = np.array(stated), np.array(true, dtype=float)
    where = np.clip(np.digitize(p, BINS) - 1, 0, BINS.size - 2)
    rows = [(float(p[where == b].mean()), float(y[where == b].mean()), int((where == b).sum()))
            for b in range(BINS.size - 1) if (where == b).any()]  # fmt: skip
    error = sum(n * abs(s - share) for s, share, n in rows) / p.size
    return float(error), rows


def confusion(tried: Sequence[Tried]) -> list[str]:
    """For each cause alone: how often it came first, within the first's set, and what else came first."""
    by: dict[str, list[Tried]] = defaultdict(list)
    for t in tried:
        if len(t.truth) == 1:
            by[next(iter(t.truth))].append(t)
    out = ["| cause alone | n | first | in the first's set | else first |", "|---|---|---|---|---|"]
    for cause, these in sorted(by.items()):
        first = sum(t.top == cause for t in these)
        wrong = Counter(t.top for t in these if not t.in_set)
        named = ", ".join(f"{c} {n}" for c, n in wrong.most_common(3))
        out.append(f"| {cause} | {len(these)} | {first} | {sum(t.in_set for t in these)} | {named} |")
    return out


def summary(tried: Sequence[Tried]) -> list[str]:
    """The figures in lines."""
    clean = [t for t in tried if not t.case.symptoms and not t.case.borderline]
    faulty = [t for t in tried if t.case.causes]
    several = [t for t in faulty if len(t.case.causes) > 1]
    there = sum(len(t.case.symptoms - t.case.borderline) for t in tried)
    missed = Counter(s for t in tried for s in t.missed)
    false = Counter(s for t in tried for s in t.false)
    faults = sum(bool(t.false_faults) for t in tried)
    error, rows = calibration(tried)
    return [
        f"{len(tried)} recordings, {len(clean)} of them clean, {len(several)} with two or three causes",
        f"symptoms missed: {missed.total()} of {there} ({dict(missed.most_common())})",
        f"symptoms false: {false.total()} ({dict(false.most_common())})",
        f"recordings with a false fault: {faults} of {len(tried)}",
        f"clean recordings with a symptom: {sum(bool(t.said.symptoms) for t in clean)} of {len(clean)}",
        f"top cause right: {sum(t.top in t.truth for t in faulty)} of {len(faulty)}; "
        f"right or in its set: {sum(t.in_set for t in faulty)}",
        f"several causes: all named in {sum(t.all_named for t in several)} of {len(several)}",
        f"expected calibration error {error:.3f}; stated, true, number:",
        *(f"  {stated:.2f} {share:.2f} {n}" for stated, share, n in rows),
    ]


def draw_reliability(rows: Sequence[tuple[float, float, int]], path: Path) -> None:
    """Share of causes that were there against the probability stated for them."""
    import matplotlib.pyplot as plt

    stated, share, number = (np.array(x) for x in zip(*rows, strict=True))
    sigma = np.sqrt(np.maximum(share * (1 - share), 0.01) / number)
    figure, axes = plt.subplots(figsize=(4.6, 4.2), layout="constrained")
    axes.plot([0, 1], [0, 1], color="0.6", lw=1)
    axes.errorbar(stated, share, yerr=1.96 * sigma, fmt="o", color="C0", capsize=2)
    for x, y, n in zip(stated, share, number, strict=True):
        axes.annotate(f"{n:.0f}", (x, y), xytext=(7, -9), textcoords="offset points", fontsize=7, color="0.4")
    axes.set(xlabel="probability stated", ylabel="share that was there", xlim=(0, 1), ylim=(0, 1))
    axes.set_title("Stated probabilities against the truth", fontsize=10)
    figure.savefig(path, dpi=110)
    plt.close(figure)


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--set", default="held-out")
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--again", action="store_true", help="measure again what was measured before")
    parser.add_argument("--figure", type=Path, help="draw the reliability figure there")
    parser.add_argument("--bad", action="store_true", help="one line for each recording judged wrongly")
    given = parser.parse_args()
    cases = measured_cases(given.folder, given.set, jobs=given.jobs, again=given.again)
    tried = [Tried(c, diagnose(c.measured)) for c in cases if not c.vague]
    print(*summary(tried), "", *confusion(tried), sep="\n")
    if given.bad:
        for t in tried:
            if t.missed or t.false or not t.in_set:
                print(t.case.name, sorted(t.truth), "missed", sorted(t.missed), "false", sorted(t.false), "top", t.top)
    if given.figure:
        draw_reliability(calibration(tried)[1], given.figure)


if __name__ == "__main__":
    main()
