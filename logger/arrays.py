"""The array of numbers that most functions take and give."""

from __future__ import annotations

from typing import TypeAlias

import numpy as np
from numpy.typing import NDArray

__all__ = ["Array"]

#: Numbers in double precision, of the shape that the docstring states.
Array: TypeAlias = NDArray[np.float64]
