"""`python -m analysis` is the command `pullcoast`, also from a clone without installing."""

from __future__ import annotations

import sys

from analysis.cli.main import main

__all__: list[str] = []

if __name__ == "__main__":
    sys.exit(main())
