"""Says from recordings of a receiver's audio what is wrong with a low-power beacon transmitter.

>>> import sigcheck
>>> result = sigcheck.diagnose("night1.flac", plan=sigcheck.load_plan("shed.toml"))   # doctest: +SKIP
>>> result.verdict                                                                    # doctest: +SKIP
'faulty'

The names below are loaded when they are first used, so ``import sigcheck`` costs next to nothing.
The measurements themselves live in the subpackage ``sigcheck.measure``, the judgement in
``sigcheck.judge``.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from sigcheck.comparison import Comparison, compare
    from sigcheck.errors import (
        CaptureError,
        PlanError,
        RecordingError,
        ResultError,
        SaveError,
        SettingError,
        SigcheckError,
    )
    from sigcheck.history import History, read_history
    from sigcheck.measure.results import Measurements
    from sigcheck.plan import Plan, load_plan
    from sigcheck.recording import Recording, from_samples, load
    from sigcheck.result import Result, diagnose
    from sigcheck.saved import load_result

__version__ = "0.1.0"

__all__ = [
    "CaptureError",
    "Comparison",
    "History",
    "Measurements",
    "Plan",
    "PlanError",
    "Recording",
    "RecordingError",
    "Result",
    "ResultError",
    "SaveError",
    "SettingError",
    "SigcheckError",
    "__version__",
    "compare",
    "diagnose",
    "from_samples",
    "load",
    "load_plan",
    "load_result",
    "read_history",
]

_HOME = {
    "CaptureError": "sigcheck.errors",
    "Comparison": "sigcheck.comparison",
    "History": "sigcheck.history",
    "Measurements": "sigcheck.measure.results",
    "Plan": "sigcheck.plan",
    "PlanError": "sigcheck.errors",
    "Recording": "sigcheck.recording",
    "RecordingError": "sigcheck.errors",
    "Result": "sigcheck.result",
    "ResultError": "sigcheck.errors",
    "SaveError": "sigcheck.errors",
    "SettingError": "sigcheck.errors",
    "SigcheckError": "sigcheck.errors",
    "compare": "sigcheck.comparison",
    "diagnose": "sigcheck.result",
    "from_samples": "sigcheck.recording",
    "load": "sigcheck.recording",
    "load_plan": "sigcheck.plan",
    "load_result": "sigcheck.saved",
    "read_history": "sigcheck.history",
}


def __getattr__(name: str) -> Any:
    """Load a public name from its module on first use (PEP 562)."""
    if name not in _HOME:
        raise AttributeError(f"module 'sigcheck' has no attribute {name!r}")
    value = getattr(import_module(_HOME[name]), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted(set(globals()) | set(__all__))
