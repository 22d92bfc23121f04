"""Edits that make a sound session a wrong one, each with whether the logs hold evidence of it.

An edit works on what a phone recorded: speeds are changed as another drive would have changed them, and
positions follow the changed speeds along the same road. Nothing here uses the estimator.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from analysis.simulate.phone import PhoneKind
from analysis.simulate.truth import Truth
from logger.recording import Channel, Recording
from logger.session.session import Session

__all__ = ["CASES", "Case", "Made"]

Array = NDArray[np.float64]
EARTH_M = 6_371_000.0


@dataclass(frozen=True, slots=True)
class Made:
    """A session as read, its truth, and another vehicle's session of the same kind."""

    session: Session
    recordings: tuple[Recording, ...]
    truth: Truth
    others: tuple[Recording, ...]


@dataclass(frozen=True, slots=True, kw_only=True)
class Case:
    """One edit; `evident` where the logs themselves can show that something is wrong."""

    name: str
    family: str
    edit: Callable[[Made], Made]
    phone: PhoneKind = "gps-only"
    one_way: bool = False
    evident: bool = True


def _with(recording: Recording, **values: Array) -> Recording:
    """Return the recording with other values in some channels."""
    return replace(
        recording,
        channels=tuple(
            replace(one, values=values[one.name]) if one.name in values else one
            for one in recording.channels
        ),
    )


def _channel(recording: Recording, name: str) -> Channel:
    found = recording.channel(name)
    assert found is not None, name
    return found


def _redriven(recording: Recording, change: Callable[[Array, Array], Array]) -> Recording:
    """Return a recording of another speed over time; its positions follow along the same road."""
    speed = _channel(recording, "speed_mps")
    new = np.maximum(change(speed.t_s, speed.values), 0.0)
    step = np.diff(speed.t_s, prepend=speed.t_s[0])
    before = np.cumsum(step * np.concatenate([[0.0], 0.5 * (speed.values[1:] + speed.values[:-1])]))
    after = np.cumsum(step * np.concatenate([[0.0], 0.5 * (new[1:] + new[:-1])]))
    values = {"speed_mps": new}
    for name in ("latitude_deg", "longitude_deg"):
        place = recording.channel(name)
        if place is not None:
            rising = before + 1e-9 * np.arange(before.size)
            moment = np.interp(np.interp(place.t_s, speed.t_s, after), rising, speed.t_s)
            values[name] = np.interp(moment, place.t_s, place.values)
    return _with(recording, **values)


def _span(made: Made, log: int, kind: str) -> tuple[float, float]:
    """Return start and end of a log's pull or coast-down as it truly was [s]."""
    run = next(one for one in made.truth.runs if one.log == log)
    return (run.launch_s, run.release_s) if kind == "pull" else (run.neutral_s, run.brake_s)


def _in(made: Made, logs: tuple[int, ...], edit: Callable[[int], Recording]) -> Made:
    recordings = tuple(edit(log) if log in logs else one for log, one in enumerate(made.recordings))
    return replace(made, recordings=recordings)


def of_another_vehicle(made: Made, *, logs: tuple[int, ...]) -> Made:
    """Take some logs from the other session."""
    return _in(made, logs, lambda log: made.others[log])


def with_force(
    made: Made, *, logs: tuple[int, ...], accel_mps2: float, part: tuple[float, float] = (0.0, 1.0)
) -> Made:
    """Accelerate some coast-downs by this much besides [m/s2], over a part of their time."""

    def edit(log: int) -> Recording:
        start_s, end_s = _span(made, log, "coast")

        def change(t_s: Array, speed: Array) -> Array:
            share = (t_s - start_s) / (end_s - start_s)
            step = np.diff(t_s, prepend=t_s[0])
            inside = (share > part[0]) & (share <= part[1])
            # at rest a brake holds, and what was lost stays lost
            return np.asarray(speed + np.cumsum(np.where(inside, accel_mps2 * step, 0.0)))

        return _redriven(made.recordings[log], change)

    return _in(made, logs, edit)


def at_throttle(made: Made, *, logs: tuple[int, ...], share: float, until: float = 1.0) -> Made:
    """Let some pulls gain only a share of their speed, up to a share of their time."""

    def edit(log: int) -> Recording:
        start_s, end_s = _span(made, log, "pull")
        end_s = start_s + until * (end_s - start_s)

        def change(t_s: Array, speed: Array) -> Array:
            step = np.diff(speed, prepend=speed[0])
            slow = (t_s > start_s) & (t_s <= end_s) & (step > 0.0)
            lost = np.cumsum(np.where(slow, (share - 1.0) * step, 0.0))
            return np.asarray(np.where(speed > 0.0, speed + lost, 0.0))

        return _redriven(made.recordings[log], change)

    return _in(made, logs, edit)


def frozen(made: Made, *, logs: tuple[int, ...], kind: str, count: int = 8) -> Made:
    """Let the speed stand still for some fixes in the middle of a phase."""

    def edit(log: int) -> Recording:
        speed = _channel(made.recordings[log], "speed_mps")
        first = int(np.searchsorted(speed.t_s, np.mean(_span(made, log, kind))))
        values = speed.values.copy()
        values[first : first + count] = values[first]
        return _with(made.recordings[log], speed_mps=values)

    return _in(made, logs, edit)


def with_hole(made: Made, *, logs: tuple[int, ...], kind: str, length_s: float = 6.0) -> Made:
    """Take some seconds out of the middle of a phase."""

    def edit(log: int) -> Recording:
        middle_s = float(np.mean(_span(made, log, kind)))

        def cut(one: Channel) -> Channel:
            keep = np.abs(one.t_s - middle_s) > 0.5 * length_s
            return replace(
                one, t_s=one.t_s[keep], values=one.values[keep], suspect=one.suspect[keep]
            )

        recording = made.recordings[log]
        return replace(recording, channels=tuple(cut(one) for one in recording.channels))

    return _in(made, logs, edit)


def with_clock(
    made: Made, *, logs: tuple[int, ...], rate: float = 1.0, jump_s: float = 0.0
) -> Made:
    """Let the clock run at another rate, or jump in the middle of the pull."""

    def edit(log: int) -> Recording:
        recording, middle_s = made.recordings[log], float(np.mean(_span(made, log, "pull")))
        channels = tuple(
            replace(one, t_s=rate * one.t_s + np.where(one.t_s > middle_s, jump_s, 0.0))
            for one in recording.channels
        )
        return replace(recording, channels=channels)

    return _in(made, logs, edit)


def of_speed(made: Made, *, logs: tuple[int, ...], factor: float) -> Made:
    """Multiply the speeds, as a display or another tyre does; the positions stay."""

    def edit(log: int) -> Recording:
        speed = _channel(made.recordings[log], "speed_mps")
        return _with(made.recordings[log], speed_mps=factor * speed.values)

    return _in(made, logs, edit)


def of_mass(made: Made, *, factor: float) -> Made:
    """State another mass."""
    vehicle = made.session.vehicle
    heavier = replace(
        vehicle,
        mass_kg=factor * vehicle.mass_kg,
        mass_sd_kg=factor * vehicle.mass_sd_kg,
        rotating_mass_kg=factor * vehicle.rotating_mass_kg,
        rotating_mass_sd_kg=factor * vehicle.rotating_mass_sd_kg,
    )
    return replace(made, session=replace(made.session, vehicle=heavier))


def on_two_roads(made: Made, *, east_m: float, turn_deg: float) -> Made:
    """Return every second log turned round and put on another road."""

    def edit(log: int) -> Recording:
        one = made.recordings[log]
        latitude, longitude = _channel(one, "latitude_deg"), _channel(one, "longitude_deg")
        stretch = np.cos(np.radians(latitude.values[0]))
        x = (longitude.values - longitude.values[0]) * stretch
        y = latitude.values - latitude.values[0]
        angle = np.radians(180.0 + turn_deg)
        east = x * np.cos(angle) - y * np.sin(angle) + x[-1] + np.degrees(east_m / EARTH_M)
        north = x * np.sin(angle) + y * np.cos(angle) + y[-1] + np.degrees(east_m / EARTH_M)
        return _with(
            one,
            latitude_deg=latitude.values[0] + north,
            longitude_deg=longitude.values[0] + east / stretch,
        )

    return _in(made, tuple(range(1, len(made.recordings), 2)), edit)


def _of_one_log(log: int) -> Iterator[Case]:
    """Give the edits of a single log."""
    logs, number = (log,), log + 1
    for phone, name in (("gps-only", ""), ("clean", ", with accelerometer")):
        yield Case(
            name=f"log {number} of another vehicle{name}",
            family="another vehicle",
            phone=phone,  # type: ignore[arg-type]  # one of the words
            edit=partial(of_another_vehicle, logs=logs),
        )
    for share in (0.5, 0.7, 0.85):
        yield Case(
            name=f"pull {number} at {share:.0%} throttle",
            family="part throttle",
            edit=partial(at_throttle, logs=logs, share=share),
        )
    for force in (-0.6, -0.35, -0.2, 0.15):
        yield Case(
            name=f"coast-down {number} with {force:+} m/s2",
            family="one coast-down",
            edit=partial(with_force, logs=logs, accel_mps2=force),
        )
    for force in (-1.5, -0.8):
        yield Case(
            name=f"brake touched in coast-down {number}, {force:+} m/s2",
            family="brake touched",
            edit=partial(with_force, logs=logs, accel_mps2=force, part=(0.4, 0.48)),
        )
    yield Case(
        name=f"pull {number} slow for its first quarter",
        family="part throttle first",
        edit=partial(at_throttle, logs=logs, share=0.4, until=0.25),
    )
    for kind in ("pull", "coast"):
        yield Case(
            name=f"8 equal speeds in {kind} {number}",
            family="frozen speed",
            edit=partial(frozen, logs=logs, kind=kind),
        )
        yield Case(
            name=f"6 s missing in {kind} {number}",
            family="hole",
            edit=partial(with_hole, logs=logs, kind=kind),
        )
    for jump_s in (2.0, 5.0):
        yield Case(
            name=f"clock jumps {jump_s:g} s in pull {number}",
            family="clock step",
            edit=partial(with_clock, logs=logs, jump_s=jump_s),
        )


def _of_all_logs() -> Iterator[Case]:
    """Give the edits of a whole session."""
    every = (0, 1, 2, 3)
    for factor in (0.5, 0.6, 0.7, 0.85, 1.2, 1.5, 2.0):
        yield Case(
            name=f"mass stated {factor:g} times",
            family="mass",
            edit=partial(of_mass, factor=factor),
            # a little off looks like another vehicle of its kind
            evident=factor in (0.5, 2.0),
        )
    for factor in (0.90, 0.93, 0.96, 0.98, 1.02, 1.04, 1.07, 1.10):
        for logs, where in ((every, "all logs"), ((0,), "log 1")):
            yield Case(
                name=f"speed {factor:g} times in {where}",
                family="speed of the wheels",
                edit=partial(of_speed, logs=logs, factor=factor),
            )
    for rate in (0.95, 0.98, 1.02, 1.05):
        yield Case(
            name=f"clock runs {rate:g} times",
            family="clock rate",
            edit=partial(with_clock, logs=every, rate=rate),
        )
    for force in (-0.5, -0.35, -0.2):
        yield Case(
            name=f"all coast-downs with {force:+} m/s2",
            family="all coast-downs",
            # a little braking in every run looks like another vehicle
            evident=force < -0.3,
            edit=partial(with_force, logs=every, accel_mps2=force),
        )
    for share in (0.7, 0.85):
        yield Case(
            name=f"{1 - share:.0%} less drive from run 3 on",
            family="power step",
            edit=partial(at_throttle, logs=(2, 3), share=share),
        )
    for east_m, turn_deg in ((300.0, 0.0), (5000.0, 0.0), (5000.0, 40.0), (0.0, 40.0)):
        yield Case(
            name=f"roads {east_m:.0f} m and {turn_deg:.0f} degrees apart",
            family="two roads",
            one_way=True,
            edit=partial(on_two_roads, east_m=east_m, turn_deg=turn_deg),
        )


#: All edits: those of each of four logs, then those of the whole session.
CASES: tuple[Case, ...] = (
    *(case for log in range(4) for case in _of_one_log(log)),
    *_of_all_logs(),
)
