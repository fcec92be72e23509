"""Lines of modulation: errors over their bound, detection, false lines, as tables.

    pytest tests/benchmarks/bench_lines.py -q -s

The recordings are made of formulas (tests/independent/lines_examined.py), none of them the samples'.
"""

from __future__ import annotations

import numpy as np
import pytest

from tests.independent.lines_examined import run, table

RECORDINGS = 60


def bench_levels(benchmark: object) -> None:
    """Mains families and single lines of -20 to -50 dBc, steady and 8 to 40 WPM, 15 to 45 dB."""
    rows, (_, loud, mains) = run(RECORDINGS, 71, "some", 0.75, 0.0, False)
    print(f"\n{table(rows)}\nrecordings with a false line of -50 dBc or more: {len(loud)}, called mains: {len(mains)}")
    benchmark.pedantic(lambda: None)  # type: ignore[attr-defined]


@pytest.mark.parametrize("over_db", [12.0, 15.0, 18.0])
def bench_detection(benchmark: object, over_db: float) -> None:
    """Share of single lines found, by their height over the noise in their own resolution."""
    rows, _ = run(RECORDINGS, 72, "one", 0.75, over_db, False)
    found = np.mean([r.error_db is not None for r in rows])
    print(f"\n{over_db:.0f} dB over the noise: {100 * found:.0f} % found")
    benchmark.pedantic(lambda: None)  # type: ignore[attr-defined]


def bench_false_lines(benchmark: object) -> None:
    """Clean recordings in which any line is reported."""
    _, (some, loud, mains) = run(RECORDINGS, 73, "none", 0.75, 0.0, False)
    print(f"\nof {RECORDINGS}: any line {len(some)}, of -50 dBc or more {len(loud)}, called mains {len(mains)}")
    benchmark.pedantic(lambda: None)  # type: ignore[attr-defined]
