"""Whether two results.json hold the same figures: `python tests/support/same_results.py ONE OTHER`."""

from __future__ import annotations

import json
import math
import sys
from pathlib import Path

__all__ = ["differences", "main"]

#: Relative difference that another release of numpy or scipy may make by rounding alone.
TOLERANCE = 1e-9


def differences(one: object, other: object, place: str = "") -> list[str]:
    """Return where two documents differ: in words, in shape, or in a number by more than rounding.

    The parts of a budget are roots of differences of variances: their squares add up to the whole
    variance, and only to a share of that whole are they known.
    """
    if isinstance(one, dict) and isinstance(other, dict) and one.keys() == other.keys():
        found = []
        squares = place.endswith(".budget")
        whole = sum(value**2 for value in one.values()) if squares else 0.0
        for key, value in one.items():
            if squares and abs(value**2 - other[key] ** 2) <= TOLERANCE * whole:
                continue
            found += differences(value, other[key], f"{place}.{key}")
        return found
    if isinstance(one, list) and isinstance(other, list) and len(one) == len(other):
        pairs = enumerate(zip(one, other, strict=True))
        return [text for at, pair in pairs for text in differences(*pair, f"{place}[{at}]")]
    if one == other or (
        isinstance(one, float)
        and isinstance(other, float)
        and math.isclose(one, other, rel_tol=TOLERANCE)
    ):
        return []
    return [f"{place.removeprefix('.')}: {one!r} and {other!r}"]


def main(paths: list[str]) -> int:
    """Print the differences of two files; 1 where there is one."""
    one, other = (json.loads(Path(path).read_text(encoding="utf-8")) for path in paths)
    found = differences(one, other)
    print("\n".join(found) or f"the same figures within {TOLERANCE:g}")
    return 1 if found else 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
