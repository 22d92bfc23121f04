"""What an outing will show, as `plan` prints it."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from analysis.planning.plan import pairs_needed, predict_outing, variants
from analysis.planning.request import PlanRequest, requested_outing, wanted_share
from analysis.report.json_text import json_text
from analysis.report.plan import checklist_text, plan_dict, plan_text
from analysis.terminal.output import write_together
from analysis.text.numbers import Units

__all__ = ["PlanRequest", "planned"]


def planned(
    request: PlanRequest,
    session: str | None,
    want: str | None,
    *,
    power: str | None,
    speed: str | None,
    as_json: bool,
    allow_outside: bool,
    quiet: bool,
    checklist: str | None = None,
) -> str:
    """Return the plan of the outing asked for, as text or JSON; its checklist may go into a file.

    Raises
    ------
    PullcoastError
        An option or the session cannot be used; `NotDrivable`: the coast-down does not come down.
    """
    share = wanted_share(want)
    outing, display, name = requested_outing(
        request,
        None if session is None else Path(session),
        allow_outside=allow_outside,
        quiet=quiet,
    )
    predicted = predict_outing(outing)
    needed = pairs_needed(outing, share) if share is not None else ()
    found = (predicted, variants(outing), share, needed)
    units = {"power": power, "speed": speed}
    display = replace(display, **{key: unit for key, unit in units.items() if unit})  # type: ignore[arg-type]
    if checklist is not None:
        lines = checklist_text(predicted, Units.of(display))
        place = Path(checklist)
        write_together(place.parent, {place.name: "\n".join([f"Plan for {name}", "", *lines, ""])})
    if as_json:
        return json_text(plan_dict(*found))
    text = plan_text(*found, said=name, display=display, checklist_elsewhere=checklist is not None)
    written = "" if checklist is None else f"\nChecklist, with the cautions: {checklist}\n"
    return f"{text}\n{written}"
