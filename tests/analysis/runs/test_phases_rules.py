"""The rules by which phases are found, each on an exact curve a little inside of it and a little outside.

Curves have fifty samples a second and no noise where none is stated. Means over some tenths of a second
move an edge by less than the gap between inside and outside, or the comment says by how much.
"""

from __future__ import annotations

from collections.abc import Sequence

import pytest
from make_curves import COASTING, Stretch, made_curve

from analysis.runs.phases import find_runs
from analysis.runs.run import Phase, PhaseKind, Run

_STAND: Stretch = (3.0, 0.0)
_ROLL: Stretch = (30.0, COASTING)


def _runs(
    stretches: Sequence[Stretch],
    start_mps: float = 0.0,
    *,
    noise_mps2: float = 0.0,
    fine: bool = True,
) -> tuple[Run, ...]:
    made = made_curve(stretches, start_mps, step_s=0.02, noise_mps2=noise_mps2, fine=fine)
    return find_runs(made)


def _only(runs: tuple[Run, ...], kind: PhaseKind) -> Phase:
    found = [phase for run in runs for phase in run.phases if phase.kind == kind]
    assert len(found) == 1, f"{len(found)} times {kind}"
    return found[0]


def _count(runs: tuple[Run, ...], kind: PhaseKind) -> int:
    return sum(phase.kind == kind for run in runs for phase in run.phases)


def _against_motion(speed_mps: float) -> float:
    """Deceleration in neutral of the made-up curves [m/s2]."""
    return 0.12 + 0.33 * (speed_mps / 30.0) ** 2


# ---- standing and pulling -------------------------------------------------------------------------


@pytest.mark.parametrize(("creep_mps", "stands"), [(0.48, True), (0.52, False)])
def test_creeping_below_half_a_metre_a_second_is_standing(creep_mps: float, stands: bool) -> None:
    runs = _runs([(5.0, 0.0), (5.0, 2.5), _ROLL], creep_mps)
    assert _count(runs, "stand") == stands


@pytest.mark.parametrize(("rolled_s", "stands"), [(2.9, True), (3.1, False)])
def test_a_pull_from_a_stand_may_roll_for_three_seconds_before(
    rolled_s: float, stands: bool
) -> None:
    """Rolling at 0.6 m/s: the stand belongs to the pull, which then begins where it ends.

    It rolls from 0.4 s before on; the pull is noticed 0.4 s before its acceleration begins.
    """
    runs = _runs([(4.0, 0.0), (2.4, 0.25), (rolled_s, 0.0), (5.0, 2.5), _ROLL])
    assert _count(runs, "stand") == stands
    start_s = 6.0 if stands else 6.4 + rolled_s - 0.4
    assert _only(runs, "pull").start_s == pytest.approx(start_s, abs=0.05)


@pytest.mark.parametrize(("accel_mps2", "pulls"), [(0.29, 0), (0.31, 1)])
def test_less_than_three_tenths_is_no_pull(accel_mps2: float, pulls: int) -> None:
    """Drifting up to speed in a high gear says little of power."""
    assert _count(_runs([_STAND, (30.0, accel_mps2), _ROLL], 5.0), "pull") == pulls


@pytest.mark.parametrize(("pause_s", "pulls"), [(2.8, 1), (3.1, 2)])
def test_the_longest_gear_change(pause_s: float, pulls: int) -> None:
    """2.2 s between the places where the mean over a second is small, 0.4 s inside at either end."""
    runs = _runs([_STAND, (4.0, 2.5), (pause_s, 0.0), (5.0, 2.5), _ROLL])
    assert _count(runs, "pull") == pulls


@pytest.mark.parametrize(("decel_mps2", "pulls"), [(0.7, 1), (0.85, 2)])
def test_slowing_by_a_metre_a_second_is_no_gear_change(decel_mps2: float, pulls: int) -> None:
    """For 1.6 s; the two places compared lie some 0.4 s of acceleration before and behind."""
    runs = _runs([_STAND, (4.0, 2.5), (1.6, -decel_mps2), (5.0, 2.5), _ROLL])
    assert _count(runs, "pull") == pulls


@pytest.mark.parametrize(("first_mps", "launch_s"), [(1.9, 4.9), (2.1, 2.6)])
def test_nobody_changes_gear_below_two_metres_a_second(first_mps: float, launch_s: float) -> None:
    """Moving up to the line and then pulling is one pull, from where the throttle is opened."""
    runs = _runs([_STAND, (first_mps / 2.5, 2.5), (1.2, 0.0), (5.0, 2.5), _ROLL])
    pull = _only(runs, "pull")
    assert pull.gear_pieces_s[0][0] == pytest.approx(launch_s + 0.5, abs=0.4)
    assert len(pull.gear_pieces_s) == (1 if first_mps < 2.0 else 2)


@pytest.mark.parametrize(("gain_mps", "pulls"), [(2.8, 0), (3.1, 1)])
def test_a_pull_gains_three_metres_a_second(gain_mps: float, pulls: int) -> None:
    assert _count(_runs([_STAND, (gain_mps, 1.0), _ROLL], 2.0), "pull") == pulls


@pytest.mark.parametrize(("gain_mps", "pulls"), [(8.5, 0), (9.5, 1)])
def test_a_pull_gains_three_tenths_of_the_fastest_speed(gain_mps: float, pulls: int) -> None:
    """In a recording that reaches 30 m/s: less is a drive on, between two coast-downs."""
    assert _count(_runs([_ROLL, (gain_mps / 2.0, 2.0), _ROLL], 30.0), "pull") == pulls


@pytest.mark.parametrize(("gain_mps", "pulls"), [(3.2, 0), (4.2, 1)])
def test_above_100_km_h_a_pull_gains_a_fifth_of_the_energy(gain_mps: float, pulls: int) -> None:
    """From 30 m/s in a recording that reaches 34 or 33 m/s: v^2 gains 1 - (30/34.2)^2 = 23 %, or 18 %."""
    runs = _runs([(3.0, 0.0), (gain_mps / 0.8, 0.8), _ROLL], 30.0)
    assert _count(runs, "pull") == pulls


# ---- release and gears ----------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("noise_mps2", "blurred_s"),
    [(0.3, 0.3), (0.65, 0.3), (1.0, 0.3), (1.5, 0.5), (2.0, 0.8)],
)
def test_the_rougher_the_ride_the_more_is_left_off_before_the_release(
    noise_mps2: float, blurred_s: float
) -> None:
    """The release is where means over 0.3 s differ most, or over 0.5, 0.8, 1.2 where that does not
    stand out of the noise; half of it and 0.25 s (0.12 in a quiet ride) are not used."""
    runs = _runs([_STAND, (9.0, 2.5), _ROLL], noise_mps2=noise_mps2)
    pull = next(phase for phase in runs[0].phases if phase.kind == "pull")
    assert pull.end_s == pytest.approx(12.0, abs=0.05)
    margin_s = 0.12 if noise_mps2 < 0.5 else 0.25
    left_off_s = pull.end_s - pull.gear_pieces_s[-1][1]
    assert left_off_s == pytest.approx(0.5 * blurred_s + margin_s, abs=1e-6)


@pytest.mark.parametrize(
    ("fine", "noise_mps2", "margin_s"), [(True, 0.0, 0.12), (True, 0.55, 0.25), (False, 0.0, 0.7)]
)
def test_a_margin_at_both_ends_of_a_gear_change_is_not_used(
    fine: bool, noise_mps2: float, margin_s: float
) -> None:
    """Out of gear from 9 s for 0.7 s, or 1.5 as fixes can show; found to a sample or two."""
    out_s = 0.7 if fine else 1.5
    stretches = [_STAND, (6.0, 2.5), (out_s, -0.3), (6.0, 2.0), _ROLL]
    runs = _runs(stretches, fine=fine, noise_mps2=noise_mps2)
    first, second = _only(runs, "pull").gear_pieces_s
    room_s = 0.03 if noise_mps2 == 0.0 else 0.05
    assert first[1] == pytest.approx(9.0 - margin_s, abs=room_s)
    assert second[0] == pytest.approx(9.0 + out_s + margin_s, abs=room_s)


@pytest.mark.parametrize(
    ("fine", "weak_s", "gears"), [(True, 2.7, 2), (True, 3.3, 1), (False, 4.7, 2), (False, 5.4, 1)]
)
def test_weak_drive_for_longer_than_any_gear_change_is_drive(
    fine: bool, weak_s: float, gears: int
) -> None:
    """Full drive is looked for 1.5 s before and after a dip, and 2.5 s with fixes alone: an engine
    that pulls weakly for longer than twice that is no clutch."""
    share = 0.3 if fine else 0.6
    stretches = [_STAND, (4.0, 2.5), (weak_s, 2.5 * share), (6.0, 2.5), _ROLL]
    pull = _only(_runs(stretches, fine=fine), "pull")
    assert len(pull.gear_pieces_s) == gears


@pytest.mark.parametrize(("drive_mps2", "gears"), [(0.75, 1), (0.95, 2)])
def test_in_a_rough_ride_a_gear_change_stands_out_of_the_noise(
    drive_mps2: float, gears: int
) -> None:
    """Gentle drive and 1 m/s2 of noise, 0.22 in a mean over 0.4 s: a fall by four times that counts."""
    stretches: list[Stretch] = [_STAND, (8.0, drive_mps2), (0.8, -0.1), (10.0, drive_mps2), _ROLL]
    pull = _only(_runs(stretches, noise_mps2=1.0), "pull")
    assert len(pull.gear_pieces_s) == gears


def test_a_gear_that_catches_for_a_moment_in_a_change_is_part_of_the_change() -> None:
    """Out of gear from 9 to 9.4 s and from 9.64 to 10.04 s: between them is no drive to be used."""
    change: list[Stretch] = [(0.4, -0.3), (0.24, 2.2), (0.4, -0.3)]
    pull = _only(_runs([_STAND, (6.0, 2.5), *change, (6.0, 2.0), _ROLL]), "pull")
    first, second = pull.gear_pieces_s
    assert first[1] == pytest.approx(9.0 - 0.12, abs=0.05)
    assert second[0] == pytest.approx(10.04 + 0.12, abs=0.05)


@pytest.mark.parametrize(
    ("fine", "start_s", "end_s"), [(True, 3.12, 12.0 - 0.27), (False, 3.7, 11.0)]
)
def test_drive_is_used_from_where_it_is_full_to_the_release(
    fine: bool, start_s: float, end_s: float
) -> None:
    """Full from 3 to 12 s: less a margin at the launch, and one with the blur at the release; with
    fixes alone 0.7 and 1 s."""
    ((found_s, left_s),) = _only(
        _runs([_STAND, (9.0, 2.5), _ROLL], fine=fine), "pull"
    ).gear_pieces_s
    assert (found_s, left_s) == pytest.approx((start_s, end_s), abs=0.03)


def test_drive_counts_from_where_the_clutch_has_taken_up() -> None:
    """Acceleration grows from 0 to 3 m/s2 over the first second: 80 % of it are reached at 3.8 s."""
    clutch: list[Stretch] = [(0.02, 3.0 * i / 50.0) for i in range(50)]
    pull = _only(_runs([_STAND, *clutch, (6.0, 3.0), _ROLL]), "pull")
    assert pull.gear_pieces_s[0][0] == pytest.approx(3.8 + 0.12, abs=0.05)


@pytest.mark.parametrize(
    ("fine", "share", "gears"),
    [(True, 0.42, 2), (True, 0.48, 1), (False, 0.78, 2), (False, 0.82, 1)],
)
def test_how_far_the_drive_falls_in_a_gear_change(fine: bool, share: float, gears: int) -> None:
    """Below 0.45 of what it is on both sides; fixes alone show 0.8 of a fall that is deeper."""
    dip_s = 0.7 if fine else 1.5
    runs = _runs([_STAND, (6.0, 2.5), (dip_s, 2.5 * share), (6.0, 2.5), _ROLL], fine=fine)
    assert len(_only(runs, "pull").gear_pieces_s) == gears


@pytest.mark.parametrize(("held_s", "pieces"), [(0.55, 2), (0.6, 3)])
def test_a_gear_is_used_from_half_a_second_of_steady_drive(held_s: float, pieces: int) -> None:
    """Held between two changes; 0.12 s at either end are margin, less what the mean smears."""
    runs = _runs([_STAND, (4.0, 2.5), (0.6, 0.0), (held_s, 2.5), (0.6, 0.0), (4.0, 2.5), _ROLL])
    found = _only(runs, "pull").gear_pieces_s
    assert len(found) == pieces
    assert min(end - start for start, end in found) >= 0.5 - 1e-9


@pytest.mark.parametrize(("pulled_s", "used"), [(2.6, False), (2.8, True)])
def test_fixes_alone_need_a_second_of_steady_drive(pulled_s: float, used: bool) -> None:
    """0.7 s at the launch and 1 s before the release are margin."""
    runs = _runs([_STAND, (pulled_s, 2.5), _ROLL], fine=False)
    pull = _only(runs, "pull")
    assert pull.used == used
    assert len(pull.gear_pieces_s) == used
    assert (pull.why_not is None) == used


@pytest.mark.parametrize(("after_s", "to_the_end"), [(0.2, True), (0.5, True), (0.6, False)])
def test_a_recording_stopped_at_the_release_is_driven_to_its_end(
    after_s: float, to_the_end: bool
) -> None:
    """Within half a second of the end no release can be told from a shake of the phone."""
    ((_, end_s),) = _only(_runs([_STAND, (9.0, 2.5), (after_s, COASTING)]), "pull").gear_pieces_s
    assert end_s == pytest.approx(12.0 + after_s if to_the_end else 12.0 - 0.27, abs=0.03)


# ---- coasting -------------------------------------------------------------------------------------


@pytest.mark.parametrize(("fine", "settle_s"), [(True, 0.9), (False, 2.0)])
def test_a_coast_down_counts_from_when_neutral_is_in(fine: bool, settle_s: float) -> None:
    runs = _runs([_STAND, (9.0, 2.5), _ROLL], fine=fine)
    begun_s = _only(runs, "coast").start_s - _only(runs, "pull").end_s
    assert begun_s == pytest.approx(settle_s, abs=0.011)


@pytest.mark.parametrize(("rolled_s", "coasts"), [(5.4, 0), (5.6, 1)])
def test_a_coast_down_lasts_five_seconds(rolled_s: float, coasts: int) -> None:
    """Half a second at its end is not used."""
    assert _count(_runs([(rolled_s, COASTING)], 30.0), "coast") == coasts


@pytest.mark.parametrize(("rolled_s", "coasts"), [(12.5, 0), (13.5, 1)])
def test_a_coast_down_loses_two_metres_a_second(rolled_s: float, coasts: int) -> None:
    """From 12 m/s 2 m/s are lost in 12.6 s, and half a second at the end is not used."""
    (coast,) = [run.phase("coast") for run in _runs([(rolled_s, COASTING)], 12.0)]
    assert coast is not None
    assert coast.used == bool(coasts)
    assert coast.used or "where a coast-down loses at least 7.2 km/h" in str(coast.why_not)


@pytest.mark.parametrize(("start_mps", "rolled_s"), [(45.0, 9.0), (12.0, 5.5)])
@pytest.mark.parametrize(("times", "coasts"), [(0.97, 1), (1.03, 0)])
def test_nothing_in_neutral_slows_more_than_a_light_motorcycle(
    start_mps: float, rolled_s: float, times: float, coasts: int
) -> None:
    """1.6 m/s2 of tyres and hill, and air of 0.65 m2 on 260 kg: 1.2 / 2 x 0.65 / 260 v^2."""

    def slows(speed_mps: float) -> float:
        return -times * (1.6 + 1.2 / 2.0 * 0.65 / 260.0 * speed_mps**2)

    assert _count(_runs([(rolled_s, slows)], start_mps), "coast") == coasts


def test_a_coast_down_ends_before_the_vehicle_stops() -> None:
    """At 1.5 m/s: below, tyres and bearings stick. Half a second before is not used."""
    coast = _only(_runs([(90.0, COASTING), (9.0, -0.3)], 12.0), "coast")
    assert coast.to_mps == pytest.approx(1.5 + 0.5 * _against_motion(1.5), abs=0.02)


@pytest.mark.parametrize(("brake_mps2", "noticed"), [(0.24, False), (0.28, True)])
def test_a_brake_of_a_quarter_metre_per_second_squared_is_noticed(
    brake_mps2: float, noticed: bool
) -> None:
    """For 4 s beside the coast-down's own trend. Less is let pass: the model's residuals show it."""
    dragged: Stretch = (4.0, lambda v: -_against_motion(v) - brake_mps2)
    runs = _runs([(20.0, COASTING), dragged, (20.0, COASTING)], 30.0)
    first = next(phase for phase in runs[0].phases if phase.kind == "coast")
    assert first.end_s <= 20.0 if noticed else first.end_s > 43.0


def test_a_long_brake_does_not_become_the_trend() -> None:
    """Dragging for 10 s of 50: the trend is what most of the coast-down has."""
    dragged: Stretch = (10.0, lambda v: -_against_motion(v) - 0.5)
    coast = _runs([(20.0, COASTING), dragged, (20.0, COASTING)], 30.0)[0].phase("coast")
    assert coast is not None
    assert 18.5 < coast.end_s <= 20.0


@pytest.mark.parametrize(("brake_mps2", "noticed"), [(0.45, False), (0.7, True)])
def test_in_a_rough_ride_a_brake_stands_out_of_the_noise(brake_mps2: float, noticed: bool) -> None:
    """1 m/s2 of noise is 0.12 in a mean over 1.5 s: 4.5 times that, 0.52, or jolts would be brakes."""
    dragged: Stretch = (4.0, lambda v: -_against_motion(v) - brake_mps2)
    runs = _runs([(20.0, COASTING), dragged, (20.0, COASTING)], 30.0, noise_mps2=1.0)
    first = next(phase for phase in runs[0].phases if phase.kind == "coast")
    assert first.end_s <= 20.0 if noticed else first.end_s > 24.0


@pytest.mark.parametrize(("drive_mps2", "noticed"), [(0.24, False), (0.26, True)])
def test_speeding_up_by_a_quarter_metre_per_second_squared_ends_a_coast_down(
    drive_mps2: float, noticed: bool
) -> None:
    """A hill in neutral may do less."""
    runs = _runs([_STAND, (9.0, 2.5), (20.0, COASTING), (8.0, drive_mps2), (20.0, COASTING)])
    coast = runs[0].phase("coast")
    assert coast is not None
    assert coast.end_s <= 32.5 if noticed else coast.end_s > 59.0


@pytest.mark.parametrize(("drive_mps2", "start_s"), [(0.045, 0.0), (0.055, 14.5)])
def test_a_lone_coast_down_begins_where_the_drive_ends(drive_mps2: float, start_s: float) -> None:
    """15 s of gently speeding up in front of it; level rolling, as down a hill, may be neutral."""
    coast = _only(_runs([(15.0, drive_mps2), (40.0, COASTING)], 25.0), "coast")
    assert coast.start_s == pytest.approx(start_s, abs=0.05)


def test_a_touch_of_the_brake_parts_a_coast_down_in_two() -> None:
    """Half a second at 2 m/s2: what rolls on is used from 2 s after what was used before."""
    runs = _runs([(20.0, COASTING), (0.5, -2.0), (20.0, COASTING)], 30.0)
    first, second = (phase for run in runs for phase in run.phases if phase.kind == "coast")
    assert first.end_s <= 20.0
    assert second.start_s == pytest.approx(first.end_s + 2.0)
    assert second.start_s >= 20.5


def test_rolling_for_four_seconds_late_in_a_recording_is_no_coast_down() -> None:
    assert _count(_runs([(25.0, 0.25), (4.5, COASTING)], 38.0), "coast") == 0


# ---- braking and the stop after it ----------------------------------------------------------------


@pytest.mark.parametrize(("brake_s", "braked"), [(0.325, 0), (0.36, 1)])
def test_a_brake_is_one_that_takes_a_metre_a_second(brake_s: float, braked: int) -> None:
    """2 m/s2; the second before it, in which the coast-down is already left, takes 0.35 m/s more."""
    runs = _runs([(20.0, COASTING), (brake_s, -2.0), (5.0, 0.0)], 30.0)
    assert _only(runs, "coast").end_s <= 20.0
    assert _count(runs, "brake") == braked


def test_a_run_ends_with_its_brake_and_its_stop() -> None:
    """Braked from 20 s on at 2.5 m/s2 to a standstill, in which the next pull begins."""
    runs = _runs([(20.0, COASTING), (10.0, -2.5), (6.0, 0.0), (5.0, 2.5), _ROLL], 25.0)
    assert [[phase.kind for phase in run.phases] for run in runs] == [
        ["coast", "brake", "stand"],
        ["stand", "pull", "coast"],
    ]
    coast, brake, stand = runs[0].phases
    stopped_s = 20.0 + 19.1 / 2.5  # 25 m/s less what coasting took
    assert (coast.end_s, brake.end_s) == (brake.start_s, stand.start_s)
    assert 18.5 < coast.end_s <= 20.0
    assert brake.end_s == pytest.approx(stopped_s, abs=0.3)
    assert brake.to_mps < 0.5
    assert stand.end_s == pytest.approx(36.0, abs=0.5)
    assert runs[1].start_s == brake.end_s


def test_a_stop_lasts_to_the_last_sample_below_half_a_metre_a_second() -> None:
    """Rolling off at 0.25 m/s2 from 36 s on: 0.5 m/s are reached at 38.0 s."""
    runs = _runs([(20.0, COASTING), (10.0, -2.5), (6.0, 0.0), (9.0, 0.25)], 25.0)
    assert _only(runs, "stand").end_s == pytest.approx(37.98, abs=0.011)
