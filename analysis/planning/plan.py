"""What an outing will show, before it is driven: intervals, pairs needed, what would bring more.

`predict_outing` is the whole story: nominal runs go through the session model
(`nominal.py`), and its covariance, for any number of pairs, through the same functions that make
results of real logs. Nothing is random; the same outing gives the same prediction each time.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, fields, replace

import numpy as np

from analysis.model.covariance import Z95
from analysis.model.parameters import Spread
from analysis.physics.air import AirState
from analysis.physics.vehicle import effective_mass_kg
from analysis.pipeline import Analysis
from analysis.planning.nominal import Sketch, repeated, sketch
from analysis.planning.outing import NotDrivable, Outing, guess, with_engine
from analysis.results.power import find_power
from analysis.results.reference import REFERENCE_TEMPERATURE_C, reference_density_kg_m3
from analysis.results.road_load import RoadLoad, find_road_load
from analysis.results.site_and_sensors import coast_speed_range
from analysis.sessions.carry import LEAST_POWER_SPREAD, carry_load, least_deviation
from analysis.sessions.difference import smallest_shown
from logger.session.session import Vehicle

__all__ = [
    "MOST_PAIRS",
    "LoadPrediction",
    "Needed",
    "OutingPrediction",
    "Variant",
    "half95_percent",
    "outing_like",
    "pairs_needed",
    "predict_outing",
    "variants",
]

#: More pairs than this nobody drives in one spell of weather.
MOST_PAIRS = 40
#: Air as a thermometer and a barometer on the spot show it: sd of the density [kg/m3], as in air.py.
_AIR_SD_KG_M3 = 0.005
#: Speeds at which road load is predicted [m/s]: 50 and 100 km/h; and of slow vehicles.
_SPEEDS_MPS = (50.0 / 3.6, 100.0 / 3.6)
_LESS_END_MPS, _MORE_TOP_MPS = 10.0 / 3.6, 20.0 / 3.6
_WEIGHED_SHARE = 0.003
#: Turning round, standing still and settling between two runs [s]; common practice, no source.
_BETWEEN_S = 150.0
#: Left at each end of the road for turning and for the unforeseen, as a share of the run.
_SPARE_ROAD = 0.1


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadPrediction:
    """Road load at one speed [m/s]: force [N], relative sd, and that of a difference of two outings."""

    speed_mps: float
    force_n: float
    share: float
    difference_share: float


@dataclass(frozen=True, slots=True, kw_only=True)
class OutingPrediction:
    """What an outing will show.

    Parameters
    ----------
    outing : Outing
        As planned.
    peak_w : float
        Guess of the peak wheel power [W].
    peak_share : float
        Its relative sd, mass included; over engines where more than one comes into question, rms.
    peak_shares : tuple of float
        The same for each engine: power rising to the end of a gear, level within it; or as found.
    mass_share : float
        The mass's part of it, which no number of pairs makes smaller.
    difference_share : float
        Relative sd of the difference of peaks of two such outings with one mass, the day's deviation
        of each included: as `compare` would state it.
    causes : dict
        Relative sd of the peak by cause.
    loads : tuple of LoadPrediction
        At 50 and 100 km/h, or in the middle of slower coast-downs.
    road_m, run_s : float
        Length of road that one run needs, braking included [m], and its duration [s].
    """

    outing: Outing
    peak_w: float
    peak_share: float
    peak_shares: tuple[float, ...]
    mass_share: float
    difference_share: float
    causes: dict[str, float]
    loads: tuple[LoadPrediction, ...]
    road_m: float
    run_s: float

    @property
    def gain_shown(self) -> float:
        """Smallest gain in peak wheel power (ratio) that two such outings show four times in five."""
        return smallest_shown(self.difference_share)

    @property
    def road_needed_m(self) -> float:
        """Length of road to look for: that of one run with something to spare [m]."""
        return (1.0 + _SPARE_ROAD) * self.road_m

    @property
    def hours(self) -> float:
        """Duration of the whole outing [h], turning and standing between the runs included."""
        return 2 * self.outing.pairs * (self.run_s + _BETWEEN_S) / 3600.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Variant:
    """One change to the plan: in words, and what it would bring; None where it cannot be driven."""

    name: str
    predicted: OutingPrediction | None


@dataclass(frozen=True, slots=True, kw_only=True)
class Needed:
    """Pairs that a wanted interval takes.

    `what` is the figure, `pairs` None where even `MOST_PAIRS` do not do; `least` is half the relative
    95 % interval that `MOST_PAIRS` reach, `mass` what the mass alone leaves.
    """

    what: str
    pairs: int | None
    least: float
    mass: float


def half95_percent(share: float) -> float:
    """Return half the 95 % interval in per cent of a figure with this relative sd."""
    return 100 * Z95 * share


def predict_outing(outing: Outing) -> OutingPrediction:
    """Predict what an outing will show.

    Parameters
    ----------
    outing : Outing
        From `guess` or `outing_like`.

    Returns
    -------
    OutingPrediction
        Relative standard deviations.

    Raises
    ------
    NotDrivable
        The vehicle would not reach its highest speed, or not come down again.
    """
    return _together([_predicted(sketch(one), one.pairs) for one in with_engine(outing)], outing)


def _together(each: Sequence[OutingPrediction], outing: Outing) -> OutingPrediction:
    """Put together what is predicted with each engine: the mean of variances."""

    def rms(values: Iterable[float]) -> float:
        return float(np.sqrt(np.mean(np.square(list(values)))))

    first = each[0]
    return replace(
        first,
        outing=replace(outing, pairs=first.outing.pairs),
        peak_share=rms(one.peak_share for one in each),
        peak_shares=tuple(one.peak_share for one in each),
        difference_share=rms(one.difference_share for one in each),
        causes={name: rms(one.causes[name] for one in each) for name in first.causes},
        road_m=max(one.road_m for one in each),
        run_s=max(one.run_s for one in each),
    )


def _predicted(one: Sketch, pairs: int) -> OutingPrediction:
    """Predict an outing of so many pairs from two of them, with one engine."""
    outing, vehicle = one.outing, one.outing.vehicle
    fit = repeated(one, pairs)
    power = find_power(fit, vehicle)
    speeds = coast_speed_range(fit)
    assert power is not None  # every nominal run has a pull and a coast-down
    assert speeds is not None
    load = find_road_load(fit, vehicle, speeds)
    mass = power.budget_w["mass"] / power.peak_w
    own = float(np.sqrt(max((power.peak_sd_w / power.peak_w) ** 2 - mass**2, 0.0)))
    brake_m = outing.end_mps**2 / (2.0 * 2.5)
    return OutingPrediction(
        outing=replace(outing, pairs=pairs),
        peak_w=power.peak_w,
        peak_share=power.peak_sd_w / power.peak_w,
        peak_shares=(power.peak_sd_w / power.peak_w,),
        mass_share=mass,
        difference_share=float(np.sqrt(2.0 * (own**2 + LEAST_POWER_SPREAD**2))),
        causes={name: value / power.peak_w for name, value in power.budget_w.items()},
        loads=_loads(load, vehicle),
        road_m=one.pull_m + one.coast_m + brake_m,
        run_s=one.run_s,
    )


def _loads(load: RoadLoad, vehicle: Vehicle) -> tuple[LoadPrediction, ...]:
    """Predict the road load of one outing, and its difference between two."""
    low, high = load.speed_range_mps
    speeds = [speed for speed in _SPEEDS_MPS if low <= speed <= high] or [0.5 * (low + high)]
    air = AirState(
        density_kg_m3=reference_density_kg_m3(),
        density_sd_kg_m3=_AIR_SD_KG_M3,
        source="measured",
        temperature_c=REFERENCE_TEMPERATURE_C,
        pressure_hpa=1000.0,
    )
    day = carry_load(0, load, air, vehicle, None, vehicle.mass_kg)
    effective, sd = effective_mass_kg(vehicle)
    own = day.own_covariance(day.value, sd / effective)
    both = 2.0 * (own + least_deviation(day.value, bicycle=day.bicycle))
    found = []
    for speed in speeds:
        at = load.at(speed)
        basis = speed ** np.arange(3.0)
        found.append(
            LoadPrediction(
                speed_mps=speed,
                force_n=at.force_n,
                share=at.sd_n / at.force_n,
                difference_share=float(np.sqrt(basis @ both @ basis)) / at.force_n,
            )
        )
    return tuple(found)


def pairs_needed(outing: Outing, want: float) -> tuple[Needed, ...]:
    """Return how many pairs a wanted interval takes.

    Parameters
    ----------
    outing : Outing
        Its number of pairs does not matter.
    want : float
        Half the 95 % interval, relative to the figure.

    Returns
    -------
    tuple of Needed
        For the peak wheel power, each road load, and for a gain of that size to be shown four times
        out of five, where `least` is the smallest gain.
    """
    sketches = [sketch(one) for one in with_engine(outing)]
    known: dict[int, OutingPrediction] = {}

    def with_pairs(pairs: int) -> OutingPrediction:
        if pairs not in known:
            known[pairs] = _together([_predicted(one, pairs) for one in sketches], outing)
        return known[pairs]

    def fewest(what: int) -> int:
        # the more pairs, the narrower the interval
        return 1 + bisect_left(
            range(1, MOST_PAIRS), True, key=lambda pairs: _reach(with_pairs(pairs))[what][1] <= want
        )

    found = []
    for number, (name, least) in enumerate(_reach(with_pairs(MOST_PAIRS))):
        pairs = fewest(number) if least <= want else None
        mass = 0.0 if name.startswith("gain") else Z95 * known[MOST_PAIRS].mass_share
        found.append(Needed(what=name, pairs=pairs, least=least, mass=mass))
    return tuple(found)


def _reach(predicted: OutingPrediction) -> list[tuple[str, float]]:
    """Return each figure's name and half its relative 95 % interval; last the gain that shows."""
    loads = [
        (f"road load at {3.6 * load.speed_mps:.0f} km/h", Z95 * load.share)
        for load in predicted.loads
    ]
    peak = ("peak wheel power", Z95 * predicted.peak_share)
    return [peak, *loads, ("gain in peak wheel power, shown", predicted.gain_shown)]


def variants(outing: Outing) -> tuple[Variant, ...]:
    """Return what changes to the plan would bring, one at a time.

    Parameters
    ----------
    outing : Outing
        As planned.
    """
    changes: list[tuple[str, Outing]] = [
        ("as planned", outing),
        ("twice the pairs", replace(outing, pairs=2 * outing.pairs)),
    ]
    if outing.gps_hz < 10.0:
        changes.append(("a 10 Hz receiver", replace(outing, gps_hz=10.0)))
    if outing.accel_hz > 0.0:
        changes.append(("no accelerometer", replace(outing, accel_hz=0.0)))
    else:
        changes.append(("an accelerometer", replace(outing, accel_hz=outing.noise_accel_hz)))
    changes.append(
        ("20 km/h faster, longer road", replace(outing, top_mps=outing.top_mps + _MORE_TOP_MPS))
    )
    if outing.end_mps > 1.5 * _LESS_END_MPS:
        slower = replace(outing, end_mps=outing.end_mps - _LESS_END_MPS)
        changes.append(("coasting 10 km/h further", slower))
    if abs(outing.wind_mps) > 0.5:
        changes.append(("half the wind", replace(outing, wind_mps=0.5 * outing.wind_mps)))
    vehicle = outing.vehicle
    if vehicle.mass_sd_kg > 1.2 * _WEIGHED_SHARE * vehicle.mass_kg:
        weighed = replace(vehicle, mass_sd_kg=_WEIGHED_SHARE * vehicle.mass_kg)
        changes.append(("weighed to 0.3 %", replace(outing, vehicle=weighed)))
    return tuple(Variant(name=name, predicted=_or_none(changed)) for name, changed in changes)


def _or_none(outing: Outing) -> OutingPrediction | None:
    """Predict an outing; None where it cannot be driven."""
    try:
        return predict_outing(outing)
    except NotDrivable:
        return None


def outing_like(outcome: Analysis) -> Outing:
    """Return the next outing of a session: its vehicle, road, phone and noise as found.

    Parameters
    ----------
    outcome : Analysis
        With a road load; its power, speeds and rates are taken where known.
    """
    vehicle = outcome.session.vehicle
    plain = guess(vehicle)
    load, power = outcome.road_load, outcome.power
    ways = [run.direction for run in outcome.used_runs]
    gps = [one.gps_rate_hz for one in outcome.sensors if one.gps_rate_hz]
    accel = [one.accel_rate_hz for one in outcome.sensors if one.accel_used and one.accel_rate_hz]
    rate_hz = float(np.median(accel)) if accel else 0.0
    wind_mps = outcome.site.wind_mps
    return replace(
        plain,
        pairs=max(1, min(ways.count(1), ways.count(-1))),
        load=plain.load if load is None else (load.f0_n, load.f1_n_per_mps, load.f2_n_per_mps2),
        power_w=plain.power_w if power is None else power.peak_w,
        top_mps=plain.top_mps if load is None else load.speed_range_mps[1],
        end_mps=plain.end_mps if load is None else load.speed_range_mps[0],
        gps_hz=float(np.median(gps)) if gps else plain.gps_hz,
        accel_hz=rate_hz,
        wind_mps=wind_mps,
        slope=outcome.site.slope,
        site=outcome.session.site,
        noise=_noise_found(outcome.history[-1].settings),
        noise_wind_mps=wind_mps,
        noise_accel_hz=rate_hz or plain.noise_accel_hz,
        gears=()
        if power is None
        else tuple(
            (tuple(gear.speed_mps.tolist()), tuple(gear.power_w.tolist())) for gear in power.gears
        ),
    )


def _noise_found(settings: Mapping[str, object]) -> Spread:
    """Return the noise levels that a session's fit wrote into its history."""
    found = {
        field.name: value
        for field in fields(Spread)
        if isinstance(value := settings.get(f"sd_{field.name}"), float) and value > 0.0
    }
    return replace(Spread(), **found)
