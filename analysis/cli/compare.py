"""The command `pullcoast compare`: sessions or earlier results in, differences out."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_NOTHING, EXIT_OK, complain
from analysis.terminal.options import (
    AllowOutside,
    PowerUnitOption,
    Quiet,
    RefuseDoubtful,
    SpeedUnitOption,
    argument,
    flag,
    option,
)
from analysis.terminal.output import check_writable, write_together
from logger.errors import real_path
from logger.visible import visible

__all__ = ["app", "compare"]

_DESCRIPTION = """\
Set sessions against the first: is there a difference, how large, how sure, and how small a
difference could these data have shown?

Errors that both sessions have in common (one stated mass, one road) are taken out of the
difference; which were, and why, is said. What differs besides the vehicle (road, tyres, air, wind,
one direction only) is named. Nothing is written without --out."""

_EXAMPLES = """\
examples:
  pullcoast compare before after                        two session folders
  pullcoast compare before after again --out compared   each against the first, with a page
  pullcoast compare before/results/results.json after   an earlier result; less can be cancelled
  pullcoast compare before after --json | jq '.comparisons[0].peak_wheel_power'

exit status: 0 compared, 1 nothing that both have (or a doubtful session, with
--refuse-doubtful), 2 usage, unreadable or contradictory input"""

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def compare(
    first: Annotated[str, argument("A", "folder, its session.toml, or a results.json")],
    others: Annotated[list[str], argument("B...", "one or more to set against A")],
    quiet: Quiet = False,
    out: Annotated[
        str | None, option("--out", "DIR", "write compare.html and compare.json there")
    ] = None,
    as_json: Annotated[bool, flag("--json", "print compare.json to standard output")] = False,
    allow_outside: AllowOutside = False,
    power: PowerUnitOption = None,
    speed_unit: SpeedUnitOption = None,
    refuse_doubtful: RefuseDoubtful = False,
) -> int:
    """Run ``pullcoast compare`` and return the exit status."""
    paths = [Path(text) for text in (first, *others)]
    folder = None if out is None else Path(out)
    if folder is not None:
        check_writable(folder)
    from analysis.report.comparison import compare_text, render_comparison
    from analysis.report.read_side import side_of_path
    from analysis.sessions.compare import compare_all

    sides = [
        side_of_path(
            name, path, power=power, speed=speed_unit, allow_outside=allow_outside, quiet=quiet
        )
        for name, path in zip(_names(paths), paths, strict=True)
    ]
    comparisons = compare_all(sides)
    if all(one.peak_w is None and one.road_load is None for one in comparisons):
        for one in comparisons:
            complain(
                f"{one.other.name} and {one.first.name} have no figure in common: not both have a "
                f"wheel power, and {one.why_no_road_load}"
            )
        return EXIT_NOTHING
    files = render_comparison(comparisons) if folder is not None or as_json else {}
    if folder is not None:
        write_together(folder, files)
    if as_json:
        print(files["compare.json"], end="")
    text = compare_text(comparisons, folder, tuple(files))
    print(text, file=sys.stderr if as_json else sys.stdout)
    doubtful = any(side.trust is not None and side.trust.level == "doubtful" for side in sides)
    return EXIT_NOTHING if doubtful and refuse_doubtful else EXIT_OK


def _names(paths: list[Path]) -> list[str]:
    """Return what to call each: its folder, with a number where two are alike."""
    names: list[str] = []
    for path in paths:
        place = real_path(path)
        if place.suffix in (".toml", ".json"):
            place = place.parent
        if place.name == "results" and not (place / "session.toml").exists():
            place = place.parent
        name, number = place.name or "session", 2
        while name in names:
            name, number = f"{place.name}-{number}", number + 1
        names.append(name)
    return [visible(name) for name in names]
