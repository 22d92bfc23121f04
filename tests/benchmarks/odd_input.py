"""Odd input: 10,000 damaged files, objects that are no files, odd spans of time, lost outputs.

Run by hand: ``python tests/benchmarks/odd_input.py [--only spans] [--keep]``. What is tried, and what
counts as wrong, stands in `tests/support/make_odd_input.py`; the tests try a part of it.
"""

from __future__ import annotations

import argparse
import os
import sys
import tempfile
from collections.abc import Iterator
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support"), str(HERE.parents[1])]

from figures import Figure, keep_figures
from make_odd_input import SAMPLE, Case, damaged, objects, outputs, spans

from analysis.cli.main import main as pullcoast

_KINDS = ("damaged", "objects", "spans", "outputs")


def _cases(kind: str, count: int, place: Path) -> Iterator[Case]:
    if kind == "damaged":
        assert pullcoast(["report", str(SAMPLE), "--out", str(place / "out"), "--quiet"]) == 0
        (place / "in").mkdir()
        text = (place / "out" / "results.json").read_text(encoding="utf-8")
        return damaged(count, place / "in", text)
    return {"objects": objects, "spans": spans, "outputs": outputs}[kind](place)


def main() -> int:
    """Run the benchmark; 1 where anything failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--only", choices=_KINDS, action="append")
    parser.add_argument("--count", type=int, default=10_000, help="damaged files")
    parser.add_argument("--keep", action="store_true", help="keep the figures")
    chosen = parser.parse_args()
    failed = 0
    for kind in chosen.only or _KINDS:
        tried, wrong = 0, 0
        with tempfile.TemporaryDirectory() as place:
            for name, case in _cases(kind, chosen.count, Path(place)):
                tried += 1
                found = case()
                if found is not None:
                    wrong += 1
                    print(f"{kind}: {name}: {found}", flush=True)
        print(f"{kind}: {tried} tried, {wrong} failed", flush=True)
        failed += wrong
        if chosen.keep:
            figures = [
                Figure(f"{kind}: tried", float(tried)),
                Figure(f"{kind}: failed", float(wrong), None, 0.0),
            ]
            keep_figures(f"odd_input-{kind}", figures, f"{tried} cases")
    return int(failed > 0)


if __name__ == "__main__":
    sys.exit(main())
