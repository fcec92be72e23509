"""Fit the judge's tables to synthesised recordings.

    python -m tests.benchmarks.fit_judge FOLDER [--jobs J] [--again] [--write]

FOLDER holds the *fit* set of `judged_recordings`: each cause alone, at all strengths. A row's probability
is the share of recordings in which the mark was seen among those in which it could be seen, smoothed by
the row's own believed value as if that had been seen in `BELIEF` recordings before
(for something unlisted: in `BELIEF_LEAK`)::

    fitted = (seen + BELIEF * believed) / (looked for + BELIEF)

so that thirty recordings move a belief but don't replace it: the synthesiser knows no more physics than
the belief does. Rows that can't be told apart by physics are fitted together. Causes that can't be
synthesised keep their beliefs. ``--write`` puts the numbers into `sigcheck/judge/tables.py`; without it
they are printed. What was seen without a row that explains it is listed, for somebody to find the reason.
"""

from __future__ import annotations

import argparse
import ast
from collections import Counter, defaultdict
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path

from sigcheck.judge import symptoms, tables
from sigcheck.judge.evidence import observe
from sigcheck.judge.model import Seen

from .judged_measurements import Case, measured_cases

BELIEF = 30.0  # recordings: as much as one set of a cause, for the synthesiser knows no more physics than it
BELIEF_LEAK = 200.0
LARGEST, SMALLEST = 0.985, 0.003  # nothing is certain
UNEXPLAINED = (3, 0.1)  # so many recordings and that share of them without a row are listed

# The physics that makes the mark is the same on either side, so one recording cannot tell them apart.
ALIKE: tuple[frozenset[str], ...] = (
    frozenset({"transmitter-supply-hum", "receiver-supply-hum"}),
    frozenset({"oscillator-noise", "receiver-oscillator-noise"}),
    frozenset({"clock-drift", "receiver-drift"}),
    frozenset({"oscillator-pulling", "synthesiser-settling", "receiver-pulling"}),
)


@dataclass
class Counts:
    """What was seen of each cause alone."""

    looked: Counter[tuple[str, str]] = field(default_factory=Counter)  # (mark, cause)
    seen: Counter[tuple[str, str]] = field(default_factory=Counter)
    states: dict[tuple[str, str], Counter[int]] = field(default_factory=lambda: defaultdict(Counter))
    free_looked: Counter[str] = field(default_factory=Counter)  # mark: recordings in which nothing makes it
    free_seen: Counter[str] = field(default_factory=Counter)
    fitted_causes: set[str] = field(default_factory=set)


def count(cases: list[Case]) -> Counts:
    """Marks and traits over the recordings of one cause, or none, each."""
    out = Counts()
    for case in cases:
        if case.vague or case.measured.signal.kind == "none":
            continue
        seen = observed(case)
        cause = next(iter(case.causes), None)
        for mark, there in seen.marks.items():
            if mark in case.borderline:
                continue
            if cause is None or cause not in tables.MARKS[mark].rows:
                out.free_looked[mark] += 1
                out.free_seen[mark] += there
            if cause is not None:
                out.looked[mark, cause] += 1
                out.seen[mark, cause] += there
        if cause is not None:
            out.fitted_causes.add(cause)
            for trait, state in seen.traits.items():
                out.states[trait, cause][state] += 1
    return out


def observed(case: Case) -> Seen:
    """The evidence in a recording."""
    found, hidden = symptoms.find(case.measured)
    return observe(case.measured, found, hidden).seen


def fitted_mark(counts: Counts, mark: str, cause: str, believed: float) -> float:
    """The smoothed probability of one row."""
    group = _alike(cause)
    looked = sum(counts.looked[mark, c] for c in group)
    seen = sum(counts.seen[mark, c] for c in group)
    p = (seen + BELIEF * believed) / (looked + BELIEF)
    return round(min(max(p, SMALLEST), LARGEST), 3)


def fitted_trait(counts: Counts, trait: str, cause: str, believed: tuple[float, ...]) -> tuple[float, ...]:
    """The smoothed distribution of one row; it adds up to 1."""
    total = sum((counts.states[trait, c] for c in _alike(cause)), Counter[int]())
    raw = [(total[k] + BELIEF * p) / (total.total() + BELIEF) for k, p in enumerate(believed)]
    out = [round(p, 3) for p in raw[:-1]]
    return (*out, round(1.0 - sum(out), 3))


def fitted_leak(counts: Counts, mark: str, believed: float) -> float:
    """The smoothed probability that something unlisted makes the mark."""
    p = (counts.free_seen[mark] + BELIEF_LEAK * believed) / (counts.free_looked[mark] + BELIEF_LEAK)
    return round(max(p, 0.001), 4)


def _alike(cause: str) -> frozenset[str]:
    return next((group for group in ALIKE if cause in group), frozenset({cause}))


# ---- the file of tables ------------------------------------------------------------------------


def rewritten(source: str, counts: Counts) -> str:
    """The module of tables with the fitted numbers in it."""
    lines = source.splitlines(keepends=True)
    module = ast.parse(source)
    found = [*_replacements(module, counts), *_leaks(module, counts)]
    for call, text in sorted(found, key=lambda r: -_start(lines, r[0])):
        begin, end = _start(lines, call), _end(lines, call)
        source = source[:begin] + text + source[end:]
    return source


def _replacements(module: ast.Module, counts: Counts) -> Iterator[tuple[ast.expr, str]]:
    """Each expression to be replaced: the ``fitted`` argument of a row, or the row's closing part."""
    for name, table in _tables(module):
        for key, value in zip(table.keys, table.values, strict=True):
            assert isinstance(key, ast.Constant) and isinstance(value, ast.Call)
            rows = next(a for a in value.args if isinstance(a, ast.Dict))
            for cause_node, row in zip(rows.keys, rows.values, strict=True):
                assert isinstance(cause_node, ast.Constant) and isinstance(row, ast.Call)
                cause = cause_node.value
                if not _alike(cause) & counts.fitted_causes:
                    continue
                believed = ast.literal_eval(row.args[0])
                if name == "MARKS":
                    number: object = fitted_mark(counts, key.value, cause, believed)
                else:
                    number = fitted_trait(counts, key.value, cause, believed)
                yield row, f"{ast.unparse(row.func)}({_source(row.args[0])}, {_source(row.args[1])}, {number})"


def _leaks(module: ast.Module, counts: Counts) -> Iterator[tuple[ast.expr, str]]:
    """Each mark's probability of being made by something unlisted, and what to write for it."""
    for name, table in _tables(module):
        for key, value in zip(table.keys, table.values, strict=True):
            assert isinstance(key, ast.Constant) and isinstance(value, ast.Call)
            if name == "MARKS" and counts.free_looked[key.value]:
                leak = value.args[0]
                assert isinstance(leak, ast.Call)
                believed = ast.literal_eval(leak.args[0])
                yield leak, f"{ast.unparse(leak.func)}({believed}, {fitted_leak(counts, key.value, believed)})"


def _source(node: ast.expr) -> str:
    text = ast.unparse(node)
    return text if not isinstance(node, ast.Constant) or not isinstance(node.value, str) else f'"{node.value}"'


def _tables(module: ast.Module) -> Iterator[tuple[str, ast.Dict]]:
    for node in module.body:
        if not (isinstance(node, ast.AnnAssign) and isinstance(node.target, ast.Name)):
            continue
        if node.target.id in ("MARKS", "TRAITS") and isinstance(node.value, ast.Dict):
            yield node.target.id, node.value


def _start(lines: list[str], node: ast.expr) -> int:
    return sum(len(line) for line in lines[: node.lineno - 1]) + node.col_offset


def _end(lines: list[str], node: ast.expr) -> int:
    assert node.end_lineno is not None and node.end_col_offset is not None
    return sum(len(line) for line in lines[: node.end_lineno - 1]) + node.end_col_offset


# ---- the command -------------------------------------------------------------------------------


def unexplained(counts: Counts) -> list[str]:
    """Marks that a cause alone leaves often and that have no row for it."""
    out = []
    for (mark, cause), looked in sorted(counts.looked.items()):
        seen = counts.seen[mark, cause]
        if cause not in tables.MARKS[mark].rows and seen >= UNEXPLAINED[0] and seen / looked >= UNEXPLAINED[1]:
            out.append(f"{mark}: {cause} {seen} of {looked}")
    return out


def changes(counts: Counts, beliefs: Mapping[str, tables.Mark]) -> list[str]:
    """Rows that moved far, with what was counted."""
    out = []
    for name, mark in beliefs.items():
        for cause, row in mark.rows.items():
            new = fitted_mark(counts, name, cause, row.believed)
            if abs(new - row.believed) > 0.12:
                group = _alike(cause)
                seen, looked = (sum(c[name, g] for g in group) for c in (counts.seen, counts.looked))
                out.append(f"{name}: {cause} {row.believed} -> {new} ({seen} of {looked})")
    return out


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--again", action="store_true", help="measure again what was measured before")
    parser.add_argument("--write", action="store_true", help="put the numbers into the tables")
    given = parser.parse_args()
    counts = count(measured_cases(given.folder, "fit", jobs=given.jobs, again=given.again))
    print("moved far:", *changes(counts, tables.MARKS), sep="\n  ")
    print("seen without a row:", *unexplained(counts), sep="\n  ")
    print("seen where no cause makes it (share, and what was believed):")
    for mark, looked in counts.free_looked.items():
        print(f"  {mark}: {counts.free_seen[mark]} of {looked} ({tables.MARKS[mark].unlisted.believed})")
    if given.write:
        path = Path(tables.__file__)
        path.write_text(rewritten(path.read_text(encoding="utf-8"), counts), encoding="utf-8")


if __name__ == "__main__":
    main()
