"""One table of session.toml: every value is taken out through a check that can refuse it."""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from typing import NoReturn

from logger.errors import SessionError
from logger.session.keys import KNOWN_KEYS, Quantity

__all__ = ["KeyTable", "closest", "describe"]


def closest(word: str, known: Iterable[str]) -> str:
    """Return the known word nearest to `word`, "" where none is near."""
    import difflib  # only a slip needs it

    plain = {item.lower(): item for item in known}
    near = difflib.get_close_matches(word.lower(), list(plain), n=1, cutoff=0.6)
    return plain[near[0]] if near else ""


def describe(value: object) -> str:
    """Describe a TOML value, short enough for a message."""
    if isinstance(value, bool):
        return "true" if value else "false"
    if isinstance(value, (int, float)):
        try:
            return f"{value!r}"
        except ValueError:  # more digits than Python writes out
            return "a number of thousands of digits"
    if isinstance(value, str):
        text = value if len(value) <= 60 else value[:57] + "..."
        return f"the text {text!r}"
    if isinstance(value, dict):
        return "a table"
    if isinstance(value, list):
        return "an empty list" if not value else f"a list of {len(value)}"
    return f"a {type(value).__name__}"


def _figure(value: float) -> str:
    return f"{value:.4g}" if abs(value) < 10_000 else f"{value:.0f}"


class KeyTable:
    """One table of session.toml; every value is taken out through a check.

    Parameters
    ----------
    path : str
        File as the user named it.
    name : str
        Where the table stands in messages, for example ``vehicle`` or ``log[2]``; "" for the top.
    values : mapping
        What the file holds.
    known : iterable of str
        Keys that may stand there; anything else is refused at once.
    """

    def __init__(
        self, path: str, name: str, values: Mapping[str, object], known: Iterable[str]
    ) -> None:
        self.path = path
        self.name = name
        self.values = values
        known = tuple(known)
        for key in values:
            if key not in known:
                self._refuse_unknown(key, known)

    def fail(self, key: str, found: str, expected: str = "", remedy: str = "") -> NoReturn:
        """Raise a `SessionError` about `key` of this table."""
        dotted = ".".join(part for part in (self.name, key) if part)
        raise SessionError(self.path, dotted, found, expected, remedy)

    def _refuse_unknown(self, key: str, known: tuple[str, ...]) -> NoReturn:
        near = closest(key, known)
        elsewhere = [table for table, keys in KNOWN_KEYS.items() if table and key in keys]
        remedy = ""
        if elsewhere and not near:
            brackets = "[[log]]" if elsewhere[0] == "log" else f"[{elsewhere[0]}]"
            remedy = f"It belongs in {brackets}"
        elif near:
            # a key without its unit: name every unit that it may be in
            units = [word for word in known if word.rpartition("_")[0] == key]
            remedy = f"Did you mean {' or '.join(units or [near])}?"
        self.fail(key, "unknown key", f"one of {', '.join(known)}", remedy)

    def table(self, key: str, known: Iterable[str]) -> KeyTable:
        """Return the table called `key`, empty where the file has none."""
        value = self.values.get(key, {})
        if isinstance(value, list) and value and all(isinstance(v, dict) for v in value):
            self.fail(key, f"[[{key}]] in double brackets", f"[{key}] once")
        if not isinstance(value, dict):
            self.fail(key, describe(value), f"a table, written [{key}]")
        name = ".".join(part for part in (self.name, key) if part)
        return KeyTable(self.path, name, value, known)

    def number(self, key: str) -> float:
        """Return the finite number that stands at `key`."""
        value = self.values[key]
        return self.as_number(key, value)

    def as_number(self, key: str, value: object) -> float:
        """Return `value`, found at `key`, as a finite number."""
        if isinstance(value, str):
            self.fail(key, describe(value), "a number", "Write it without quotes")
        if isinstance(value, bool) or not isinstance(value, (int, float)):
            self.fail(key, describe(value), "a number")
        try:
            number = float(value)
        except OverflowError:
            self.fail(key, "a number beyond 1e308", "a finite number")
        if not math.isfinite(number):
            self.fail(key, describe(value), "a finite number")
        return number

    def quantity(self, quantity: Quantity, mass_kg: float | None = None) -> float | None:
        """Return what the file states of `quantity`, in its unit; None where it states nothing."""
        present = [key for key in quantity.keys if key in self.values]
        if not present:
            return None
        if len(present) > 1:
            self.fail(
                present[1],
                f"{' and '.join(present)} both state the {quantity.what}",
                f"at most one of {', '.join(quantity.keys)}",
                "Delete one of them",
            )
        key = present[0]
        unit = quantity.keys[key]
        value = self.number(key)
        low, high = quantity.range_in(unit, mass_kg)
        if not low <= value <= high:
            suffix = f" {unit}" if unit else ""
            share = ""
            if quantity.of_mass and unit != "%":
                share = f" ({quantity.low * 100:g} to {quantity.high * 100:g} % of the mass)"
            self.fail(
                key,
                _figure(value) + suffix,
                f"{quantity.what} from {_figure(low)} to {_figure(high)}{suffix}{share}",
                "Check the unit and the decimal point",
            )
        return quantity.to_unit(value, unit, mass_kg)

    def quantity_or(self, quantity: Quantity, default: float) -> float:
        """Return what the file states of `quantity`, in its unit, or `default`."""
        stated = self.quantity(quantity)
        return default if stated is None else stated

    def text(self, key: str, default: str = "") -> str:
        """Return the text at `key`."""
        value = self.values.get(key, default)
        if not isinstance(value, str):
            self.fail(key, describe(value), "text in quotes")
        return value

    def flag(self, key: str) -> bool:
        """Return the true or false at `key`; false where the file states nothing."""
        value = self.values.get(key, False)
        if not isinstance(value, bool):
            self.fail(key, describe(value), "true or false, without quotes")
        return value

    def choice(self, key: str, known: Iterable[str], default: str) -> str:
        """Return the text at `key`, which must be one of `known`."""
        known = tuple(known)
        value = self.text(key, default)
        if value not in known:
            near = closest(value, known)
            quoted = ", ".join(f'"{item}"' for item in known)
            remedy = f'Did you mean "{near}"?' if near else ""
            self.fail(key, describe(value), f"one of {quoted}", remedy)
        return value

    def texts(self, key: str) -> tuple[str, ...]:
        """Return the list of texts at `key`; a single text counts as a list of one."""
        value = self.values.get(key, [])
        if isinstance(value, str):
            return (value,)
        if not isinstance(value, list):
            self.fail(key, describe(value), "a list of texts in quotes")
        for item in value:
            if not isinstance(item, str):
                self.fail(key, f"{describe(item)} in the list", "texts in quotes")
        return tuple(value)
