"""Exit statuses, and every error as one message on stderr: light enough to import always."""

from __future__ import annotations

import os
import sys

__all__ = ["EXIT_FAULT", "EXIT_INPUT", "EXIT_NOTHING", "EXIT_OK", "complain", "describe", "explain"]

#: Longest message [characters].
_LONGEST = 4000

EXIT_OK = 0
#: The logs can be read but hold nothing that the question needs.
EXIT_NOTHING = 1
#: Usage, unreadable or contradictory input, or a place that cannot be written to.
EXIT_INPUT = 2
#: A fault of pullcoast itself.
EXIT_FAULT = 3


def explain(error: Exception, about: str = "") -> int:
    """Print an error on stderr as `describe` puts it and return the exit status that it means.

    Parameters
    ----------
    error : Exception
        Anything that reached the end of a command.
    about : str
        What it is about, for example a session of several; put before the message.
    """
    texts, status = describe(error)
    if status == EXIT_FAULT and os.environ.get("PULLCOAST_TRACEBACK"):
        raise error
    before = f"{about}: " if about else ""
    for text in texts:
        complain(before + text)
    return status


def describe(error: Exception) -> tuple[tuple[str, ...], int]:
    """Return an error in words, and the exit status that it means.

    Parameters
    ----------
    error : Exception
        Anything that reached the end of a command.

    Returns
    -------
    texts : tuple of str
        One message, or each of the error's `reasons`.
    status : int
        `EXIT_NOTHING` for errors with `reasons`.
    """
    if isinstance(error, ImportError):
        return (_missing(error),), EXIT_INPUT
    # loaded with the command that raised; not imported here, where it might be another's `logger`
    errors = sys.modules.get("logger.errors")
    if errors is not None and isinstance(error, errors.PullcoastError):
        reasons = getattr(error, "reasons", None)
        return tuple(reasons or (str(error),)), EXIT_INPUT if reasons is None else EXIT_NOTHING
    if isinstance(error, OSError):
        where = f"{error.filename}: " if error.filename else ""
        return (f"{where}{error.strerror or error}",), EXIT_INPUT
    if isinstance(error, MemoryError):
        text = "not enough memory for these logs; try fewer or shorter ones at a time"
        return (text,), EXIT_INPUT
    trace = error.__traceback__
    while trace is not None and trace.tb_next is not None:
        trace = trace.tb_next
    where = "" if trace is None else f" in {trace.tb_frame.f_code.co_name}, line {trace.tb_lineno}"
    text = (
        f"a fault of pullcoast itself: {type(error).__name__}: {error}{where}. Your files are as "
        "they were; please report it (PULLCOAST_TRACEBACK=1 in the environment shows more)"
    )
    return (text,), EXIT_FAULT


def complain(text: str) -> None:
    """Print one message on stderr, cut at a length that is still read."""
    if len(text) > _LONGEST:
        text = text[:_LONGEST] + " ..."
    print(f"pullcoast: {text}", file=sys.stderr)


def _missing(error: ImportError) -> str:
    """Return why a module is missing; another distribution may own the name `logger`."""
    name = (error.name or "").partition(".")[0]
    if name not in ("logger", "analysis"):
        return (
            f"the package {error.name or error} cannot be imported ({error}). Install pullcoast "
            "with its dependencies: python -m pip install pullcoast"
        )
    module = sys.modules.get(name)
    owner = getattr(module, "__file__", None) or "nowhere"
    own = os.path.dirname(os.path.dirname(os.path.dirname(__file__)))
    if os.path.dirname(os.path.dirname(owner)) == own:
        return f"pullcoast's own files are incomplete ({error}); install it again"
    return (
        f"{error.name} is missing: the module {name} was found at {owner}, which is not pullcoast's. "
        "Another package of that name stands in the way; install pullcoast into a virtual "
        "environment of its own"
    )
