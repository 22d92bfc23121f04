"""Stopwatch times between gates, as a command line or session.toml states them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from analysis.crosscheck.gates import GateInterval
from logger.errors import SessionError
from logger.session.keys import TIMED_RUN
from logger.units import to_si

__all__ = ["TimedKind", "TimedRun", "parse_timed_runs"]

TimedKind = Literal["pull", "coast"]


@dataclass(frozen=True, slots=True)
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
    """

    kind: TimedKind
    gates: GateInterval
    time_sd_s: float
    speed_sd_mps: float


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
        Each ``start-end=seconds``, for example ``20-70=6.3``.
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
                raise SessionError(option, "", f"{text!r}", f"start-end=seconds, such as {example}")
            start, end, time_s = (float(match[name]) for name in ("start", "end", "time_s"))
            if not time_s > 0.0:
                raise SessionError(option, "", f"{text!r}", f"a time above 0 s, such as {example}")
            if start == end or (end > start) is not (kind == "pull"):
                word = "rises" if kind == "pull" else "falls"
                raise SessionError(option, "", f"{text!r}", f"a speed that {word}: {example}")
            gates = GateInterval(
                to_si(start, speed_unit, "speed"), to_si(end, speed_unit, "speed"), time_s
            )
            sd = to_si(speed_sd, speed_unit, "speed")
            runs.append(TimedRun(kind, gates, time_sd_s, sd))
    return tuple(runs)
