"""The judgement: measurements in, symptoms, causes, a verdict and one experiment for each cause out.

Nothing here touches samples. `limits` says where a symptom begins, `symptoms` has a rule for each
(`rules_*`),
`tables` holds what each cause leaves in a recording, `evidence` reads that from the measurements,
`model` weighs it, `causes` puts it in words and `experiments` proposes what to try. `heard` lists
what stands between the signal and a distant listener.
"""

from __future__ import annotations

from sigcheck.judge import causes, symptoms
from sigcheck.judge.heard import hearing
from sigcheck.judge.shapes import Cause, Diagnosis, Experiment, Symptom
from sigcheck.judge.verdict import sentence_for, verdict_for
from sigcheck.measure.results import Measurements
from sigcheck.plan import Plan

__all__ = ["Cause", "Diagnosis", "Experiment", "Symptom", "diagnose"]


def diagnose(m: Measurements, plan: Plan | None = None) -> Diagnosis:
    """Judge one recording.

    Raises
    ------
    PlanError : the plan sets a limit that does not exist.
    """
    found, not_measured = symptoms.find(m, plan)
    likely = causes.find(m, found, not_measured, plan)
    verdict = verdict_for(m, found)
    return Diagnosis(
        symptoms=found,
        causes=likely,
        verdict=verdict,
        sentence=sentence_for(m, verdict, found, likely, not_measured),
        hearing=hearing(m, found, not_measured),
        not_measured=not_measured,
    )
