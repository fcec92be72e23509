"""What is measured in each of the recordings of `judged_recordings`, kept beside them."""

from __future__ import annotations

import json
import pickle
from collections.abc import Iterator
from dataclasses import dataclass
from multiprocessing import Pool
from pathlib import Path

import numpy as np

from sigcheck.measure.pipeline import measure
from sigcheck.measure.results import Measurements
from sigcheck.recording import from_samples


@dataclass(frozen=True)
class Case:
    """One recording: what was put in, which of it truly shows, and what was measured."""

    name: str
    put_in: tuple[str, ...]
    causes: frozenset[str]  # those of which a symptom is truly beyond its limit
    symptoms: frozenset[str]
    faults: frozenset[str]
    borderline: frozenset[str]
    measured: Measurements

    @property
    def vague(self) -> bool:
        """A cause was put in that shows only by symptoms at their limits: neither there nor not."""
        return set(self.put_in) != set(self.causes)


def measured_cases(folder: Path, which: str, *, jobs: int = 1, again: bool = False) -> list[Case]:
    """All recordings of one set; those not measured yet (or all, ``again``) are measured first."""
    paths = sorted(folder.glob(f"{which}-*[0-9].npz"))
    with Pool(jobs) as pool:
        pool.starmap(_measure, [(p, again) for p in paths], chunksize=4)
    return list(_read(paths))


def _measure(path: Path, again: bool) -> None:
    kept = path.with_suffix(".measured")
    if kept.exists() and not again:
        return
    with np.load(path) as data:
        samples = data["samples"].astype(np.float32) / 32768.0
        measured = measure(from_samples(samples, int(data["rate_hz"]))).measurements
    kept.write_bytes(pickle.dumps(measured))


def _read(paths: list[Path]) -> Iterator[Case]:
    for path in paths:
        with np.load(path) as data:
            truth = json.loads(str(data["truth"]))
        yield Case(
            name=path.stem,
            put_in=tuple(truth["put_in"]),
            causes=frozenset(truth["causes"]) - {"no-fault"},
            symptoms=frozenset(truth["symptoms"]),
            faults=frozenset(s for s, how in truth["severity"].items() if how == "fault"),
            borderline=frozenset(truth["borderline"]),
            measured=pickle.loads(path.with_suffix(".measured").read_bytes()),
        )
