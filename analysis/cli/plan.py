"""The command `pullcoast plan`: an outing in, what it will show and a checklist out."""

from __future__ import annotations

from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_OK
from analysis.terminal.options import (
    KINDS,
    AllowOutside,
    ForPrograms,
    PowerUnitOption,
    Quiet,
    SpeedUnitOption,
    argument,
    option,
    whole,
)

__all__ = ["app", "plan"]

_DESCRIPTION = """\
Foretell what an outing will show before it is driven: the intervals to expect, the pairs of runs that
a wanted interval takes, what another receiver, road or day would bring; before that, a checklist.

The figures come from the covariance of the model that works sessions out, on nominal runs; with a
SESSION they are for another outing like that one. Nothing is random and nothing is written."""

_EXAMPLES = """\
examples:
  pullcoast plan --mass 1480kg                      four pairs with a car of that mass
  pullcoast plan --mass 1480kg --want 2%            how many pairs for +/- 2 %
  pullcoast plan --mass 280kg --kind motorcycle --gps-hz 10 --wind 4m/s
  pullcoast plan airfield --pairs 6                 the next outing of a session
  pullcoast plan --mass 1480kg --json | jq .wheel_power.half95_percent

exit status: 0 done, 1 the vehicle would not come down to its end speed, 2 usage"""

_VEHICLE = "vehicle (wins over the session)"
_DAY = "road, day and phone"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def plan(
    session: Annotated[
        str | None, argument("SESSION", "plan another outing like this session's")
    ] = None,
    quiet: Quiet = False,
    pairs: Annotated[
        int | None,
        option("--pairs", "N", "two-way pairs (default: 4)", parser=whole(1, 40)),
    ] = None,
    want: Annotated[str | None, option("--want", "PERCENT", "interval to reach, +/-: 2%")] = None,
    checklist: Annotated[
        str | None,
        option("--checklist", "FILE", "write the checklist there instead of before the answer"),
    ] = None,
    as_json: ForPrograms = False,
    mass: Annotated[
        str | None,
        option("--mass", "MASS", "as driven: 1480kg, 3260lb (default: 1500kg)", group=_VEHICLE),
    ] = None,
    mass_uncertainty: Annotated[
        str | None,
        option(
            "--mass-uncertainty",
            "MASS",
            "standard deviation: 8kg, 0.5% (default: 1%)",
            group=_VEHICLE,
        ),
    ] = None,
    kind: Annotated[
        str | None,
        option(
            "--kind",
            "KIND",
            f"one of {', '.join(KINDS)}",
            group=_VEHICLE,
            words=KINDS,
        ),
    ] = None,
    top: Annotated[
        str | None,
        option("--top", "SPEED", "where the throttle is released: 110km/h, 68mph", group=_DAY),
    ] = None,
    end: Annotated[
        str | None,
        option("--end", "SPEED", "where coasting ends: 20km/h, 12mph", group=_DAY),
    ] = None,
    wind: Annotated[
        str | None,
        option("--wind", "SPEED", "mean along the road: 3m/s (default: 1.5m/s)", group=_DAY),
    ] = None,
    slope: Annotated[
        str | None,
        option("--slope", "PERCENT", "mean of the road: 0.5% (default: 0.2%)", group=_DAY),
    ] = None,
    gps_hz: Annotated[
        str | None, option("--gps-hz", "N", "fixes a second (default: 1)", group=_DAY)
    ] = None,
    accel_hz: Annotated[
        str | None,
        option(
            "--accel-hz",
            "N",
            "acceleration samples a second, 0 for none (default: 75)",
            group=_DAY,
        ),
    ] = None,
    allow_outside: AllowOutside = False,
    power: PowerUnitOption = None,
    speed_unit: SpeedUnitOption = None,
) -> int:
    """Run ``pullcoast plan`` and return the exit status."""
    from analysis.batch.plan import PlanRequest, planned

    request = PlanRequest(
        pairs=pairs,
        mass=mass,
        mass_uncertainty=mass_uncertainty,
        kind=kind,
        top=top,
        end=end,
        wind=wind,
        slope=slope,
        gps_hz=gps_hz,
        accel_hz=accel_hz,
    )
    text = planned(
        request,
        session,
        want,
        power=power,
        speed=speed_unit,
        as_json=as_json,
        allow_outside=allow_outside,
        quiet=quiet,
        checklist=checklist,
    )
    print(text, end="")
    return EXIT_OK
