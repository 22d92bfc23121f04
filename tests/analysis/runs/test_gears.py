"""Which pieces were driven in one gear: made-up pulls, and simulated ones against their truth."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from make_sessions import simulated

from analysis.runs.gears import agree_on_changes, gear_knots, match_gears
from analysis.runs.phases import find_runs
from analysis.runs.road import place_runs
from analysis.runs.run import Phase, Run
from analysis.signals.gps import Fixes
from analysis.signals.mount import Mount
from analysis.signals.smoothing import Fused, SpeedCurve, fuse

#: Made-up gears: (lowest speed, highest speed, acceleration) with 0.7 s between them.
_GEARS = ((2.0, 11.0, 3.2), (10.8, 18.0, 2.1), (17.8, 26.0, 1.3))


def _pull(
    number: int,
    *,
    first: int = 0,
    last: int = 3,
    seen: tuple[int, ...] | None = None,
    gain: float = 1.0,
) -> tuple[Fused, Run]:
    """One pull through gears first..last - 1; `seen` are the changes that phases found."""
    rng = np.random.default_rng([61, number])
    time, speed, accel = [0.0], [_GEARS[first][0]], [0.0]
    spans = []
    for index in range(first, last):
        _, top, level = _GEARS[index]
        start = time[-1]
        while speed[-1] < top + rng.uniform(-0.2, 0.2):
            here = gain * level * (1.0 - 0.02 * (speed[-1] - _GEARS[index][0]))
            time.append(time[-1] + 0.1)
            speed.append(speed[-1] + 0.1 * here)
            accel.append(here)
        spans.append((start + 0.1, time[-1] - 0.1))
        for _ in range(7):
            time.append(time[-1] + 0.1)
            speed.append(speed[-1] - 0.03)
            accel.append(-0.3)
    t, v = np.array(time), np.array(speed)
    a = np.array(accel) + 0.05 * rng.standard_normal(t.size)
    some = np.full(t.size, 0.05)
    curve = SpeedCurve(
        log=number,
        time_s=t,
        speed_mps=v,
        speed_sd_mps=some,
        accel_mps2=a,
        accel_sd_mps2=some,
        place_m=np.cumsum(v) * 0.1,
    )
    mount = Mount(
        accel_time_s=t,
        forward_mps2=a,
        lateral_mps2=0.0 * t,
        used=True,
        why_not=None,
        lag=None,
        rate_hz=50.0,
    )
    fused = Fused(
        curve=curve,
        fixes=Fixes(t_s=t[::10], speed_mps=v[::10], clock=0, from_positions=False),
        mount=mount,
        lag_s=0.0,
        lag_sd_s=0.05,
        fix_sd_mps=0.05,
    )
    pieces = [list(spans[0])]
    for count, span in enumerate(spans[1:]):
        if seen is None or count in seen:
            pieces.append(list(span))
        else:
            pieces[-1][1] = span[1]
    pull = Phase(
        kind="pull", start_s=0.0, end_s=spans[-1][1], from_mps=float(v[0]), to_mps=float(v[-1]),
        gear_pieces_s=tuple((a_s, b_s) for a_s, b_s in pieces),
    )  # fmt: skip
    return fused, Run(log=number, number=number, direction=1, phases=(pull,))


def _pieces(run: Run) -> tuple[tuple[float, float], ...]:
    pull = run.phase("pull")
    assert pull is not None
    return pull.gear_pieces_s


def test_pieces_of_one_gear_get_one_number_in_order_of_speed() -> None:
    made = [_pull(0), _pull(1), _pull(2)]
    gears = match_gears([fused for fused, _ in made], [run for _, run in made])
    assert gears == {0: (0, 1, 2), 1: (0, 1, 2), 2: (0, 1, 2)}


def test_a_roll_on_pull_starts_in_the_gear_it_was_driven_in() -> None:
    made = [_pull(0), _pull(1, first=1), _pull(2, first=2), _pull(3, last=2)]
    gears = match_gears([fused for fused, _ in made], [run for _, run in made])
    assert gears == {0: (0, 1, 2), 1: (1, 2), 2: (2,), 3: (0, 1)}


def test_unused_pulls_have_no_gears() -> None:
    made = [_pull(0), _pull(1)]
    runs = [made[0][1], replace(made[1][1], phases=(replace(made[1][1].phases[0], used=False),))]
    gears = match_gears([fused for fused, _ in made], runs)
    assert set(gears) == {0}


def test_a_change_that_one_pull_missed_is_cut_there_too() -> None:
    made = [_pull(0), _pull(1), _pull(2), _pull(3, seen=(0,))]
    fused, runs = [fused for fused, _ in made], [run for _, run in made]
    assert len(_pieces(runs[3])) == 2
    settled = agree_on_changes(fused, runs)
    assert [len(_pieces(run)) for run in settled] == [3, 3, 3, 3]
    whole = _pull(3)[1]
    for found, true in zip(_pieces(settled[3]), _pieces(whole), strict=True):
        assert found == pytest.approx(true, abs=0.6)


def test_a_change_that_only_one_pull_shows_is_closed() -> None:
    """One gap that the coarse search left must not split a gear in two where nothing dips."""
    made = [_pull(number) for number in range(4)]
    pull = made[1][1].phases[0]
    first, *rest = pull.gear_pieces_s
    middle = 0.5 * sum(first)
    split = ((first[0], middle - 0.3), (middle + 0.3, first[1]), *rest)
    runs = [run for _, run in made]
    runs[1] = replace(runs[1], phases=(replace(pull, gear_pieces_s=split),))
    settled = agree_on_changes([fused for fused, _ in made], runs)
    assert [len(_pieces(run)) for run in settled] == [3, 3, 3, 3]
    # the drive ends within two samples of the curve, of 0.1 s
    assert _pieces(settled[1])[0] == pytest.approx(first, abs=0.2)


@pytest.mark.parametrize("count", [1, 2, 3])
def test_changes_are_found_on_the_samples_themselves(count: int) -> None:
    """Pieces end and begin where the clutch does, whatever a coarse search made of them: two samples."""
    made = [_pull(number, seen=()) for number in range(count)]
    settled = agree_on_changes([fused for fused, _ in made], [run for _, run in made])
    for number, run in enumerate(settled):
        whole = _pieces(_pull(number)[1])
        assert len(_pieces(run)) == 3
        for found, true in zip(_pieces(run), whole, strict=True):
            assert found == pytest.approx(true, abs=0.25)


def _felt(
    number: int, gap_s: float, ratio: float, kept: float, *, ramp_s: float = 0.05
) -> tuple[Fused, Run, float]:
    """A pull with one change at 12 m/s, 50 samples a second with vibration of 0.4 m/s2.

    Through the change the share `kept` of the force stays; after it the force is `ratio` of before.
    Returns the moment at which it begins to fall too.
    """
    rng = np.random.default_rng([62, number])
    dt, v, t = 0.02, 3.0, 0.0
    rows: list[tuple[float, float, float]] = []
    change_at = None
    turn_mps = 12.0 + 0.1 * rng.standard_normal()
    while v < 20.0 and t < 30.0:
        a = 3.4 - 0.05 * v
        if v >= turn_mps or change_at is not None:
            change_at = t if change_at is None else change_at
            since = t - change_at
            fall, back = min(since / ramp_s, 1.0), min(max((since - gap_s) / 0.1, 0.0), 1.0)
            low = 1.0 - (1.0 - kept) * fall
            a *= (1.0 - back) * low + back * ratio
        rows.append((t, v, a))
        v, t = v + a * dt, t + dt
    time, speed, accel = np.array(rows).T
    felt = accel + 0.4 * rng.standard_normal(time.size)
    coarse = np.arange(0.0, time[-1], 0.1)
    some = np.full(coarse.size, 0.05)
    curve = SpeedCurve(
        log=number, time_s=coarse, speed_mps=np.interp(coarse, time, speed), speed_sd_mps=some, accel_mps2=np.interp(coarse, time, accel), accel_sd_mps2=some,
        place_m=np.cumsum(some),
    )  # fmt: skip
    mount = Mount(
        accel_time_s=time,
        forward_mps2=felt,
        lateral_mps2=0.0 * time,
        used=True,
        why_not=None,
        lag=None,
        rate_hz=50.0,
    )
    fixes = Fixes(t_s=coarse[::10], speed_mps=curve.speed_mps[::10], clock=0, from_positions=False)
    fused = Fused(curve=curve, fixes=fixes, mount=mount, lag_s=0.0, lag_sd_s=0.05, fix_sd_mps=0.05)
    pull = Phase(
        kind="pull", start_s=0.0, end_s=float(time[-1]), from_mps=3.0, to_mps=20.0,
        gear_pieces_s=((0.2, float(time[-1]) - 0.2),),
    )  # fmt: skip
    assert change_at is not None
    return fused, Run(log=number, number=number, direction=1, phases=(pull,)), change_at


@pytest.mark.parametrize(
    ("gap_s", "ratio", "kept"),
    [
        (0.10, 0.75, 0.0),  # a quick-shifter, and a clutch in a hurry
        (0.15, 0.70, 0.0),
        (0.30, 0.65, -0.1),
        (0.35, 0.70, 0.5),  # an automatic that keeps half of its torque
        (0.05, 0.65, 0.65),  # two clutches: a step without a dip
    ],
)
def test_short_changes_and_changes_under_torque_are_found(
    gap_s: float, ratio: float, kept: float
) -> None:
    """Eight pulls with the vibration of a usual phone; lengths are common practice, no source."""
    made = [_felt(number, gap_s, ratio, kept) for number in range(8)]
    settled = agree_on_changes([one for one, _, _ in made], [run for _, run, _ in made])
    for (_, _, at), run in zip(made, settled, strict=True):
        first, second = _pieces(run)
        # nothing of the fall in the first piece, nothing of the way back in the second; and no more
        # than 0.3 s before and 0.65 s after is given away, of pulls that last 6 s
        assert at - 0.3 < first[1] < at + 0.05
        assert at + gap_s - 0.02 < second[0] < at + gap_s + 0.65


@pytest.mark.parametrize("count", [1, 2, 8])
def test_drive_without_a_change_is_left_whole(count: int) -> None:
    """Vibration alone, in one pull or in many, is never taken for a gear change."""
    made = [_felt(number, 0.0, 1.0, 1.0) for number in range(40)]
    for first in range(0, 40, count):
        part = [
            (fused, replace(run, log=at))
            for at, (fused, run, _) in enumerate(made[first : first + count])
        ]
        settled = agree_on_changes([fused for fused, _ in part], [run for _, run in part])
        assert [len(_pieces(run)) for run in settled] == [1] * len(part)


def test_knots_cover_the_speeds_of_a_gear() -> None:
    made = [_pull(0), _pull(1, first=1)]
    fused, runs = [fused for fused, _ in made], [run for _, run in made]
    gears = match_gears(fused, runs)
    knots = gear_knots(fused, runs, gears)
    assert len(knots) == 3
    for index, one in enumerate(knots):
        low, high, _ = _GEARS[index]
        assert one[0] <= low + 0.5
        assert one[-1] >= high - 0.4
        assert np.ptp(np.diff(one)) < 1e-9
        assert 0.5 < one[1] - one[0] < 1.6


def test_without_pulls_there_are_no_gears() -> None:
    run = Run(
        log=0,
        number=0,
        direction=1,
        phases=(Phase(kind="coast", start_s=0.0, end_s=60.0, from_mps=30.0, to_mps=8.0),),
    )
    fused = [_pull(0)[0]]
    assert match_gears(fused, [run]) == {}
    assert gear_knots(fused, [run], {}) == ()
    assert agree_on_changes(fused, [run]) == (run,)


@pytest.mark.parametrize("seed", [1, 2, 5])
def test_simulated_pulls_get_the_gears_they_were_driven_in(seed: int) -> None:
    made = simulated(seed)
    fused = [fuse(recording, log)[0] for log, recording in enumerate(made.recordings)]
    found = [run for log, one in enumerate(fused) for run in find_runs(one, log)]
    runs = tuple(replace(run, number=number) for number, run in enumerate(found))
    runs, _, _ = place_runs(made.recordings, fused, runs, made.session.logs)
    runs = agree_on_changes(fused, runs)
    gears = match_gears(fused, runs)
    lowest = min(gear.gear for truth in made.truth.runs for gear in truth.gears)
    for run, truth in zip(runs, made.truth.runs, strict=True):
        assert gears[run.number] == tuple(gear.gear - lowest for gear in truth.gears)
