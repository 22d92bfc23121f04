"""Whether the capture page's verdict beside the road is right.

Run by hand, where the tests of the capture page run:

    python tests/benchmarks/verdicts.py --keep     # also writes results/verdicts.txt

Simulated runs of every kind of phone go through the page's own module in a browser. Counted are: times
between speeds that lie within their +/-; runs that are all right, but that it wants repeated; and runs
spoilt in four ways that it finds. A rough phone loses GPS for seconds here and there by itself.
"""

from __future__ import annotations

import argparse
import sys
import tempfile
from datetime import UTC, datetime
from importlib.metadata import version
from pathlib import Path
from typing import get_args

import numpy as np

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parent / "support"), str(HERE.parents[1])]

from figures import Figure, keep_figures, keep_text
from make_browser import launched
from make_verdicts import gate_errors, judged, spoilt, true_runs

from analysis.simulate.phone import PhoneKind

LEAST_HELD, MOST_REPEATED, LEAST_FOUND = 91.0, 5.0, 95.0


def main() -> int:
    """Simulate, judge, count, print; 1 where a goal is missed."""
    parser = argparse.ArgumentParser(description=__doc__.split("\n", 1)[0])
    parser.add_argument("--pairs", type=int, default=34, help="of runs per phone (default: 34)")
    parser.add_argument("--seed", type=int, default=1000, help="of the first (default: 1000)")
    parser.add_argument("--keep", action="store_true", help="write the figures into results")
    arguments = parser.parse_args()
    seeds = range(arguments.seed, arguments.seed + arguments.pairs)
    lines = ["phone      runs  times  held %  rms error s  median +/- s  repeat"]
    held: list[bool] = []
    repeated, found, count = 0, 0, 0
    missed: list[str] = []
    for _, browser in launched():
        for phone in get_args(PhoneKind):
            runs = true_runs(seeds, phone)
            with tempfile.TemporaryDirectory(prefix="pullcoast_verdicts_") as folder:
                verdicts = judged(browser, Path(folder) / "a", [run.samples for run in runs])
                ways = [(way, samples) for run in runs for way, samples in spoilt(run).items()]
                spoils = judged(browser, Path(folder) / "b", [samples for _, samples in ways])
            single = [said[0] if len(said) == 1 else None for said in verdicts]
            again = sum(said is None or said["worth"] == "repeat" for said in single)
            errors = [
                error
                for run, said in zip(runs, single, strict=True)
                if said is not None
                for error in gate_errors(run, said)
            ]
            good = [abs(error_s) <= width_s for _, error_s, width_s in errors]
            rms_s = float(np.sqrt(np.mean([error_s**2 for _, error_s, _ in errors])))
            width_s = float(np.median([width_s for _, _, width_s in errors]))
            lines.append(
                f"{phone:9s} {len(runs):5d}  {len(good):5d}  {100 * np.mean(good):6.1f}"
                f"  {rms_s:11.2f}  {width_s:12.2f}  {again:6d}"
            )
            print(lines[-1], flush=True)
            held += good
            repeated += again
            count += len(runs)
            for (way, _), said in zip(ways, spoils, strict=True):
                # nothing found is asked to be repeated, too
                right = not said or said[0]["worth"] == "repeat"
                found += right
                if not right:
                    missed.append(f"{phone} {way}: {said[0]['faults']}")
            lines.append(f"  spoilt: {len(ways)}, missed so far: {len(missed)}")
    total = found + len(missed)
    figures = [
        Figure("times within their +/-", 100.0 * float(np.mean(held)), LEAST_HELD, None, "%"),
        Figure("good runs to be repeated", 100.0 * repeated / count, None, MOST_REPEATED, "%"),
        Figure("spoilt runs to be repeated", 100.0 * found / total, LEAST_FOUND, None, "%"),
    ]
    head = [
        f"{datetime.now(UTC):%Y-%m-%d %H:%M} UTC",
        f"pullcoast {version('pullcoast')}, {count} runs from seed {arguments.seed}",
        "",
    ]
    tail = ["", *(f"{f.what}: {f.found:.1f} %" for f in figures), *missed]
    text = "\n".join([*head, *lines, *tail]) + "\n"
    print(text)
    if arguments.keep:
        keep_text("verdicts", text)
        keep_figures("verdicts", figures, f"{count} runs")
    return 0 if all(figure.verdict != "MISSED" for figure in figures) else 1


if __name__ == "__main__":
    sys.exit(main())
