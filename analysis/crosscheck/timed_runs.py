"""Times between gates as a stopwatch gives them: their texts, and the textbook figures of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from logger.errors import SessionError
from logger.session.keys import TIMED_RUN
from logger.units import STANDARD_GRAVITY_MPS2, to_si

__all__ = [
    "GateInterval",
    "TimedKind",
    "TimedRun",
    "kinetic_mean_power_w",
    "mean_force_n",
    "parse_timed_runs",
    "two_interval_road_load",
]

TimedKind = Literal["pull", "coast"]


@dataclass(frozen=True, slots=True, kw_only=True)
class GateInterval:
    """A timed change of speed: from one gate [m/s] to another in some time [s]."""

    from_mps: float
    to_mps: float
    duration_s: float

    def __post_init__(self) -> None:
        """Raise ValueError for a duration that is not above 0 s or a negative speed."""
        if not self.duration_s > 0.0:
            msg = f"a timed interval lasts longer than 0 s, got {self.duration_s:g} s"
            raise ValueError(msg)
        if not (self.from_mps >= 0.0 and self.to_mps >= 0.0):
            msg = f"gate speeds are not negative, got {self.from_mps:g} and {self.to_mps:g} m/s"
            raise ValueError(msg)

    @property
    def mean_speed_mps(self) -> float:
        """Mean of the two gates [m/s]."""
        return (self.from_mps + self.to_mps) / 2.0

    @property
    def accel_mps2(self) -> float:
        """Mean acceleration, negative when slowing [m/s2]."""
        return (self.to_mps - self.from_mps) / self.duration_s


@dataclass(frozen=True, slots=True, kw_only=True)
class TimedRun:
    """One timed change of speed with the errors of its timing.

    Parameters
    ----------
    kind : {"pull", "coast"}
        Full throttle, or neutral.
    gates : GateInterval
        Speeds as shown [m/s] and time [s].
    time_sd_s : float
        Of the time [s].
    speed_sd_mps : float
        Of each gate's reading [m/s]; a standstill is exact.
    direction : int or None
        +1 along "up", -1 against it, None where not known.
    """

    kind: TimedKind
    gates: GateInterval
    time_sd_s: float
    speed_sd_mps: float
    direction: int | None = None


def parse_timed_runs(
    pull: Sequence[str],
    coast: Sequence[str],
    speed_unit: str,
    time_sd_s: float,
    speed_sd: float,
) -> tuple[TimedRun, ...]:
    """Read timed intervals as a command line or session.toml writes them.

    Parameters
    ----------
    pull, coast : sequence of str
        Each ``start-end=seconds``, for example ``20-70=6.3``, or ``up:20-70=6.3``.
    speed_unit : str
        Of all speeds.
    time_sd_s : float
        Standard deviation of each time [s].
    speed_sd : float
        Standard deviation of each gate's reading, in `speed_unit`.

    Returns
    -------
    tuple of TimedRun
        Pulls first.

    Raises
    ------
    SessionError
        A text of another form, a pull that falls or a coast-down that rises; named by its option.
    """
    runs = []
    kinds: tuple[tuple[TimedKind, Sequence[str], str], ...] = (
        ("pull", pull, "20-70=6.3"),
        ("coast", coast, "70-40=14.2"),
    )
    for kind, texts, example in kinds:
        option = f"--{kind}"
        for text in texts:
            match = TIMED_RUN.fullmatch(text.strip())
            if match is None:
                expected = f"start-end=seconds, such as {example} or up:{example}"
                raise SessionError(option, "", f"{text!r}", expected)
            start, end, time_s = (float(match[name]) for name in ("start", "end", "time_s"))
            if not time_s > 0.0:
                raise SessionError(option, "", f"{text!r}", f"a time above 0 s, such as {example}")
            if start == end or (end > start) is not (kind == "pull"):
                word = "rises" if kind == "pull" else "falls"
                raise SessionError(option, "", f"{text!r}", f"a speed that {word}: {example}")
            gates = GateInterval(
                from_mps=to_si(start, speed_unit, "speed"),
                to_mps=to_si(end, speed_unit, "speed"),
                duration_s=time_s,
            )
            sd = to_si(speed_sd, speed_unit, "speed")
            runs.append(
                TimedRun(
                    kind=kind,
                    gates=gates,
                    time_sd_s=time_sd_s,
                    speed_sd_mps=sd,
                    direction={"up": 1, "down": -1}.get(match["way"] or ""),
                )
            )
    return tuple(runs)


def kinetic_mean_power_w(
    mass_kg: float, from_mps: float, to_mps: float, duration_s: float
) -> float:
    """Return the mean power that changes the kinetic energy.

    Parameters
    ----------
    mass_kg : float
        Mass as driven, without rotating mass [kg].
    from_mps, to_mps : float
        Speeds at start and end [m/s].
    duration_s : float
        Time between them [s].

    Returns
    -------
    float
        ``m (v_end^2 - v_start^2) / 2 / duration`` [W]: the textbook figure, below the mean wheel
        power by what road load and rotating parts take, and no peak power at all.

    Raises
    ------
    ValueError
        A duration that is not above zero, or a negative speed.

    >>> round(kinetic_mean_power_w(1500.0, 0.0, 27.0, 9.0))
    60750
    """
    gates = GateInterval(from_mps=from_mps, to_mps=to_mps, duration_s=duration_s)
    return mass_kg * (gates.to_mps**2 - gates.from_mps**2) / 2.0 / gates.duration_s


def mean_force_n(
    effective_mass_kg: float,
    gates: GateInterval,
    *,
    mass_kg: float | None = None,
    rise_m: float = 0.0,
    distance_m: float | None = None,
    gravity_mps2: float = STANDARD_GRAVITY_MPS2,
) -> float:
    """Return the mean road load over a timed stretch of coasting.

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg].
    gates : GateInterval
        Speeds and time.
    mass_kg : float, optional
        Mass without rotating mass [kg]; needed where `rise_m` is not 0.
    rise_m, distance_m : float
        Rise of the road (negative when falling) over the distance driven [m].
    gravity_mps2 : float
        Acceleration of gravity [m/s2].

    Returns
    -------
    float
        ``-m_e dv/dt - m g dh/dx`` [N]: 40 CFR 1037.528, equation 7; on a level road also UN GTR
        No. 15, Annex 4, 4.3.1.4.4. Opposite directions are averaged as forces, never as times.

    Raises
    ------
    ValueError
        A rise without mass, or without a distance above zero.
    """
    grade_n = 0.0
    if rise_m != 0.0:
        if mass_kg is None or distance_m is None or not distance_m > 0.0:
            msg = "a rise needs the mass and a distance above 0 m to become a force"
            raise ValueError(msg)
        grade_n = mass_kg * gravity_mps2 * rise_m / distance_m
    return -effective_mass_kg * gates.accel_mps2 - grade_n


def two_interval_road_load(
    effective_mass_kg: float, fast: GateInterval, slow: GateInterval
) -> tuple[float, float]:
    """Split road load into a constant and a square part by two timed stretches of coasting.

    Parameters
    ----------
    effective_mass_kg : float
        Mass with rotating mass [kg]; without it where a handbook leaves it out.
    fast, slow : GateInterval
        One stretch at high and one at low speed, each narrow against its mean speed.

    Returns
    -------
    (f0_n, f2_n_per_mps2)
        Of ``F0 + F2 v^2`` through the two mean forces at the two mean speeds.

    Raises
    ------
    ValueError
        `fast` is not faster than `slow`.

    Notes
    -----
    The two-speed method of the Bosch Automotive Handbook (from memory) in SI units. It is exact in
    the limit of narrow stretches and blind to a linear part.
    """
    v_fast, v_slow = fast.mean_speed_mps, slow.mean_speed_mps
    if not v_fast > v_slow:
        msg = f"the fast stretch has a mean of {v_fast:g} m/s, the slow one {v_slow:g} m/s"
        raise ValueError(msg)
    fast_n = mean_force_n(effective_mass_kg, fast)
    slow_n = mean_force_n(effective_mass_kg, slow)
    f2 = (fast_n - slow_n) / (v_fast**2 - v_slow**2)
    return slow_n - f2 * v_slow**2, f2
