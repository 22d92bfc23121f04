"""Which acceleration columns to use, and in which unit: the rest magnitude is the judge."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.findings import Finding
from logger.rows import Column
from logger.scans import any_finite
from logger.tables.headers import Flavour
from logger.units import STANDARD_GRAVITY_MPS2, to_si

__all__ = ["AxisColumn", "RestMagnitude", "choose_accel", "rest_magnitude"]

#: Gravity differs by 0.5 % over the earth and phone sensors by 1-3 %: beyond 5 % it is no rest.
_REST_TOLERANCE = 0.05
#: Without a rest in the log the mean over a drive still lies within this of gravity; so does the worst
#: sensor at rest, and no other unit does: an offset of 0.6 m/s2 on an axis tilts or stretches gravity by 6 %.
_DRIVE_TOLERANCE = 0.12
#: Scatter over magnitude of a phone at rest in an idling car is 0.01 to 0.06 (measured).
_REST_SCATTER = 0.07
_WINDOWS = 400


@dataclass(frozen=True, slots=True, kw_only=True)
class AxisColumn:
    """One acceleration column as read, in the file's own unit."""

    axis: str
    values: NDArray[np.float64]
    header: str
    unit: str | None
    flavour: Flavour


@dataclass(frozen=True, slots=True, kw_only=True)
class RestMagnitude:
    """Length of the mean vector in the quietest windows, in the file's unit, and its scatter.

    Parameters
    ----------
    magnitude : float
        Median length.
    scatter : float
        Median scatter inside those windows over the magnitude.
    """

    magnitude: float
    scatter: float

    @property
    def at_rest(self) -> bool:
        """Whether the quietest windows are as quiet as a standing vehicle."""
        return self.scatter < _REST_SCATTER


def rest_magnitude(
    t_s: NDArray[np.float64], axes: Sequence[NDArray[np.float64]]
) -> RestMagnitude | None:
    """Measure the vector's length where it is quietest.

    Parameters
    ----------
    t_s : array of shape (n,)
        Stamps [s].
    axes : sequence of three arrays of shape (n,)
        The three axes, NaN where missing.

    Returns
    -------
    RestMagnitude or None
        None with no complete sample. Windows of about one second, at most 400, spread evenly.
    """
    n = axes[0].size
    if n == 0:
        return None
    known = t_s[[0, -1]] if np.isfinite(t_s[[0, -1]]).all() else t_s[np.isfinite(t_s)][[0, -1]]
    span = float(known[-1] - known[0])
    rate = n / span if span > 0 else 1.0
    width = min(n, int(np.clip(round(rate), 5, 250)))
    count = n // width
    starts = np.arange(count) * width
    if count > _WINDOWS:
        starts = starts[np.linspace(0, count - 1, _WINDOWS).astype(np.intp)]
    picked = starts[:, None] + np.arange(width)
    windows = np.stack([axis[picked] for axis in axes])  # axis, window, sample
    complete = np.isfinite(windows).all(axis=0)
    enough = complete.sum(axis=1) >= min(3, n)
    if not enough.any():
        return None
    windows = np.where(complete, windows, np.nan)[:, enough]
    means = np.nanmean(windows, axis=2)
    lengths = np.linalg.norm(means, axis=0)
    scatters = np.sqrt(np.nanvar(windows, axis=2).sum(axis=0))
    order = np.argsort(scatters)[: max(1, scatters.size // 10)]
    magnitude = float(np.median(lengths[order]))
    scatter = float(np.median(scatters[order]))
    return RestMagnitude(
        magnitude=magnitude, scatter=scatter / magnitude if magnitude > 0 else np.inf
    )


def choose_accel(
    columns: list[AxisColumn], t_s: NDArray[np.float64], path: str, *, stated: bool = False
) -> tuple[list[Column], list[Finding]]:
    """Choose the acceleration to keep and bring it to m/s2.

    Parameters
    ----------
    columns : list of AxisColumn
        All acceleration columns of a table.
    t_s : array of shape (n,)
        Stamps [s].
    path : str
        For messages.
    stated : bool
        True when the user named the unit.

    Returns
    -------
    list of Column
        ``accel_x_mps2`` and so on; gravity included where the file has that.
    list of Finding
        What was chosen and why.

    Raises
    ------
    ReadError
        A rest magnitude that is neither 9.81 m/s2 nor 1.00 g, or that denies the header's unit.
    """
    findings: list[Finding] = []
    sets: dict[Flavour, list[AxisColumn]] = {}
    for column in columns:
        if column.flavour != "gravity alone":
            sets.setdefault(column.flavour, []).append(column)
    _drop_zero_filled(sets, path, findings)
    empty = [f for f, group in sets.items() if not any(any_finite(c.values) for c in group)]
    for flavour in empty:
        names = ", ".join(c.header for c in sets.pop(flavour))
        if sets:
            used = ", ".join(c.header for group in sets.values() for c in group)
            findings.append(
                Finding(
                    kind="accel_columns_empty",
                    severity="note",
                    text=f"The acceleration columns {names} are empty; {used} are used instead.",
                    path=path,
                )
            )
    if not sets:
        return [], findings
    flavour = _preferred(sets)
    chosen = sets[flavour]
    unit, chosen_flavour = _unit(chosen, flavour, t_s, path, stated, findings)
    if unit is None:
        return [], findings
    if chosen_flavour == "gravity removed":
        findings.append(
            Finding(
                kind="gravity_removed",
                severity="warning",
                text=f"The acceleration columns {', '.join(c.header for c in chosen)} have gravity taken "
                "out by the phone, whose estimate of gravity drifts in a long pull. Record the "
                "acceleration with gravity for a better result.",
                path=path,
            )
        )
    return [
        Column(
            name=f"accel_{c.axis}_mps2",
            values=to_si(c.values, unit, "acceleration"),
            header=c.header,
            unit=unit,
        )
        for c in chosen
    ], findings


def _drop_zero_filled(
    sets: dict[Flavour, list[AxisColumn]], path: str, findings: list[Finding]
) -> None:
    """Take out sets whose every value is zero: a phone without that sensor, not one in free fall."""
    for flavour, group in list(sets.items()):
        if any((np.nan_to_num(c.values[:1000]) != 0).any() for c in group):
            continue
        values = np.concatenate([c.values for c in group])
        if (np.isnan(values) | (values == 0)).all() and (values == 0).any() and values.size > 9:
            findings.append(
                Finding(
                    kind="accel_all_zero",
                    severity="warning",
                    text=f"Every value in {', '.join(c.header for c in sets.pop(flavour))} is 0: the "
                    "sensor gave nothing. It is left out.",
                    path=path,
                )
            )


def _preferred(sets: dict[Flavour, list[AxisColumn]]) -> Flavour:
    """Gravity included first; a nameless set is that, unless another one is named so."""
    order: tuple[Flavour, ...] = ("gravity included", "", "gravity removed")
    return next(flavour for flavour in order if flavour in sets)


def _close(value: float, to: float, tolerance: float) -> bool:
    return abs(value / to - 1.0) <= tolerance


def _unit(
    chosen: list[AxisColumn],
    flavour: Flavour,
    t_s: NDArray[np.float64],
    path: str,
    stated: bool,
    findings: list[Finding],
) -> tuple[str | None, Flavour]:
    """Return the unit of the chosen columns and whether gravity is in them."""
    named = next((c.unit for c in chosen if c.unit), None)
    headers = ", ".join(c.header for c in chosen)
    if len(chosen) < 3 or flavour == "gravity removed":
        if named is None:
            findings.append(
                Finding(
                    kind="accel_unit_unknown",
                    severity="warning",
                    text=f"The acceleration in {headers} names no unit, and without gravity on three "
                    "axes nothing shows it; it is left out. Give it with --unit "
                    f"accel_{chosen[0].axis}_mps2=m/s2 (or =g).",
                    path=path,
                )
            )
        return named, "gravity removed" if flavour == "gravity removed" else flavour
    rest = rest_magnitude(t_s, [c.values for c in chosen])
    if rest is None:
        return named, flavour
    if named is None:
        return _found_unit(rest, headers, path, findings), flavour
    si = to_si(rest.magnitude, named, "acceleration")
    if stated or _close(si, STANDARD_GRAVITY_MPS2, _REST_TOLERANCE) or not rest.at_rest:
        if si < 0.5 * STANDARD_GRAVITY_MPS2 and not stated:
            return named, "gravity removed"
        return named, flavour
    if si < 0.5 * STANDARD_GRAVITY_MPS2 and not _close(rest.magnitude, 1.0, _REST_TOLERANCE):
        return named, "gravity removed"
    if _close(si, STANDARD_GRAVITY_MPS2, _DRIVE_TOLERANCE):
        findings.append(
            Finding(
                kind="accel_off_gravity",
                severity="warning",
                text=f"At rest the acceleration in {headers} is {si:.2f} m/s2 long, where gravity is 9.81 "
                "m/s2: the sensor is off. Offset and scale along the road are found from the speeds.",
                path=path,
            )
        )
        return named, flavour
    raise ReadError(
        path,
        f"at rest the acceleration in {headers} is {rest.magnitude:.3f} {named}",
        f"9.81 m/s2 or 1.00 g within {_DRIVE_TOLERANCE:.0%}",
        "State the true unit with --unit accel_x_mps2=g (or =m/s2), or leave the columns out",
        line=1,
    )


def _found_unit(rest: RestMagnitude, headers: str, path: str, findings: list[Finding]) -> str:
    tolerance = _REST_TOLERANCE if rest.at_rest else _DRIVE_TOLERANCE
    for unit, magnitude in (("m/s2", STANDARD_GRAVITY_MPS2), ("g", 1.0)):
        if _close(rest.magnitude, magnitude, tolerance):
            sure = _close(rest.magnitude, magnitude, _REST_TOLERANCE)
            findings.append(
                Finding(
                    kind="accel_unit_found",
                    severity="note" if sure else "warning",
                    text=f"The acceleration in {headers} names no unit; its length is "
                    f"{rest.magnitude:.3f} where it is quietest, so it is read as {unit}.",
                    path=path,
                )
            )
            return unit
    raise ReadError(
        path,
        f"the acceleration in {headers} names no unit and is {rest.magnitude:.3f} long "
        + ("at rest" if rest.at_rest else "where it is quietest"),
        f"9.81 (m/s2) or 1.00 (g) within {tolerance:.0%}",
        "State the unit with --unit accel_x_mps2=m/s2 (or =g), or leave the columns out",
        line=1,
    )
