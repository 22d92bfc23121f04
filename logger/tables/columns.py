"""Which columns of a table mean what: the user's choices first, then the header words."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from logger.errors import ReadError
from logger.scans import any_finite
from logger.source import decode_head
from logger.tables.cells import Grid
from logger.tables.headers import OWN_COLUMNS, Meaning, quantity_of, read_header, two_units
from logger.tables.languages import in_english
from logger.tables.layout import layout_of
from logger.units import find_unit, known_units

__all__ = [
    "CRITICAL",
    "ColumnChoice",
    "Picked",
    "header_fits",
    "header_names",
    "looks_like_speed",
    "one_each",
    "pick",
]

#: Roles of which a file may have only one candidate; others take the first.
CRITICAL = ("latitude_deg", "longitude_deg", "speed_mps")
#: Words of speeds that are not the vehicle's along its way.
_OTHER_SPEEDS = frozenset(
    [
        "speed",
        "velocity",
        "vel",
        "spd",
        "wind",
        "limit",
        "max",
        "maximum",
        "min",
        "avg",
        "average",
        "mean",
        "vertical",
        "climb",
        "accuracy",
        "acc",
        "error",
        "err",
        "sigma",
        "std",
        "sd",
        "source",
        "engine",
        "motor",
        "fan",
        "north",
        "east",
        "down",
        "x",
        "y",
        "z",
        "target",
    ]
)


@dataclass(frozen=True, slots=True, kw_only=True)
class ColumnChoice:
    """A user's word on one column: the header (or 1-based number), its unit, and a factor on it."""

    header: str | None = None
    unit: str | None = None
    scale: float = 1.0


@dataclass(frozen=True, slots=True, kw_only=True)
class Picked:
    """One column of the table with what it means."""

    index: int
    header: str
    meaning: Meaning
    stated: bool = False


def pick(grid: Grid, columns: Mapping[str, ColumnChoice]) -> list[Picked]:
    """Return every column that means something, the user's choices first."""
    picked: list[Picked] = []
    units: dict[str, str] = {}
    settled: set[str] = set()
    for role, choice in columns.items():
        _check_choice(grid.path, role, choice)
        if choice.header is None:
            if choice.unit is not None:
                units[role] = choice.unit
            continue
        index = _index_of(grid, choice.header)
        if index is None:
            continue
        base = read_header(role) or Meaning(role=role, unit=None)
        heard = read_header(grid.header[index])
        named = heard.unit if heard is not None and heard.role == base.role else None
        # a chosen column of an unknown name is in the own column's unit unless said otherwise
        # but for speed, whose unit is too easily wrong: positions show it, or it is assumed aloud
        bare = not grid.header[index] and base.role != "speed_mps"
        unit = choice.unit or named or (base.unit if bare else None)
        meaning = replace(base, unit=unit, score=10)
        picked.append(
            Picked(
                index=index,
                header=grid.name(index),
                meaning=meaning,
                stated=choice.unit is not None,
            )
        )
        settled.add(base.role)
    taken = {p.index for p in picked}
    found: list[Picked] = []
    for index, header in enumerate(grid.header):
        heard = read_header(header) if header else None
        if heard is not None and index not in taken and heard.role not in settled:
            found.append(Picked(index=index, header=header, meaning=heard))
    found += _bare_axes(grid, found, taken)
    if grid.header_line is None and not picked:
        raise ReadError(
            grid.path,
            f"the table has no header ({len(grid.header)} columns of numbers)",
            "a row of column names",
            "Say which column is which, counted from 1: --column time_s=1 --column speed_mps=2 "
            "--unit speed_mps=km/h",
            line=grid.lines[0] if len(grid.lines) else None,
        )
    out = []
    for p in [*picked, *found]:
        name = {"time": "time_s", "received": "received_s"}.get(p.meaning.role, p.meaning.role)
        if name in units:
            p = replace(p, meaning=replace(p.meaning, unit=units[name]), stated=True)
        if not p.stated:
            _refuse_two_units(grid, p, name)
        out.append(p)
    return out


def _refuse_two_units(grid: Grid, p: Picked, name: str) -> None:
    """Refuse a unit in the name against another one in the row of units under it."""
    quantity = quantity_of(p.meaning.role)
    odd = two_units(grid.header[p.index], quantity) if quantity is not None else None
    if odd is None:
        return
    raise ReadError(
        grid.path,
        f"column {p.header!r} names two units, {odd[0]} and {odd[1]}",
        "one unit in name and row of units",
        f"Correct one of them, or state the true one: --unit {name}={odd[0]}",
        line=grid.header_line,
        column=p.index + 1,
    )


def _check_choice(path: str, role: str, choice: ColumnChoice) -> None:
    if role not in OWN_COLUMNS:
        raise ReadError(
            path,
            f"{role!r} is no column that can be chosen",
            ", ".join(OWN_COLUMNS),
            "Correct the name",
        )
    quantity = quantity_of(role)
    if choice.unit is not None and (quantity is None or find_unit(choice.unit, quantity) is None):
        known = ", ".join(known_units(quantity)) if quantity else "no unit"
        if quantity == "speed" and find_unit(choice.unit, "rotation_speed") is not None:
            known += "; or, for turns of a wheel, --circumference 1.95m or the tyre in session.toml"
        raise ReadError(path, f"unit {choice.unit!r} for {role}", known, "Give one of these units")


def header_names(path: str, data: bytes) -> tuple[str, ...]:
    """Return a table's column names without reading its rows; () where there is no table."""
    try:
        head = decode_head(data, 1 << 16)
        layout = layout_of(path, head, complete=len(data) < 1 << 16, single=True)
    except ReadError:
        return ()
    return layout.header if layout is not None else ()


def header_fits(header: str, names: tuple[str, ...]) -> bool:
    """Return whether a chosen header, or column number, is one of `names`."""
    wanted = header.strip().lower()
    if any(name.strip().lower() == wanted for name in names):
        return True
    return wanted.isdecimal() and 1 <= int(wanted) <= len(names)


def looks_like_speed(header: str) -> bool:
    """Return whether a header that is no known quantity carries a unit of speed in brackets.

    >>> looks_like_speed("Fahrt (km/h)"), looks_like_speed("Fahrt (s)"), looks_like_speed("wind [m/s]")
    (True, False, False)
    """
    inside = re.findall(r"[(\[{]([^)\]}]*)[)\]}]", in_english(header))
    words = set(re.findall(r"[^\W\d_]+", header.lower()))
    if words & _OTHER_SPEEDS or read_header(header) is not None:
        return False
    return any(find_unit(text, "speed") for text in inside)


def _index_of(grid: Grid, header: str) -> int | None:
    """Find a column by its name, or by its number from 1 where no name is that number."""
    wanted = header.strip()
    exact = [k for k, name in enumerate(grid.header) if name.strip() == wanted]
    alike = [k for k, name in enumerate(grid.header) if name.strip().lower() == wanted.lower()]
    found = exact or alike
    if len(found) > 1:
        raise _twice(grid, grid.header[found[0]], found[:2])
    if found:
        return found[0]
    if wanted.isdecimal() and 1 <= int(wanted) <= len(grid.header):
        return int(wanted) - 1
    return None


def _twice(grid: Grid, name: str, indices: list[int]) -> ReadError:
    places = " and ".join(str(k + 1) for k in indices)
    return ReadError(
        grid.path,
        f"column name {name} occurs twice (line {grid.header_line}, columns {places})",
        "one column of that name",
        f"Choose one by its number: --column speed_mps={indices[0] + 1}, and its unit if needed",
        line=grid.header_line,
        column=indices[1] + 1,
    )


def _bare_axes(grid: Grid, found: list[Picked], taken: set[int]) -> list[Picked]:
    """Read columns called just x, y and z as acceleration where nothing else is that."""
    if any(p.meaning.role.startswith(("accel", "rotation")) for p in found):
        return []
    axes: dict[str, Picked] = {}
    for index, header in enumerate(grid.header):
        match = re.fullmatch(r"([xyz])\s*(?:[(\[](.*)[)\]])?", header.strip().lower())
        if match and index not in taken:
            unit = match[2] if match[2] and find_unit(match[2], "acceleration") else None
            if match[2] and unit is None:
                return []
            meaning = Meaning(role=f"accel_{match[1]}_mps2", unit=unit)
            axes[match[1]] = Picked(index=index, header=header, meaning=meaning)
    return list(axes.values()) if len(axes) == 3 else []


def one_each(
    grid: Grid, numeric: list[Picked], values: dict[int, NDArray[np.float64]]
) -> list[Picked]:
    """Keep one column for each role; refuse where two are equally good and it matters."""
    out: list[Picked] = []
    roles: dict[tuple[str, str], list[Picked]] = {}
    for p in numeric:
        roles.setdefault((p.meaning.role, p.meaning.flavour), []).append(p)
    for (role, _), group in roles.items():
        filled = [p for p in group if any_finite(values[p.index])]
        if not filled:
            out.append(group[0])
            continue
        best = max(p.meaning.score for p in filled)
        top = [p for p in filled if p.meaning.score == best]
        if len(top) > 1 and (role in CRITICAL or role.startswith("accel")):
            a, b = top[0], top[1]
            if a.header == b.header:
                raise _twice(grid, a.header, [a.index, b.index])
            raise ReadError(
                grid.path,
                f"columns {a.header!r} and {b.header!r} (columns {a.index + 1} and {b.index + 1}) "
                f"could both be {role}",
                "one of them",
                f'Choose: --column {role}="{a.header}"',
                line=grid.header_line,
                column=b.index + 1,
            )
        out.append(top[0])
    return out
