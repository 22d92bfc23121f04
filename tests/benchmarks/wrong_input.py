"""What becomes of sessions that are wrong: refused, doubted with the cause, or sold as good.

Run from anywhere: ``python tests/benchmarks/wrong_input.py --seeds 3 --keep``. Sound simulated sessions
are edited in the ways of `wrong_input_cases.py`, analysed, and compared with their truth; sound
sessions of all phones stand beside them, whose word must stay.
"""

from __future__ import annotations

import argparse
import json
import os
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from functools import partial
from pathlib import Path

HERE = Path(__file__).resolve().parent
sys.path[:0] = [str(HERE), str(HERE.parents[1])]
# one thread per process, or two processes on two cores wait for each other; before numpy is loaded
os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np
from figures import Figure, keep_figures, keep_text
from wrong_input_cases import CASES, Case, Made

from analysis.pipeline import Analysis, analyse
from analysis.results.checks.validity import NothingUsable
from analysis.simulate.phone import PhoneKind
from analysis.simulate.session import simulate_session
from analysis.simulate.truth import Truth
from logger.errors import PullcoastError
from logger.reading import read_log
from logger.recording import Recording
from logger.session.session import Session, read_session

__all__ = ["Outcome", "judge", "judge_sound", "main", "missed", "table"]

#: A result this many sd from the truth is wrong.
_WRONG_SIGMA = 3.0
#: Findings that name a cause; the others describe the logs.
_CAUSES = {
    "run_apart", "roads_differ", "speed_off_positions", "speed_far_from_positions", "f0_negative",
    "road_load_unusual", "f2_unusual", "sensors_differ", "coast_not_used", "pull_not_used",
    "mass_unusual", "runs_scatter", "power_steps", "speed_frozen", "speed_ceiling", "clock_step",
    "brake_touched", "part_throttle_first",
}  # fmt: skip
_SOUND: tuple[tuple[str, PhoneKind, int], ...] = (
    ("clean phone", "clean", 2), ("rough phone", "rough", 2), ("GPS alone", "gps-only", 2),
    ("one pair", "clean", 1),
)  # fmt: skip


@dataclass(frozen=True, slots=True, kw_only=True)
class Outcome:
    """What became of one session: errors relative and in sd of road load and peak, trust, causes."""

    case: str
    family: str
    seed: int
    evident: bool
    level: str
    road_load: float | None
    road_load_sigma: float | None
    peak: float | None
    peak_sigma: float | None
    causes: tuple[str, ...]

    @property
    def sigma(self) -> float:
        """The larger of the two errors in sd; 0 for a refused session."""
        return max(abs(self.road_load_sigma or 0.0), abs(self.peak_sigma or 0.0))


def _made(seed: int, phone: PhoneKind, pairs: int, *, one_way: bool = False) -> Made:
    """Simulate a session and one of another vehicle, and read both back."""
    both = [_read(one, phone, pairs, one_way=one_way) for one in (seed, seed + 1000)]
    (session, recordings, truth), (_, others, _) = both
    return Made(session, recordings, truth, others)


def _read(
    seed: int, phone: PhoneKind, pairs: int, *, one_way: bool
) -> tuple[Session, tuple[Recording, ...], Truth]:
    with tempfile.TemporaryDirectory(prefix="pullcoast_wrong_") as folder:
        path = Path(folder)
        runs = 2 * pairs if one_way else pairs
        truth = simulate_session(path, seed=seed, phone=phone, pairs=runs, one_way=one_way)
        session = read_session(path)
        recordings = tuple(read_log(one.files, columns=one.columns) for one in session.logs)
    return session, recordings, truth


def judge(case: Case, seed: int) -> Outcome:
    """Make one wrong session and analyse it."""
    made = case.edit(_made(seed, case.phone, 2, one_way=case.one_way))
    return _outcome(case.name, case.family, seed, made, evident=case.evident)


def judge_sound(name: str, phone: PhoneKind, pairs: int, seed: int) -> Outcome:
    """Analyse one sound session."""
    return _outcome(name, "sound", seed, _made(seed, phone, pairs), evident=False)


def _outcome(case: str, family: str, seed: int, made: Made, *, evident: bool) -> Outcome:
    load: tuple[float | None, float | None] = (None, None)
    peak: tuple[float | None, float | None] = (None, None)
    causes: list[str] = []
    try:
        found = analyse(made.session, made.recordings)
    except NothingUsable as error:
        level, causes = "refused", [error.reasons[0]]
    except PullcoastError as error:
        level, causes = "refused", [str(error)]
    else:
        level = found.verdict.trust.level
        causes = sorted({one.kind for one in found.findings} & _CAUSES)
        load, peak = _errors(found, made.truth)
    return Outcome(
        case=case,
        family=family,
        seed=seed,
        evident=evident,
        level=level,
        road_load=load[0],
        road_load_sigma=load[1],
        peak=peak[0],
        peak_sigma=peak[1],
        causes=tuple(causes),
    )


def _errors(
    found: Analysis, truth: Truth
) -> tuple[tuple[float | None, float | None], tuple[float | None, float | None]]:
    """Return the errors of road load and peak power: relative, and in sd."""
    load: tuple[float | None, float | None] = (None, None)
    peak: tuple[float | None, float | None] = (None, None)
    if found.road_load is not None:
        speed = np.array([np.clip(20.0, *found.road_load.speed_range_mps)])
        true = float(truth.force_n(speed)[0])
        away = float(found.road_load.force_n(speed)[0]) - true
        load = away / true, away / float(found.road_load.force_sd_n(speed)[0])
    if found.power is not None and truth.peak_wheel_power_w is not None:
        away = found.power.peak_w - truth.peak_wheel_power_w
        peak = away / truth.peak_wheel_power_w, away / found.power.peak_sd_w
    return load, peak


def missed(outcomes: Sequence[Outcome]) -> list[Outcome]:
    """Return the wrong results that are sold as good or fair although the logs show it."""
    return [
        one
        for one in outcomes
        if one.evident and one.level in ("good", "fair") and one.sigma > _WRONG_SIGMA
    ]


def table(outcomes: Sequence[Outcome]) -> str:
    """Return one line per session, worst first inside each family."""
    head = f"{'family':22}{'case':48}{'seed':>5} {'trust':9}{'load %':>8}{'sd':>7}{'peak %':>8}{'sd':>7}  causes"
    lines = [head]
    for one in sorted(outcomes, key=lambda o: (o.family, -o.sigma)):
        cells = [
            f"{'-':>8}{'-':>7}" if share is None else f"{100 * share:8.1f}{sigma or 0.0:7.1f}"
            for share, sigma in ((one.road_load, one.road_load_sigma), (one.peak, one.peak_sigma))
        ]
        mark = "!" if one in missed([one]) else " "
        lines.append(
            f"{one.family:22}{one.case[:47]:48}{one.seed:5d}{mark}{one.level:9}{''.join(cells)}  "
            f"{', '.join(one.causes)[:60]}"
        )
    return "\n".join(lines)


def main(argv: Sequence[str] | None = None) -> int:
    """Judge wrong and sound sessions, print the table; return 0."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--seeds", type=int, default=3, help="sessions per edit (default: 3)")
    parser.add_argument(
        "--sound", type=int, default=75, help="per kind of sound session (default: 75)"
    )
    parser.add_argument(
        "--every", type=int, default=1, help="take every nth edit only (default: 1)"
    )
    parser.add_argument("--rows", type=Path, help="keep each session's row here, and go on from it")
    parser.add_argument(
        "--minutes", type=float, default=1e6, help="stop after so long, to go on later"
    )
    parser.add_argument("--keep", action="store_true", help="keep the figures and the table")
    arguments = parser.parse_args(argv)
    known = _earlier_rows(arguments.rows)
    until = time.monotonic() + 60.0 * arguments.minutes
    jobs: list[tuple[str, int, Callable[[], Outcome]]] = [
        (case.name, seed, partial(judge, case, seed))
        for seed in range(1, arguments.seeds + 1)
        for case in CASES[:: arguments.every]
    ]
    jobs += [
        (name, seed, partial(judge_sound, name, phone, pairs, seed))
        for seed in range(1, arguments.sound + 1)
        for name, phone, pairs in _SOUND
    ]
    for name, seed, work in jobs:
        if (name, seed) not in known:
            if time.monotonic() > until:
                print(f"{len(known)} of {len(jobs)} done; the same command goes on from there")
                return 0
            known[name, seed] = work()
            _write_row(arguments.rows, known[name, seed])
    every = [known[name, seed] for name, seed, _ in jobs]
    outcomes = [one for one in every if one.family != "sound"]
    sound = [one for one in every if one.family == "sound"]
    lost = [one for one in sound if one.level in ("refused", "doubtful")]
    evident = sum(one.evident for one in outcomes)
    levels = ", ".join(f"{n} {word}" for word, n in Counter(o.level for o in outcomes).items())
    text = (
        f"{table(outcomes)}\n\n{len(missed(outcomes))} of {evident} evidently wrong sessions sold as good or "
        f"fair (marked !); of all {len(outcomes)}: {levels}\n{len(lost)} of {len(sound)} sound sessions "
        f"refused or doubted\n{table(lost)}\n"
    )
    print(text)
    if arguments.keep:
        figures = [
            Figure(
                "wrong sessions whose logs show it, off by over 3 sd, good or fair",
                float(len(missed(outcomes))),
                highest=0.0,
            )
        ]
        if sound:
            share = 100.0 * len(lost) / len(sound)
            what = f"sound sessions refused or doubted, of {len(sound)}"
            figures.append(Figure(what, share, highest=2.0, unit="%"))
        keep_figures("wrong_input", figures, of=f"{len(outcomes)} wrong, {len(sound)} sound")
        keep_text("wrong_input", text)
    return 0


def _earlier_rows(file: Path | None) -> dict[tuple[str, int], Outcome]:
    """Return what an interrupted run has left."""
    found = {}
    if file is not None and file.exists():
        for line in file.read_text(encoding="utf-8").splitlines():
            row = json.loads(line)
            found[row["case"], row["seed"]] = Outcome(**{**row, "causes": tuple(row["causes"])})
    return found


def _write_row(file: Path | None, outcome: Outcome) -> None:
    if file is not None:
        with file.open("a", encoding="utf-8") as out:
            out.write(json.dumps(asdict(outcome)) + "\n")


if __name__ == "__main__":
    sys.exit(main())
