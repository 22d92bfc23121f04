"""Lets tests import the helpers that lie beside them, and keeps them to one thread."""

from __future__ import annotations

import os
import sys
from pathlib import Path

# before anything imports numpy: threads gain nothing on matrices of this size and disturb each other
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

sys.path.insert(0, str(Path(__file__).parent))
