"""What the page says of certainty by pairs of runs: made of the benchmark `accuracy`'s kept figures.

Half the 95 % interval is 1.96 times the rms error over simulated sessions; of road load the worst of 50,
72 and 100 km/h. With a clean phone one pair and four are measured, and between them error^2 = a +
b/pairs. Of a rough phone and of GPS alone only four are: fewer are taken to be worse by
sqrt(4/pairs), the most that they can be where all of the error shrinks with runs.

``python tests/support/make_page_typical.py`` writes it into typical.js after the figures changed.
"""

from __future__ import annotations

import json
import math
from pathlib import Path

from make_page_version import PAGE

__all__ = ["typical_text"]

FIGURES = Path(__file__).resolve().parents[1] / "benchmarks" / "results" / "figures"
_Z95 = 1.959964
_MOST_PAIRS = 4
_TEXT = """\
// Half the usual 95 % interval [%] of peak wheel power, and of road load at its worst, by pairs: made of
// kept figures of simulated sessions by tests/support/make_page_typical.py.
export const TYPICAL = {table};
"""


def _rms(case: str) -> tuple[float, float]:
    """Return the rms errors of peak power and of the worst road load of a benchmark's case [%]."""
    figures = json.loads((FIGURES / f"accuracy-{case}.json").read_text(encoding="utf-8"))["figures"]
    found = {figure["what"]: figure["found"] for figure in figures}
    load = max(found[f"road load at {speed} km/h, rms error"] for speed in (50, 72, 100))
    return found["peak wheel power, rms error"], load


def _by_pairs(four: float, one: float | None) -> list[float]:
    """Return 1.96 rms errors of one pair, two, three and four [%]."""
    counts = range(1, _MOST_PAIRS + 1)
    if one is None:
        errors = [four * math.sqrt(_MOST_PAIRS / count) for count in counts]
    else:
        b = (one**2 - four**2) / (1.0 - 1.0 / _MOST_PAIRS)
        errors = [math.sqrt(one**2 - b + b / count) for count in counts]
    return [round(_Z95 * error, 1) for error in errors]


def typical_text() -> str:
    """Return the module typical.js."""
    table = {}
    for phone, case, single in (
        ("clean", "clean", "one-pair"),
        ("rough", "rough", None),
        ("gps", "gps-only", None),
    ):
        ones = (None, None) if single is None else _rms(single)
        pairs = zip(("power", "load"), _rms(case), ones, strict=True)
        table[phone] = {name: _by_pairs(four, one) for name, four, one in pairs}
    return _TEXT.format(table=json.dumps(table).replace('"', ""))


if __name__ == "__main__":
    (PAGE / "typical.js").write_text(typical_text(), encoding="utf-8")
