"""Judge the analyser on recordings that it was not tuned on.

    python -m tests.independent.examine [--n N] [--kinds K ...] [--seed S] [--jobs J] [--list-bad]

Prints false symptoms on clean recordings, symptoms missed and false by kind, which cause was named,
errors of tone, speed and text, and the time that each recording took. An exception counts as a
defect; one traceback of each kind is printed.
"""

from __future__ import annotations

import argparse
import os
import time
import traceback
from collections import Counter, defaultdict
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field
from multiprocessing import Pool
from typing import Any

import numpy as np

from .cases import FAMILIES, KINDS, make
from .truth import LIMITS, Truth


@dataclass
class Row:
    """One recording examined."""

    kind: str
    seed: int
    truth: Truth | None = None
    symptoms: frozenset[str] = frozenset()
    missed: frozenset[str] = frozenset()
    hidden: frozenset[str] = frozenset()  # true, and the result says that it could not be seen
    false: frozenset[str] = frozenset()
    values: dict[str, float] = field(default_factory=dict)
    signal: str = ""
    verdict: str = ""
    causes: tuple[str, ...] = ()
    same_as: frozenset[str] = frozenset()
    tone_error_hz: float | None = None
    wpm_error: float | None = None
    character_errors: float | None = None
    make_s: float = 0.0
    diagnose_s: float = 0.0
    duration_s: float = 0.0
    error: str | None = None

    @property
    def top(self) -> str:
        """The cause named first."""
        return self.causes[0] if self.causes else "-"

    def named(self) -> bool:
        """The true cause, or one that may be named as well, stands first."""
        return self.truth is not None and self.top in self.truth.accept

    def in_set(self) -> bool:
        """A true cause stands first, or among those that the first cannot be told from."""
        return self.truth is not None and bool({self.top, *self.same_as} & set(self.truth.causes))

    def told_apart(self) -> bool:
        """The raspy family was recognised: first, or in the set of the first (overdrive: first)."""
        wanted = FAMILIES[self.kind]
        return self.top in wanted or (self.kind != "audio-overdrive" and bool(self.same_as & wanted))


def examine(kind: str, seed: int) -> Row:
    """Make one recording, diagnose it, and compare with its truth."""
    row = Row(kind, seed)
    start = time.perf_counter()
    samples, rate, row.truth = make(kind, np.random.default_rng([seed, KINDS.index(kind)]))
    row.make_s, row.duration_s = time.perf_counter() - start, samples.size / rate
    try:
        from sigcheck.recording import from_samples
        from sigcheck.result import diagnose

        start = time.perf_counter()
        result = diagnose(from_samples(samples, rate, lossy=row.truth.lossy)).to_dict()
        row.diagnose_s = time.perf_counter() - start
        compare(row, result)
    except Exception:
        row.error = traceback.format_exc(limit=-6)
    return row


def compare(row: Row, result: dict[str, Any]) -> None:
    """Fill the row's verdicts from the result's JSON."""
    truth = row.truth
    assert truth is not None
    row.symptoms = frozenset(s["id"] for s in result["symptoms"])
    row.values = {s["id"]: s["value"] for s in result["symptoms"]}
    absent = truth.symptoms - row.symptoms
    row.hidden = frozenset(s for s in absent if _said_hidden(s, truth, result["not_measured"]))
    row.missed = frozenset(absent - row.hidden)
    row.false = frozenset(row.symptoms - truth.symptoms - truth.near)
    row.signal, row.verdict = result["signal"]["kind"], result["verdict"]
    row.causes = tuple(c["id"] for c in result["causes"])
    row.same_as = frozenset(result["causes"][0]["same_as"]) if result["causes"] else frozenset()
    tone, wpm = result["signal"].get("tone_hz"), result["keying"].get("wpm")
    if truth.tone_hz is not None and tone is not None:
        row.tone_error_hz = tone - truth.tone_hz
    if truth.wpm is not None and wpm is not None:
        row.wpm_error = wpm / truth.wpm - 1
    if truth.text is not None:
        row.character_errors = character_error_rate(truth.text, result["keying"].get("text") or "")


def _said_hidden(symptom: str, truth: Truth, not_measured: dict[str, Any]) -> bool:
    """The result says that the symptom was untestable, at a level that does not contradict the truth."""
    stated = not_measured.get(f"symptoms.{symptom}")
    if stated is None:
        return False
    name, _, how = LIMITS[symptom][0]
    true = truth.levels.get(name)
    return not (how == "dB" and isinstance(stated, int | float) and true is not None and stated < true - 3)


def character_error_rate(sent: str, read: str) -> float:
    """Edits per sent sign, blanks left out; the last sign read may be one that the recording cut."""
    sent, read = sent.replace(" ", ""), read.replace(" ", "")
    if not sent:
        return 0.0
    row = list(range(len(read) + 1))
    for i, a in enumerate(sent, 1):
        corner, row[0] = row[0], i
        for j, b in enumerate(read, 1):
            corner, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, corner + (a != b))
    return min(row[-1], row[-2] if read else row[-1]) / len(sent)


def run(kinds: Sequence[str], n: int, seed: int, jobs: int) -> list[Row]:
    """`n` recordings of each kind."""
    tasks = [(kind, seed + i) for i in range(n) for kind in kinds]
    if jobs == 1:
        return [examine(*task) for task in tasks]
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    with Pool(jobs) as pool:
        return pool.starmap(examine, tasks, chunksize=1)


def report(rows: Sequence[Row], *, list_bad: bool = False) -> str:
    """The findings as text."""
    out: list[str] = []
    kinds = sorted({r.kind for r in rows}, key=KINDS.index)
    clean = [r for r in rows if r.kind.startswith("clean") and r.error is None]
    if clean:
        good = sum(not r.symptoms for r in clean)
        first = sum(r.top == "no-fault" for r in clean)
        false = _count(s for r in clean for s in r.symptoms)
        out.append(
            f"clean: {good} of {len(clean)} without symptom; no-fault first in {first}; false: {false}"
        )
    raspy = [r for r in rows if r.kind in FAMILIES and r.error is None]
    if raspy:
        apart, very = sum(r.told_apart() for r in raspy), sum(r.in_set() for r in raspy)
        first = sum(r.truth is not None and r.top in r.truth.causes for r in raspy)
        out.append(
            f"raspy: family told apart in {apart} of {len(raspy)}; the cause first {first}, in the set {very}"
        )
    out.append("")
    out.append(f"{'kind':<29} n  named inset kind | missed; hidden; false | causes named first")
    for kind in kinds:
        these = [r for r in rows if r.kind == kind and r.error is None]
        defects = sum(r.error is not None for r in rows if r.kind == kind)
        right = sum(r.truth is not None and r.signal == r.truth.signal for r in these)
        named, in_set = sum(r.named() for r in these), sum(r.in_set() for r in these)
        if kind.startswith("none"):
            named = in_set = sum(r.verdict == "no-signal" for r in these)
        found = "; ".join(
            _count(s for r in these for s in part(r)) or "-" for part in (_missed, _hidden, _false)
        )
        line = f"{kind:<29} {len(these):<3} {named:>4} {in_set:>5} {right:>4} | {found} | "
        out.append(line + _count(r.top for r in these) + (f" | {defects} DEFECTS" if defects else ""))
    out += ["", *_errors(rows)]
    if list_bad:
        out += ["", *(_describe(r) for r in rows if r.error is None and _bad(r))]
    shown: set[str] = set()
    for r in rows:
        if r.error is not None and (where := "\n".join(r.error.splitlines()[-4:])) not in shown:
            shown.add(where)
            out += ["", f"defect, {r.kind} seed {r.seed}:", r.error]
    return "\n".join(out)


def _missed(r: Row) -> frozenset[str]:
    return r.missed


def _hidden(r: Row) -> frozenset[str]:
    return r.hidden


def _false(r: Row) -> frozenset[str]:
    return r.false


def _bad(r: Row) -> bool:
    wrong = bool(r.missed or r.false or (r.truth and r.signal != r.truth.signal))
    return wrong or (r.character_errors or 0) > 0.05 or (abs(r.tone_error_hz or 0) > 0.5 and not _chirps(r))


def _chirps(r: Row) -> bool:
    """The true mean tone leaves the chirp out."""
    return "chirp" in r.kind


def _describe(r: Row) -> str:
    assert r.truth is not None
    levels = {
        k: float(f"{v:.3g}") for k, v in r.truth.levels.items() if k not in ("gaps", "clipped_fraction")
    }
    values = {k: float(f"{v:.3g}") for k, v in r.values.items() if k in r.false}
    tone, errors = r.tone_error_hz or 0.0, r.character_errors or 0.0
    return (
        f"{r.kind} seed {r.seed}: {r.truth.signal}/{r.signal} missed {sorted(r.missed)} "
        f"hidden {sorted(r.hidden)} false {values} top {r.top} tone {tone:+.3f} Hz "
        f"text {errors:.0%}; truth snr {r.truth.snr_db or 0:.1f} {levels}"
    )


def _count(items: Iterable[str]) -> str:
    return ", ".join(f"{k} {v}" for k, v in Counter(items).most_common())


def _errors(rows: Sequence[Row]) -> list[str]:
    by: dict[str, list[Row]] = defaultdict(list)
    for r in rows:
        if (
            r.error is None
            and r.truth is not None
            and r.truth.signal != "none"
            and r.signal == r.truth.signal
        ):
            by["clean" if r.kind.startswith("clean") else "weak" if r.kind == "weak" else "faulty"].append(r)
    out = []
    for name, these in by.items():
        kept = [r for r in these if r.tone_error_hz is not None and not _chirps(r)]
        tone = np.array([abs(r.tone_error_hz or 0.0) for r in kept])
        wpm = np.array([abs(r.wpm_error) for r in these if r.wpm_error is not None])
        text = np.array([r.character_errors for r in these if r.character_errors is not None])
        out.append(
            f"{name}: tone error median {_q(tone, 50):.3g} Hz, 95 % {_q(tone, 95):.3g} Hz; "
            f"speed median {_q(wpm, 50):.2%}, 95 % {_q(wpm, 95):.2%}; character errors "
            f"{text.mean() if text.size else 0:.2%}, above 5 % in {(text > 0.05).sum()} of {text.size}"
        )
    done = [r for r in rows if r.error is None]
    if done:
        cost = np.array([r.diagnose_s for r in done])
        rate = cost.sum() / sum(r.duration_s for r in done)
        making = sum(r.make_s for r in done) / len(done)
        out.append(
            f"time to diagnose: median {np.median(cost):.2f} s, worst {cost.max():.2f} s, "
            f"{rate * 120:.2f} s per two minutes; to make: {making:.2f} s"
        )
    return out


def _q(x: np.ndarray, percent: float) -> float:
    return float(np.percentile(x, percent)) if x.size else float("nan")


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(
        description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter
    )
    parser.add_argument("--n", type=int, default=5, help="recordings of each kind")
    parser.add_argument("--kinds", nargs="*", default=list(KINDS), metavar="KIND", help=" ".join(KINDS))
    parser.add_argument("--seed", type=int, default=1000)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--list-bad", action="store_true", help="one line for each recording judged wrongly")
    given = parser.parse_args()
    unknown = set(given.kinds) - set(KINDS)
    if unknown:
        parser.error(f"unknown kinds {sorted(unknown)}; known: {' '.join(KINDS)}")
    print(report(run(given.kinds, given.n, given.seed, given.jobs), list_bad=given.list_bad))


if __name__ == "__main__":
    main()
