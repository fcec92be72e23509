"""Recordings for fitting and for trying the judge, made once and kept in a folder.

    python -m tests.benchmarks.judged_recordings FOLDER [--fit N] [--held-out N] [--jobs J]

The *fit* set holds N recordings of each cause alone and as many clean ones as of two causes. The
*held-out* set draws none, one, two or three causes by their priors. Neither shares a seed with the other.
"""

from __future__ import annotations

import argparse
import json
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from sigcheck.synth import synthesise

from .judged_scenarios import DRAWS, draw, some_causes

FIT_SEED, HELD_OUT_SEED = 101, 202
AT_ONCE = (0.10, 0.50, 0.28, 0.12)  # shares of no, one, two and three causes in the held-out set

Task = tuple[str, int, tuple[str, ...], list[int]]


def tasks(fit: int, held_out: int) -> list[Task]:
    """Name of the set, number, causes and seed of each recording."""
    singles = [(cause,) for cause in DRAWS] + [(), ()]
    out: list[Task] = [
        ("fit", fit * k + i, causes, [FIT_SEED, k, i]) for k, causes in enumerate(singles) for i in range(fit)
    ]
    for i in range(held_out):
        rng = np.random.default_rng([HELD_OUT_SEED, i])
        count = int(rng.choice(len(AT_ONCE), p=AT_ONCE))
        out.append(("held-out", i, some_causes(rng, count) if count else (), [HELD_OUT_SEED, i, 1]))
    return out


def make(folder: Path, task: Task) -> Path:
    """Write samples and truth of one recording, unless they are there."""
    name, number, causes, seed = task
    path = folder / f"{name}-{number:05d}.npz"
    if not path.exists():
        made = synthesise(draw(np.random.default_rng(seed), causes))
        truth = json.dumps({"put_in": causes, **made.truth.to_dict()})
        partial = path.with_suffix(f".part{seed[-1]}.npz")
        np.savez(partial, samples=made.int16(), rate_hz=made.rate_hz, truth=truth)
        partial.rename(path)
    return path


def main() -> None:
    """Command line."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("folder", type=Path)
    parser.add_argument("--fit", type=int, default=30, help="recordings of each cause")
    parser.add_argument("--held-out", type=int, default=1400)
    parser.add_argument("--jobs", type=int, default=1)
    given = parser.parse_args()
    given.folder.mkdir(parents=True, exist_ok=True)
    work = [(given.folder, task) for task in tasks(given.fit, given.held_out)]
    with Pool(given.jobs) as pool:
        for done, path in enumerate(pool.starmap(make, work, chunksize=8), 1):
            if done % 200 == 0:
                print(f"{done} of {len(work)}: {path.name}", flush=True)


if __name__ == "__main__":
    main()
