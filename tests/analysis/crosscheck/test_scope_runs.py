"""Marks become timed runs, and the phone's recording of the same run is found by its release."""

from __future__ import annotations

import numpy as np
import pytest
from make_analysis import make_analysis

from analysis.crosscheck.scope import align_release, runs_from_marks
from analysis.crosscheck.throttle import ThrottleMarks
from analysis.pipeline import Analysis
from logger.tables.scope import Edge

KMH = 1 / 3.6
GATES_KMH = (90.0, 60.0, 30.0)
#: The oscilloscope was switched on this long after the recording [s].
LATER_S = 41.7


def edge(at_s: float, *, rising: bool = True) -> Edge:
    return Edge(t_s=at_s, sd_s=0.01, rising=rising)


def scope_run(outcome: Analysis, pull: int) -> tuple[ThrottleMarks, tuple[float, ...]]:
    """Marks of one of the analysis' own runs, on the oscilloscope's clock, and their speeds."""
    figures = outcome.pulls[pull]
    curve = next(curve for curve in outcome.curves if curve.log == figures.log)
    after = curve.time_s >= figures.end_s
    t, v = curve.time_s[after], curve.speed_mps[after]
    speeds = (float(v[0]), GATES_KMH[1] * KMH, GATES_KMH[2] * KMH)
    blips = [float(t[int(np.argmax(v <= speed))]) - LATER_S for speed in speeds[1:]]
    marks = ThrottleMarks(
        full=edge(figures.start_s - LATER_S),
        release=edge(figures.end_s - LATER_S, rising=False),
        blips=tuple(edge(at) for at in blips),
    )
    return marks, speeds


def test_marks_become_intervals_with_their_own_sd() -> None:
    marks = ThrottleMarks(
        full=Edge(t_s=2.0, sd_s=0.03, rising=True),
        release=Edge(t_s=11.0, sd_s=0.04, rising=False),
        blips=(edge(24.0), edge(46.5)),
    )
    runs = runs_from_marks(marks, [v * KMH for v in GATES_KMH], 0.0, 0.1, 0.2)
    assert [run.kind for run in runs] == ["pull", "coast", "coast"]
    assert [run.gates.duration_s for run in runs] == pytest.approx([9.0, 13.0, 22.5])
    # errors of both edges and of the driver add in squares
    assert runs[0].time_sd_s == pytest.approx((0.03**2 + 0.04**2 + 0.1**2) ** 0.5)


@pytest.mark.parametrize(
    ("gates", "start", "message"),
    [
        ([25.0, 16.0, 8.0], 0.0, "2 marks .* for 3 gates"),
        ([16.0, 25.0], 0.0, "fall from one to the next"),
        ([25.0, 16.0], 26.0, "above the speed at which the pull began"),
    ],
)
def test_gates_that_do_not_fit_the_marks(gates: list[float], start: float, message: str) -> None:
    marks = ThrottleMarks(full=edge(2.0), release=edge(11.0, rising=False), blips=(edge(24.0),))
    with pytest.raises(ValueError, match=message):
        runs_from_marks(marks, gates, start, 0.1, 0.2)


@pytest.mark.parametrize("pull", [0, 5])
def test_a_named_run_gives_the_difference_of_the_clocks(pull: int) -> None:
    outcome = make_analysis()
    marks, speeds = scope_run(outcome, pull)
    runs = runs_from_marks(marks, speeds, 0.0, 0.1, 0.05)
    found = align_release(marks, runs, outcome.pulls, outcome.curves, chosen=pull)
    assert found is not None
    assert found.log == outcome.pulls[pull].log
    assert found.clock_difference_s == pytest.approx(LATER_S, abs=1e-9)
    assert 0.1 < found.clock_difference_sd_s < 0.3
    for item in found.intervals:
        assert item.difference_s is not None
        # the curve is known every 0.1 s
        assert abs(item.difference_s) < 0.15
        assert item.sd_s is not None


def test_the_run_that_fits_is_found_among_runs_that_do_not() -> None:
    outcome = make_analysis()
    marks, speeds = scope_run(outcome, 2)
    runs = runs_from_marks(marks, speeds, 0.0, 0.05, 0.02)
    others = [
        pull if number == 2 else pull.__class__(
            **{name: getattr(pull, name) for name in pull.__slots__ if name != "duration_s"},
            duration_s=pull.duration_s + 3.0,
        )
        for number, pull in enumerate(outcome.pulls)
    ]  # fmt: skip
    found = align_release(marks, runs, others, outcome.curves)
    assert found is not None
    assert found.log == outcome.pulls[2].log


def test_runs_too_alike_are_not_told_apart() -> None:
    outcome = make_analysis(logs=2)
    marks, speeds = scope_run(outcome, 0)
    runs = runs_from_marks(marks, speeds, 0.0, 0.3, 0.5)
    twice = (outcome.pulls[0], outcome.pulls[0])
    assert align_release(marks, runs, twice, outcome.curves) is None


def test_a_run_that_was_not_recorded_is_not_found() -> None:
    outcome = make_analysis()
    marks, speeds = scope_run(outcome, 0)
    other = ThrottleMarks(
        full=marks.full, release=edge(marks.release.t_s + 6.0, rising=False),
        blips=tuple(edge(blip.t_s + 6.0) for blip in marks.blips),
    )  # fmt: skip
    runs = runs_from_marks(other, speeds, 0.0, 0.1, 0.1)
    assert align_release(other, runs, outcome.pulls, outcome.curves) is None
