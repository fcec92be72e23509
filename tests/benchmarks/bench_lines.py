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
    for over_db in (12.0, 15.0, 18.0):
        print(detection(given.recordings, given.seed + 1, over_db), flush=True)
    print(false_lines(given.recordings, given.seed + 2))


if __name__ == "__main__":
    main()
