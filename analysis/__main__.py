"""`python -m analysis` is the command `pullcoast`, also from a clone without installing."""

from __future__ import annotations

import sys

__all__ = ["main"]

#: As a shell counts a process that an interrupt ended.
_INTERRUPTED = 130


def main() -> int:
    """Run the command line; an interrupt ends it with one line also while modules are loaded."""
    try:
        from analysis.cli.main import main as run

        return run()
    except KeyboardInterrupt:
        print("pullcoast: left by Ctrl-C", file=sys.stderr)
        return _INTERRUPTED


if __name__ == "__main__":
    sys.exit(main())
