"""Numbers counted from some zero -> exact stamps in seconds."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from decimal import Decimal
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from logger.findings import Finding
from logger.rows import Stamps
from logger.scans import any_finite, extremes

__all__ = [
    "EPOCH_RANGE_S",
    "looks_like_epoch",
    "numeric_stamps",
    "since_2001",
]

#: Seconds since 1970 that are taken for a date: 2001-09-09 to 2096-10-02 (1e9 to 4e9).
EPOCH_RANGE_S = (1.0e9, 4.0e9)
#: Seconds since 2001-01-01 from 2009 to 2035: some phone platforms count from there.
_SINCE_2001_RANGE_S = (2.5e8, 1.09e9)
_SECONDS_1970_TO_2001 = 978_307_200
#: Seconds of this century are held within 0.24 us, and read within one step of that; below half a
#: microsecond the nearest whole one is the one that was written.
_NEAR_MICRO = 0.4
#: Python reads whole numbers of up to 4300 digits; a stamp has 20 or so.
_LONG = 60


def looks_like_epoch(seconds: float) -> bool:
    """Return whether `seconds` since 1970 falls into `EPOCH_RANGE_S`."""
    return EPOCH_RANGE_S[0] <= seconds < EPOCH_RANGE_S[1]


def _exact_ns(text: str, factor_ns: int) -> int:
    """Return a decimal number of units of `factor_ns` nanoseconds as whole nanoseconds."""
    text = text.strip().replace(",", ".")
    if len(text) > _LONG:
        return round(Decimal(text) * factor_ns)
    whole, _, fraction = text.partition(".")
    if fraction == "" and whole.lstrip("+-").isdecimal():
        return int(whole) * factor_ns
    if fraction.isdecimal() and whole.isdecimal():
        scale = int(10 ** len(fraction))
        return (int(whole + fraction) * factor_ns + scale // 2) // scale
    return round(Decimal(text) * factor_ns)


def numeric_stamps(
    values: NDArray[np.float64],
    factor_s: float,
    described: str,
    texts: Callable[[], Sequence[str]] | None = None,
    *,
    decimals: int | None = None,
    whole: NDArray[np.int64] | None = None,
) -> Stamps:
    """Turn numbers into exact stamps.

    Parameters
    ----------
    values : array of shape (n,)
        As read, in the file's unit; NaN where blank.
    factor_s : float
        Seconds per unit: 1, 1e-3, 1e-6, 1e-9, 60 or 3600.
    described : str
        Header and unit.
    texts : callable, optional
        Gives the cells as text; asked only where a float has too few digits (nanoseconds since
        1970 need 19, a float holds 15 to 17).
    decimals : int, optional
        Digits behind the decimal mark that the cells have, as far as known.
    whole : array of int of shape (n,), optional
        The same values where they are whole numbers, exactly.

    Returns
    -------
    Stamps
        Epoch where the first value is a plausible number of seconds since 1970, else elapsed.
    """
    if not any_finite(values):
        return Stamps(
            t_s=np.full(values.shape, np.nan), origin_ns=0, kind="elapsed", described=described
        )
    factor_ns = round(factor_s * 1e9)
    start_row = int(np.argmax(np.isfinite(values)))
    first = float(values[start_row])
    least, most = extremes(values)
    largest = max(-least, most)
    coarse = np.spacing(largest) * factor_s > 2e-9
    if decimals == 0 and largest < 2.0**53:
        coarse = False  # whole numbers below 2^53 are exact
    micros = _whole_micros(values, factor_s, decimals) if coarse and whole is None else None
    if coarse and whole is not None:
        origin_ns = int(whole[0]) * factor_ns
        t_s = (whole - whole[0]) * (factor_ns * 1e-9)
    elif micros is not None:
        start = float(micros[start_row])
        origin_ns = int(start) * 1000
        t_s = micros
        t_s -= start
        t_s /= 1e6
    elif coarse and texts is not None:
        cells = texts()
        known = np.isfinite(values)
        exact = [_exact_ns(cells[row], factor_ns) for row in np.flatnonzero(known).tolist()]
        origin_ns = exact[0]
        t_s = np.full(values.shape, np.nan)
        t_s[known] = np.array([ns - origin_ns for ns in exact], dtype=np.float64) * 1e-9
    else:
        origin_ns = round(Decimal(first) * factor_ns)
        # whole ms, us and ns are divided: 16 / 1000 is the nearest float to 0.016
        t_s = values - first
        if factor_s < 1.0:
            t_s /= round(1.0 / factor_s)
        elif factor_s != 1.0:
            t_s *= factor_s
    kind: Literal["epoch", "elapsed"] = "epoch" if looks_like_epoch(origin_ns * 1e-9) else "elapsed"
    return Stamps(t_s=t_s, origin_ns=origin_ns, kind=kind, described=described)


def _whole_micros(
    values: NDArray[np.float64], factor_s: float, decimals: int | None
) -> NDArray[np.float64] | None:
    """Return stamps in whole microseconds where they have no finer digits, else None.

    Seconds since 1970 are held to a quarter of a microsecond: those with six decimals are known
    exactly by rounding, and none of many with more decimals would come out so near to whole ones.
    """
    allowed = {1.0: 6, 1e-3: 3}.get(factor_s)
    if allowed is None or decimals is None or decimals > allowed:
        return None
    micros = values * float(10**allowed)
    rounded = np.rint(micros)
    micros -= rounded
    least, most = extremes(micros)
    return rounded if max(-least, most) < _NEAR_MICRO else None


def since_2001(stamps: Stamps, path: str) -> Finding | None:
    """Return a warning when elapsed stamps look like seconds since 2001, else None.

    The times between samples are right either way; only the date is not believed.
    """
    seconds = stamps.origin_ns * 1e-9
    low, high = _SINCE_2001_RANGE_S
    if stamps.kind != "elapsed" or not low <= seconds < high:
        return None
    as_1970 = 1970 + seconds / (365.2425 * 86400)
    as_2001 = 1970 + (seconds + _SECONDS_1970_TO_2001) / (365.2425 * 86400)
    return Finding(
        kind="date_not_believed",
        severity="warning",
        text=f"{stamps.described} starts at {seconds:.1f}: the year {int(as_1970)} when counted from "
        f"1970, {int(as_2001)} when counted from 2001. The times between samples are used, the "
        "date is not.",
        path=path,
    )
