"""Where wheel power leans on a road load above the speeds that were coasted through."""

from __future__ import annotations

from analysis.results.power import PowerCurve
from analysis.results.road_load import RoadLoad
from logger.findings import Finding

__all__ = ["continued_above"]

#: Power up to this far above the speeds that were coasted through is as good as inside them.
_CONTINUED = 1.03


def continued_above(
    load: RoadLoad | None, power: PowerCurve | None
) -> tuple[float | None, tuple[Finding, ...]]:
    """Return the speed above which wheel power leans on the road load's curve continued.

    The covariance of the coefficients widens its interval there; that the curve goes on as it is,
    nothing shows.

    Parameters
    ----------
    load : RoadLoad or None
        The session's, or an earlier session's.
    power : PowerCurve or None
        The session's.

    Returns
    -------
    above_mps : float or None
        Speed [m/s]; None where the coast-downs reach as far as the pulls.
    findings : tuple of Finding
        A warning where the peak lies there, else a note.
    """
    if load is None or power is None:
        return None, ()
    tops = [float(gear.speed_mps[-1]) for gear in power.gears if gear.speed_mps.size]
    high = load.speed_range_mps[1]
    if max(tops, default=0.0) <= _CONTINUED * high:
        return None, ()
    peak = power.peak_speed_mps > _CONTINUED * high
    text = (
        f"Above {3.6 * high:.0f} km/h nothing was coasted through: there the wheel power"
        f"{', its peak included,' if peak else ''} leans on the road load's curve continued. Coast "
        "down from the highest speed of the pulls."
    )
    return high, (Finding("road_load_continued", "warning" if peak else "note", text),)
