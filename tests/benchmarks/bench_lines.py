"""Lines of modulation: errors over their bound, detection, false lines, as tables.

    python -m tests.benchmarks.bench_lines [--recordings 60] [--seed 71]

The recordings are made of formulas (tests/independent/lines_examined.py), none of them the samples'.
"""

from __future__ import annotations

import argparse

import numpy as np

from tests.independent.lines_examined import run, table

KEYED_SHARE = 0.75  # of the recordings; the others are steady


def levels(count: int, seed: int) -> str:
    """Mains families and single lines of -20 to -50 dBc, steady and 8 to 40 WPM, 15 to 45 dB."""
    rows, (_, loud, mains) = run(count, seed, "some", KEYED_SHARE, 0.0, False)
    return f"{table(rows)}\nrecordings with a false line of -50 dBc or more: {len(loud)}, called mains: {len(mains)}"


def detection(count: int, seed: int, over_db: float) -> str:
    """Share of single lines found, by their height over the noise in their own resolution."""
    rows, _ = run(count, seed, "one", KEYED_SHARE, over_db, False)
    found = np.mean([r.error_db is not None for r in rows])
    return f"{over_db:.0f} dB over the noise: {100 * found:.0f} % found"


def families(count: int, seed: int) -> str:
    """A converter's rate with its harmonics, which walks by up to 2 Hz in ten seconds."""
    rows, _ = run(count, seed, "switching", KEYED_SHARE, 0.0, False)
    found = [r for r in rows if r.error_db is not None]
    within = np.mean([abs(r.error_db) < 1.0 for r in found if r.error_db is not None])
    named = np.mean([r.family == "switching" for r in found])
    right = np.mean([r.nature_right for r in found])
    return (f"switching: {len(found)} of {len(rows)} found near their mean frequency, {100 * within:.0f} % within "
            f"1 dB, {100 * named:.0f} % named, nature of {100 * right:.0f} % right")  # fmt: skip


def false_lines(count: int, seed: int) -> str:
    """Clean recordings in which any line is reported."""
    _, (some, loud, mains) = run(count, seed, "none", KEYED_SHARE, 0.0, False)
    return f"of {count} clean: any line {len(some)}, of -50 dBc or more {len(loud)}, called mains {len(mains)}"


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--recordings", type=int, default=60)
    parser.add_argument("--seed", type=int, default=71)
    given = parser.parse_args()
    print(levels(given.recordings, given.seed), flush=True)
    print(families(given.recordings, given.seed + 3), flush=True)
    for over_db in (12.0, 15.0, 18.0):
        print(detection(given.recordings, given.seed + 1, over_db), flush=True)
    print(false_lines(given.recordings, given.seed + 2))


if __name__ == "__main__":
    main()
