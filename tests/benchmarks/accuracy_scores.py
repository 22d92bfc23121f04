"""How far one estimate of one session is from the truth."""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import asdict, dataclass, replace

import numpy as np
from accuracy_cases import SPEEDS_KMH, Opened
from numpy.typing import NDArray

from analysis.pipeline import Analysis
from analysis.simulate.truth import Truth
from logger.errors import PullcoastError

__all__ = ["SPEEDS_MPS", "Estimate", "Score", "estimate_of", "score", "scored"]

Array = NDArray[np.float64]

#: Speeds at which road loads are compared [m/s].
SPEEDS_MPS = np.array(SPEEDS_KMH) / 3.6


@dataclass(frozen=True, slots=True)
class Estimate:
    """What a method says of a session; None where it says nothing.

    Parameters
    ----------
    force_n, force_sd_n : arrays of shape (3,) or None
        Road load at 50, 72 and 100 km/h and its sd [N].
    peak_w, peak_sd_w : float or None
        Peak wheel power and its sd [W].
    peak_ci95_w : (low, high) or None
        Its 95 % interval [W].
    curves : tuple of (speed, power, sd)
        Wheel power per gear [m/s, W, W], arrays of shape (n,); sd empty where none is stated.
    mean_w : float or None
        Mean wheel power, averaged over the pulls [W].
    """

    force_n: Array | None
    force_sd_n: Array | None
    peak_w: float | None
    peak_sd_w: float | None = None
    peak_ci95_w: tuple[float, float] | None = None
    curves: tuple[tuple[Array, Array, Array], ...] = ()
    mean_w: float | None = None


@dataclass(frozen=True, slots=True)
class Score:
    """One estimate of one session against the truth; errors and sd relative to the truth.

    Parameters
    ----------
    method, case : str
        Who, on what.
    seed : int
        Which session.
    load_error, load_sd : tuple of 3 floats; empty where no road load is given
        At 50, 72 and 100 km/h.
    peak_error, peak_sd : float or None
        Of the peak wheel power.
    peak_inside : bool or None
        Whether the 95 % interval of the peak holds the truth.
    mean_error : float or None
        Of the mean wheel power, averaged over the pulls.
    curve_error, curve_z : float or None
        Root mean square over all speeds and gears of the relative error of the wheel power, and of
        the error in units of its sd.
    curve_share : float or None
        Share of the true speeds that the estimated curve covers too.
    gears, true_gears : int
        Number of gears found and driven.
    seconds : float
        Processor time [s].
    refusal : str
        Why there is no result; empty when there is one.
    crashed : bool
        The refusal is an exception that the program does not mean to raise.
    """

    method: str
    case: str
    seed: int
    load_error: tuple[float, ...] = ()
    load_sd: tuple[float, ...] = ()
    peak_error: float | None = None
    peak_sd: float | None = None
    peak_inside: bool | None = None
    mean_error: float | None = None
    curve_error: float | None = None
    curve_z: float | None = None
    curve_share: float | None = None
    gears: int = 0
    true_gears: int = 0
    seconds: float = 0.0
    refusal: str = ""
    crashed: bool = False

    def as_dict(self) -> dict[str, object]:
        """Return what `json` can write; `Score(**...)` takes it back."""
        return asdict(self)


def estimate_of(outcome: Analysis) -> Estimate:
    """Return what the project itself says of a session."""
    load, power = outcome.road_load, outcome.power
    return Estimate(
        None if load is None else load.force_n(SPEEDS_MPS),
        None if load is None else load.force_sd_n(SPEEDS_MPS),
        None if power is None else power.peak_w,
        None if power is None else power.peak_sd_w,
        None if power is None else power.peak_ci95_w,
        () if power is None else tuple((g.speed_mps, g.power_w, g.sd_w) for g in power.gears),
        float(np.mean([pull.mean_power_w for pull in outcome.pulls])) if outcome.pulls else None,
    )


def scored(
    method: str,
    case: str,
    seed: int,
    one: Opened,
    by: Callable[[Opened], Estimate],
    before_s: float = 0.0,
) -> Score:
    """Let a method judge a session, and compare what it says with the truth.

    Parameters
    ----------
    method, case : str
        Names for the table.
    seed : int
        Which session.
    one : Opened
        The session.
    by : function
        The method; a refusal or an exception becomes a row of the table, not its end.
    before_s : float
        Processor time spent for it before [s].

    Returns
    -------
    Score
    """
    start_s = time.process_time()
    try:
        given = by(one)
    except PullcoastError as error:
        return Score(method, case, seed, refusal=str(error))
    except Exception as error:  # noqa: BLE001
        return Score(method, case, seed, refusal=f"{type(error).__name__}: {error}", crashed=True)
    return score(method, case, seed, one.truth, given, before_s + time.process_time() - start_s)


def score(
    method: str, case: str, seed: int, truth: Truth, given: Estimate, seconds: float
) -> Score:
    """Compare an estimate with the truth.

    Parameters
    ----------
    method, case : str
        Names for the table.
    seed : int
        Which session.
    truth : Truth
        What is true of it.
    given : Estimate
        What the method says.
    seconds : float
        Processor time that it took [s].

    Returns
    -------
    Score
    """
    result = Score(
        method,
        case,
        seed,
        gears=len(given.curves),
        true_gears=len(truth.wheel_power),
        seconds=seconds,
    )
    if given.force_n is not None:
        true_n = truth.force_n(SPEEDS_MPS)
        error = tuple((given.force_n / true_n - 1.0).tolist())
        sd = () if given.force_sd_n is None else tuple((given.force_sd_n / true_n).tolist())
        result = replace(result, load_error=error, load_sd=sd)
    peak_w = truth.peak_wheel_power_w
    if given.peak_w is not None and peak_w is not None:
        result = replace(
            result,
            peak_error=given.peak_w / peak_w - 1.0,
            peak_sd=None if given.peak_sd_w is None else given.peak_sd_w / peak_w,
        )
        if given.peak_ci95_w is not None:
            low, high = given.peak_ci95_w
            result = replace(result, peak_inside=bool(low <= peak_w <= high))
    means_w = [run.mean_power_w for run in truth.runs if run.mean_power_w is not None]
    if given.mean_w is not None and means_w:
        result = replace(result, mean_error=given.mean_w / float(np.mean(means_w)) - 1.0)
    return _with_curve(result, truth, given)


def _with_curve(result: Score, truth: Truth, given: Estimate) -> Score:
    """Compare the wheel power over speed, each true gear with the curve that shares most of it."""
    errors: list[Array] = []
    in_sd: list[Array] = []
    count = 0
    for gear in truth.wheel_power:
        speed, power = np.array(gear.speed_mps), np.array(gear.power_w)
        count += speed.size
        best = max(given.curves, key=lambda curve: _shared(speed, curve[0]), default=None)
        if best is None:
            continue
        inside = (speed >= best[0][0]) & (speed <= best[0][-1])
        error = np.interp(speed[inside], best[0], best[1]) - power[inside]
        errors.append(error / power[inside])
        if best[2].size:
            in_sd.append(error / np.interp(speed[inside], best[0], best[2]))
    found = np.concatenate(errors) if errors else np.zeros(0)
    if not found.size:
        return result
    z = np.concatenate(in_sd) if in_sd else np.zeros(0)
    return replace(
        result,
        curve_error=float(np.sqrt(np.mean(found**2))),
        curve_z=float(np.sqrt(np.mean(z**2))) if z.size else None,
        curve_share=found.size / count,
    )


def _shared(a: Array, b: Array) -> float:
    """Return the length of speed that two ranges have in common [m/s]."""
    return max(0.0, float(min(a[-1], b[-1]) - max(a[0], b[0])))
