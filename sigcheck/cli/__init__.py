"""The command ``sigcheck``: parse, call the library, print.

Results go to standard output, everything else to standard error. Exit status: 0 it ran, 1 a defect
of sigcheck, 2 the input or the call is unusable (one line says what and what to do), 3 symptoms
were found and ``--fail-on`` asked to be told.
"""

from __future__ import annotations

import os
import sys
import warnings
from collections.abc import Sequence
from typing import NoReturn

from sigcheck.errors import SigcheckError

DEFECT = 1
UNUSABLE = 2
SYMPTOMS_FOUND = 3
_INTERRUPTED = 130  # 128 + SIGINT, as shells have it
_PIPE_CLOSED = 141  # 128 + SIGPIPE


def main(arguments: Sequence[str] | None = None) -> NoReturn:
    """Run the command with these arguments, those of the process if none, and exit with its status."""
    status = run(sys.argv[1:] if arguments is None else arguments)
    sys.exit(status)


def run(arguments: Sequence[str]) -> int:
    """Run the command; every error ends here as one line on standard error and a status."""
    try:
        with warnings.catch_warnings():
            if not sys.warnoptions:
                warnings.simplefilter("ignore")  # warnings are for whoever calls the library
            from sigcheck.cli.app import command

            status = command()(list(arguments) or ["--help"], prog_name="sigcheck", standalone_mode=False)
            sys.stdout.flush()
        return status if isinstance(status, int) else 0
    except SigcheckError as error:
        return _complain(str(error), UNUSABLE)
    except KeyboardInterrupt:
        return _complain("interrupted", _INTERRUPTED)
    except (BrokenPipeError, SystemExit):  # Typer turns the one into the other
        # The reader has gone; what is still in the buffer must not raise again at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), 1)
        return _PIPE_CLOSED
    except MemoryError:
        return _complain("the recording does not fit into memory; cut it into shorter parts", UNUSABLE)
    except Exception as error:
        return _usage_or_defect(error)


def _usage_or_defect(error: Exception) -> int:
    # Typer's own errors are told by their shape, as their class has moved between its versions.
    told = getattr(error, "format_message", None)
    if told is not None:
        return _complain(f"{told()} (sigcheck --help shows the use)", UNUSABLE)
    if os.environ.get("SIGCHECK_TRACEBACK"):
        raise error
    return _complain(
        f"a defect of sigcheck: {type(error).__name__}: {error} (SIGCHECK_TRACEBACK=1 shows where)", DEFECT
    )


def _complain(message: str, status: int) -> int:
    print("sigcheck:", " ".join(message.split()), file=sys.stderr)
    return status
