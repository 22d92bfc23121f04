"""The road load of an earlier results.json, read back for a session that has pulls only."""

from __future__ import annotations

import json
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.report.results_json import COEFFICIENTS, FORMAT
from analysis.results.road_load import RoadLoad
from logger.errors import ReadError

if TYPE_CHECKING:
    from numpy.typing import NDArray

__all__ = ["read_results", "read_results_road_load"]

#: Speed at which the road load's budget is stated [m/s], or the nearest covered one: 100 km/h.
_BUDGET_SPEED_MPS = 100 / 3.6
#: A results.json is some 50 kB; one far above that is not one.
_LARGEST_RESULTS_BYTES = 50_000_000
_REMEDY = "Give the results.json that `pullcoast report` wrote"

# JSON values as they come: any shape is possible until checked
_Json = Any


def read_results_road_load(path: str | Path) -> RoadLoad:
    """Read the road load of an earlier results.json, for ``pullcoast report --road-load FILE``.

    Parameters
    ----------
    path : str or Path
        A results.json.

    Returns
    -------
    RoadLoad
        With its covariance and budget.

    Raises
    ------
    ReadError
        The file is not a results.json, or holds no road load with coefficients; the text says which
        key, what was found and what to do.
    """
    name = str(path)
    stated = read_results(path).get("road_load")
    remedy = "Give the results.json of a session whose coast-downs could be used"
    if stated is None:
        raise ReadError(name, "road_load is null: that session had no road load", "", remedy)
    if not isinstance(stated, dict):
        raise ReadError(name, "road_load is not an object", "the object of a results.json", remedy)
    if stated.get("F0_N", 0) is None:
        why = stated.get("why_not") or "its speed range was too narrow"
        found = f"the coefficients of road_load are null ({why})"
        raise ReadError(name, found, "F0, F1 and F2", "Coast down over a wider range of speeds")
    f0, f1, f2 = (_number(name, stated, key) for key in COEFFICIENTS)
    low, high = _numbers(name, stated, "speed_range_mps", 2)
    if not 0 <= low < high:
        found = f"road_load.speed_range_mps is [{low}, {high}]"
        raise ReadError(name, found, "two speeds in rising order, none below 0")
    if stated.get("order", COEFFICIENTS) != COEFFICIENTS:
        found = f"road_load.order is {json.dumps(stated['order'])}"
        raise ReadError(name, found, json.dumps(COEFFICIENTS))
    budget = stated.get("budget")
    causes = budget if isinstance(budget, dict) else {}
    return RoadLoad(
        f0_n=f0,
        f1_n_per_mps=f1,
        f2_n_per_mps2=f2,
        covariance=_covariance(name, stated),
        speed_range_mps=(low, high),
        separable=True,
        why_not_separable=None,
        budget_n={k: _number(name, causes, k) for k in causes if causes[k] is not None},
        budget_speed_mps=min(max(_BUDGET_SPEED_MPS, low), high),
    )


def read_results(path: str | Path) -> dict[str, _Json]:
    """Read an earlier results.json as it stands; only its format is checked.

    Parameters
    ----------
    path : str or Path
        A results.json.

    Returns
    -------
    dict
        Its keys, whose values are unchecked.

    Raises
    ------
    ReadError
        The file is not a results.json.
    """
    name = str(path)
    results = _read_json(Path(path), name)
    found = results.get("format") if isinstance(results, dict) else None
    if found != FORMAT:
        what = f'key "format" is {json.dumps(found)}' if found is not None else 'no key "format"'
        raise ReadError(name, what, f'"{FORMAT}"', _REMEDY)
    checked: dict[str, _Json] = results
    return checked


def _read_json(path: Path, name: str) -> _Json:
    if path.is_dir():
        raise ReadError(name, "is a folder", "a results.json", _REMEDY)
    try:
        size = path.stat().st_size
        text = path.read_bytes().decode("utf-8-sig") if size <= _LARGEST_RESULTS_BYTES else None
    except OSError as error:
        raise ReadError(name, f"cannot be opened: {error.strerror}", "", _REMEDY) from error
    except UnicodeDecodeError as error:
        raise ReadError(name, "is not UTF-8 text", "JSON", _REMEDY) from error
    if text is None:
        raise ReadError(name, f"has {size} bytes", "a results.json, some 50 kB", _REMEDY)
    try:
        return json.loads(text)
    except json.JSONDecodeError as error:
        where = {"line": error.lineno, "column": error.colno}
        raise ReadError(name, f"is not JSON: {error.msg}", "", _REMEDY, **where) from error
    except (RecursionError, ValueError) as error:  # nested too deep, or a number of too many digits
        raise ReadError(name, f"is not JSON of a usable shape: {error}", "", _REMEDY) from error


def _number(name: str, holder: Mapping[str, _Json], key: str) -> float:
    return _as_float(name, f"road_load.{key}", holder.get(key))


def _as_float(name: str, key: str, value: _Json) -> float:
    is_number = isinstance(value, int | float) and not isinstance(value, bool)
    try:
        number = float(value) if is_number else math.nan
    except OverflowError:
        number = math.inf
    if not math.isfinite(number):
        raise ReadError(name, f"{key} is {json.dumps(value)[:40]}", "a finite number")
    return number


def _numbers(name: str, holder: Mapping[str, _Json], key: str, count: int) -> list[float]:
    values = holder.get(key)
    if not isinstance(values, list) or len(values) != count:
        raise ReadError(name, f"road_load.{key} is {json.dumps(values)[:40]}", f"{count} numbers")
    return [_as_float(name, f"road_load.{key}[{i}]", value) for i, value in enumerate(values)]


def _covariance(name: str, stated: Mapping[str, _Json]) -> NDArray[np.float64]:
    rows = stated.get("covariance")
    if not isinstance(rows, list) or len(rows) != 3:
        raise ReadError(name, f"road_load.covariance is {json.dumps(rows)[:40]}", "3 rows of 3")
    table = [
        _numbers(name, {f"covariance[{i}]": row}, f"covariance[{i}]", 3)
        for i, row in enumerate(rows)
    ]
    covariance = np.array(table)
    scale = np.sqrt(np.abs(np.diag(covariance)))
    # rounding of an honest file is 1e-16 of its largest entry; correlations near 1 need some room
    if not (np.diag(covariance) > 0).all():
        raise ReadError(name, "road_load.covariance has a variance of 0 or less", "above 0")
    correlation = covariance / np.outer(scale, scale)
    if np.abs(correlation - correlation.T).max() > 1e-9:
        raise ReadError(name, "road_load.covariance is not symmetric", "a covariance")
    if np.linalg.eigvalsh(correlation).min() < -1e-9:
        raise ReadError(name, "road_load.covariance has a negative eigenvalue", "a covariance")
    return covariance
