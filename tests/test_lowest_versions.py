"""The oldest versions that are tried are those that pyproject.toml allows; figures are compared right."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from same_results import differences

ROOT = Path(__file__).resolve().parents[1]
NEEDS = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["project"][
    "dependencies"
]
LOWEST = dict(
    re.findall(r"^([\w-]+)==([\d.]+)$", (ROOT / "tests" / "lowest.txt").read_text(), re.MULTILINE)
)


def numbers(version: str) -> tuple[int, ...]:
    """Return a version's numbers, without zeros behind: 3.1 is 3.1.0."""
    return tuple(int(part) for part in re.sub(r"(\.0)+$", "", version).split("."))


@pytest.mark.parametrize("need", NEEDS)
def test_every_need_is_tried_at_its_lowest(need: str) -> None:
    name, lowest = re.match(r"([\w-]+)>=([\d.]+)", need).groups()  # type: ignore[union-attr]
    assert numbers(LOWEST[name]) == numbers(lowest)


def test_the_lowest_are_not_above_what_a_browser_has() -> None:
    """So that a log becomes a report there too: releases of Pyodide 0.27, from memory."""
    most = {"numpy": "2.0.2", "scipy": "1.14.1", "pandas": "2.2.3", "matplotlib": "3.8.4"}
    for name, version in most.items():
        assert numbers(LOWEST[name]) <= numbers(version)


def test_the_server_is_held_to_a_tested_range() -> None:
    """The capture server overrides methods of uvicorn that another release may change."""
    (need,) = [need for need in NEEDS if need.startswith("uvicorn")]
    assert re.fullmatch(r"uvicorn>=[\d.]+,<[\d.]+", need)


def test_continuous_integration_tries_the_lowest() -> None:
    script = (ROOT / ".ci" / "run").read_text(encoding="utf-8")
    assert "install -q -c tests/lowest.txt" in script
    assert "tests/support/same_results.py" in script
    for folder in re.findall(r"tests/(?:analysis|logger)/[\w./]+", script):
        assert (ROOT / folder).exists()


@pytest.mark.parametrize(
    ("one", "other", "place"),
    [
        ({"a": [1.0, 2.0]}, {"a": [1.0, 2.0 * (1 + 9e-10)]}, None),
        ({"a": [1.0, 2.0]}, {"a": [1.0, 2.0 * (1 + 2e-9)]}, "a[1]"),
        ({"a": [1.0, 2.0]}, {"a": [1.0]}, "a"),
        ({"a": 1.0}, {"b": 1.0}, ""),
        ({"a": "warm"}, {"a": "cold"}, "a"),
        ({"a": None}, {"a": 0.0}, "a"),
        ({"a": True}, {"a": False}, "a"),
        # of a variance of 101: 1 of 1e-8 is 1e-10 of the whole, and 2e-7 is 2e-9
        (
            {"x": {"budget": {"a": 10.0, "b": 1.0}}},
            {"x": {"budget": {"a": 10.0, "b": 1 + 1e-8}}},
            None,
        ),
        (
            {"x": {"budget": {"a": 10.0, "b": 1.0}}},
            {"x": {"budget": {"a": 10.0, "b": 1 + 2e-7}}},
            "x.budget.b",
        ),
    ],
)
def test_figures_are_the_same_up_to_rounding(one: object, other: object, place: str | None) -> None:
    found = differences(one, other)
    assert [text.partition(":")[0] for text in found] == ([] if place is None else [place])
