"""Whether something is there under a path, and what forbids to look."""

from __future__ import annotations

from pathlib import Path

__all__ = ["is_there"]


def is_there(path: Path) -> bool:
    """Tell whether a path leads to something; what forbids to look is raised.

    `Path.exists` hides that from Python 3.14 on.

    Raises
    ------
    OSError
        A folder on the way may not be entered, links turn in a circle, a name is too long.
    """
    try:
        path.stat()
    except (FileNotFoundError, NotADirectoryError):
        return False
    return True
