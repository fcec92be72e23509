"""Every error that sigcheck raises on purpose.

The tree::

    SigcheckError                    anything the caller can do something about
    +-- RecordingError               the audio could not be read or is unusable
    +-- CaptureError                 sound could not be recorded
    +-- PlanError                    the plan holds something wrong or contradictory
    +-- SettingError                 an option or argument is out of range
    +-- ResultError                  a saved result is damaged, foreign or from a newer version
    +-- SaveError                    an output could not be written

Each message says what is wrong, where, and what to do, in one line.
The command line prints it on standard error and ends with status 2.
Anything else that escapes is a defect of sigcheck and ends with status 1.
"""

from __future__ import annotations


class SigcheckError(Exception):
    """Base of all errors that the caller can do something about."""


class RecordingError(SigcheckError):
    """The audio could not be read or is unusable."""


class CaptureError(SigcheckError):
    """Sound could not be recorded."""


class PlanError(SigcheckError):
    """The plan holds something wrong, unknown or contradictory."""


class SettingError(SigcheckError):
    """An option or argument is out of range."""


class ResultError(SigcheckError):
    """A saved result is damaged, foreign or written by a newer version."""


class SaveError(SigcheckError):
    """An output could not be written."""
