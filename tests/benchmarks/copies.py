"""Second copies of a recording: how many are found, and how many drives are taken for copies.

Run from anywhere: ``python tests/benchmarks/copies.py --seeds 3 --keep``. Every recording of simulated
sessions (all phones, and one session of each world of `tests/truth`) is written again in the ways
of `make_copies` and given a second phone: each must be found. Every two recordings of a session, of
two seeds, and of two days of one vehicle are drives of their own: none may be taken for the other,
also where one is rounded to whole km/h or one decimal.
"""

from __future__ import annotations

import argparse
import contextlib
import sys
import tempfile
from collections import Counter
from collections.abc import Iterator
from itertools import combinations, product
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), *(str(HERE.parent / name) for name in ("truth", "support"))]
sys.path.insert(0, str(HERE.parents[1]))

import numpy as np
from figures import Figure, keep_figures
from make_copies import COPIES, dated, second_phone, written_again
from named_worlds import WORLDS
from true_sessions import simulate

from analysis.signals.copies import Trace, same_drive, trace_of
from analysis.simulate.phone import PhoneKind
from analysis.simulate.session import simulate_session
from logger.errors import ReadError
from logger.reading import read_log
from logger.recording import Recording
from logger.session.session import read_session

_PHONES: tuple[PhoneKind, ...] = ("clean", "rough", "gps-only")
#: Ways to write a drive of its own that round it, beside the recording as it is.
_ROUNDED = ("whole km/h", "one decimal", "mph, one decimal")


def recordings_of(folder: Path) -> list[Recording]:
    """Read a session's recordings back."""
    found = []
    for entry in read_session(folder).logs:
        with contextlib.suppress(ReadError):  # a phone whose accelerometer is refused at rest
            found.append(read_log(entry.files, columns=entry.columns))
    return found


def families(seeds: int, place: Path) -> Iterator[tuple[str, list[list[Recording]]]]:
    """Return sessions that may be set against each other: of one phone or world."""
    for phone in _PHONES:
        made = []
        for seed in range(seeds):
            folder = place / f"{phone}{seed}"
            simulate_session(folder, seed=seed, phone=phone, pairs=2)
            made.append(recordings_of(folder))
        yield phone, made
    for name, world in WORLDS.items():
        made = []
        for seed in range(min(seeds, 2)):
            folder = place / f"{name}{seed}"
            simulate(world, seed, folder)
            made.append(recordings_of(folder))
        yield name, made


def found(traces: tuple[Trace, Trace]) -> bool:
    """Return whether either order finds one drive in both."""
    return same_drive(*traces) is not None or same_drive(*traces[::-1]) is not None


def judge(
    made: list[list[Recording]], folder: Path, counts: Counter[str], rng: np.random.Generator
) -> None:
    """Count copies that are missed and drives that are taken for copies."""
    every = [recording for session in made for recording in session]
    own = [trace_of(one) for one in every]
    for one, trace in zip(every, own, strict=True):
        for how in COPIES:
            try:
                again = written_again(one, how, folder)
            except ReadError:  # fixes that cannot be written so, as two within a millisecond
                counts["not written"] += 1
                continue
            if again is not None:
                counts["copies"] += 1
                if not found((trace, trace_of(again))):
                    counts["copies missed"] += 1
                    counts[f"missed: {how}"] += 1
        counts["second phones"] += 1
        phones = dated(one), second_phone(dated(one), rng)
        counts["second phones missed"] += not found((trace_of(phones[0]), trace_of(phones[1])))
    rounded = []
    for one, trace in zip(every, own, strict=True):
        ways = [trace]
        for how in _ROUNDED:
            try:
                again = written_again(one, how, folder)
            except ReadError:
                continue
            if again is not None:
                ways.append(trace_of(again))
        rounded.append(ways)
    for ways, others in combinations(rounded, 2):
        for first, second in product(ways, others):
            counts["drives"] += 1
            counts["drives taken"] += found((first, second))


def main() -> int:
    """Run the benchmark; 1 where anything failed."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3)
    parser.add_argument("--keep", action="store_true", help="keep the figures")
    chosen = parser.parse_args()
    total: Counter[str] = Counter()
    rng = np.random.default_rng(1)
    with tempfile.TemporaryDirectory() as place:
        for name, made in families(chosen.seeds, Path(place)):
            counts: Counter[str] = Counter()
            judge(made, Path(place), counts, rng)
            print(f"{name:24s} {dict(sorted(counts.items()))}", flush=True)
            total += counts
    print(f"{'all':24s} {dict(sorted(total.items()))}")
    figures = [
        Figure("copies of a recording", float(total["copies"]), None, None),
        Figure("copies that are not found", float(total["copies missed"]), None, 0.0),
        Figure("second phones", float(total["second phones"]), None, None),
        Figure("second phones not found", float(total["second phones missed"]), None, 0.0),
        Figure("pairs of drives of their own", float(total["drives"]), None, None),
        Figure("drives taken for copies", float(total["drives taken"]), None, 0.0),
    ]
    if chosen.keep:
        keep_figures("copies", figures, f"--seeds {chosen.seeds}")
    return int(any(figure.verdict == "MISSED" for figure in figures))


if __name__ == "__main__":
    sys.exit(main())
