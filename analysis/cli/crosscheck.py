"""The command `pullcoast crosscheck`: timed runs, or an oscilloscope's marks, beside a session."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain
from analysis.terminal.options import (
    POWER_UNITS,
    SPEED_UNITS,
    AllowOutside,
    ForPrograms,
    Quiet,
    argument,
    option,
    whole,
)

__all__ = ["app", "crosscheck"]

_DESCRIPTION = """\
Compare runs timed by stopwatch or oscilloscope with what a session of phone logs says.

Each timed interval gets the time that the session predicts on its own road in its wind, and a
verdict. up: or down: before a time states its direction; without one the prediction covers both.
Direction, road, wind and a slow thumb are tried before a speedometer is said to read wrong. The
customary sum of segment powers is shown step by step, with why it is neither mean nor peak power.
Without a session, --mass and timed runs alone give what they can, with wide intervals."""

_EXAMPLES = """\
examples:
  pullcoast crosscheck airfield --pull 20-70=6.3 --coast 80-50=21.5 --coast 50-20=38
  pullcoast crosscheck airfield --pull up:0-80=8.9 --pull down:0-80=8.5 --coast up:80-50=21
  pullcoast crosscheck airfield --pull 0-80=8.9 --coast 80-50=21.5 --run 3
  pullcoast crosscheck airfield                   timed runs from [crosscheck] in session.toml
  pullcoast crosscheck airfield --scope throttle.csv --gates 80,50,20 --channel CH2
  pullcoast crosscheck airfield --marks 2.31,9.10,30.6,68.5 --gates 80,50,20
  pullcoast crosscheck --mass 1480kg --pull 0-80=8.9 --coast 80-50=21.5 --coast 50-20=38"""

_TIMED = "timed runs"
_SCOPE = "oscilloscope on the throttle sensor"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def crosscheck(
    session: Annotated[str | None, argument("SESSION", "folder, or its session.toml")] = None,
    quiet: Quiet = False,
    as_json: ForPrograms = False,
    mass: Annotated[str | None, option("--mass", "MASS", "as driven: 1480kg, 3260lb")] = None,
    power: Annotated[
        str | None,
        option("--power", "{kW,hp,PS}", "unit of power in the text", words=POWER_UNITS),
    ] = None,
    allow_outside: AllowOutside = False,
    pull: Annotated[
        list[str] | None,
        option(
            "--pull", "V1-V2=SECONDS", "at full throttle: 20-70=6.3, up:20-70=6.3", group=_TIMED
        ),
    ] = None,
    coast: Annotated[
        list[str] | None,
        option("--coast", "V1-V2=SECONDS", "in neutral: 80-50=21.5, down:80-50=24", group=_TIMED),
    ] = None,
    speed_unit: Annotated[
        str | None,
        option(
            "--speed-unit",
            "{km/h,mph,m/s}",
            "of all gates (default: km/h)",
            group=_TIMED,
            words=SPEED_UNITS,
        ),
    ] = None,
    time_sd: Annotated[
        str | None,
        option("--time-sd", "S", "standard deviation of each time (default: 0.2 s)", group=_TIMED),
    ] = None,
    speed_sd: Annotated[
        str | None,
        option(
            "--speed-sd",
            "V",
            "standard deviation of each gate, in the unit of gates (default: 1)",
            group=_TIMED,
        ),
    ] = None,
    scope: Annotated[
        str | None, option("--scope", "FILE", "its table of samples", group=_SCOPE)
    ] = None,
    channel: Annotated[
        str | None,
        option("--channel", "NAME", "which channel, by name or number from 1", group=_SCOPE),
    ] = None,
    gates: Annotated[
        str | None,
        option(
            "--gates",
            "V,V,...",
            "speeds at release and at each blip: 80,50,20",
            group=_SCOPE,
        ),
    ] = None,
    start: Annotated[
        str, option("--from", "V", "speed where the pull begins (default: 0)", group=_SCOPE)
    ] = "0",
    marks: Annotated[
        str | None,
        option(
            "--marks",
            "S,S,...",
            "moments by hand: full throttle, release, blips [s]",
            group=_SCOPE,
        ),
    ] = None,
    run: Annotated[
        int | None,
        option(
            "--run",
            "N",
            "which run of the session was timed (default: the one that fits)",
            group=_TIMED,
            parser=whole(1, 10_000),
        ),
    ] = None,
) -> int:
    """Run ``pullcoast crosscheck`` and return the exit status."""
    if session is None and mass is None:
        complain(
            "give a session, or --mass with timed runs alone; see `pullcoast crosscheck --help`"
        )
        return EXIT_INPUT
    marked = scope is not None or marks is not None
    if marked and gates is None:
        complain("--gates is missing: say which speeds release and blips mark, such as 80,50,20")
        return EXIT_INPUT
    from analysis.report.timed import check_timed

    text, notes = check_timed(
        None if session is None else Path(session),
        mass=mass,
        power=power,
        allow_outside=allow_outside,
        quiet=quiet,
        texts=(pull or (), coast or ()),
        timed_as=(speed_unit, time_sd, speed_sd),
        scope=scope,
        channel=channel,
        marks=marks,
        gates=gates,
        start=start,
        run=run,
        as_json=as_json,
    )
    for finding in notes:
        if finding.severity != "note":
            complain(f"{finding.severity}: {finding.text}")
    sys.stdout.write(text)
    return EXIT_OK
