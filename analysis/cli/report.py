"""The command `pullcoast report`: sessions in, a folder of results each out."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Annotated

from analysis.terminal.command_line import Command, new_app
from analysis.terminal.errors import EXIT_INPUT, EXIT_NOTHING, EXIT_OK, complain, explain
from analysis.terminal.options import (
    CAUTIONS,
    AllowOutside,
    Circumference,
    Columns,
    LeaveOut,
    Neutral,
    NoDates,
    PowerUnitOption,
    Quiet,
    RateHz,
    RefuseDoubtful,
    Salvage,
    SpeedUnitOption,
    Strict,
    Units,
    argument,
    flag,
    option,
    stated,
)
from analysis.terminal.output import check_writable
from logger.errors import PullcoastError, SessionError, real_path

__all__ = ["app", "report"]

_DESCRIPTION = f"""\
Turn a session (a folder of phone logs) into wheel power and road load.

Writes report.html, results.json, curves.csv and speed_time.csv. An interrupted run leaves earlier
files whole. What is missing makes intervals wide or is left out and said; it is never guessed.

{CAUTIONS}"""

_EXAMPLES = """\
examples:
  pullcoast report airfield                      with airfield/session.toml
  pullcoast report airfield --mass 1480kg        a folder of logs alone; each is one recording
  pullcoast report monday tuesday --out compared one folder of results per session
  pullcoast report airfield --full --plots pictures
  pullcoast report pulls --road-load coasts/results/results.json
  pullcoast report airfield --column speed_mps="GPS speed" --unit speed_mps=km/h
  pullcoast report airfield --leave-out 6,run07.csv
  pullcoast report airfield --json | jq .wheel_power.peak_W"""

_KNOWN = "what is known (wins over session.toml)"

app = new_app()


@app.command(cls=Command, help=_DESCRIPTION, epilog=_EXAMPLES)
def report(
    sessions: Annotated[list[str], argument("SESSION...", "folder, or its session.toml")],
    quiet: Quiet = False,
    out: Annotated[
        str | None,
        option("--out", "DIR", "where to write (default: SESSION/results; several: DIR/NAME)"),
    ] = None,
    full: Annotated[bool, flag("--full", "with a figure of every run in report.html")] = False,
    plots: Annotated[
        str | None,
        option(
            "--plots",
            "DIR",
            "also write every figure as SVG, PNG and CSV (several sessions: DIR/NAME)",
        ),
    ] = None,
    no_dates: NoDates = False,
    card: Annotated[
        str | None,
        option(
            "--card",
            "{plain,dated}",
            "also write card.png, one picture to share, without or with the date",
            words=("plain", "dated"),
        ),
    ] = None,
    sheet: Annotated[
        bool, flag("--sheet", "also write sheet.csv, the figures in your units for a spreadsheet")
    ] = False,
    as_json: Annotated[bool, flag("--json", "print results.json to standard output")] = False,
    road_load: Annotated[
        str | None,
        option("--road-load", "FILE", "an earlier results.json, for sessions of pulls alone"),
    ] = None,
    road: Annotated[
        str | None,
        option("--road", "FILE", "slope of this road as earlier sessions found it: a prior"),
    ] = None,
    learn_road: Annotated[
        bool, flag("--learn-road", "write what this session shows of the slope into --road FILE")
    ] = False,
    allow_outside: AllowOutside = False,
    mass: Annotated[
        str | None,
        option(
            "--mass",
            "MASS",
            "vehicle as driven, with people and fuel: 1480kg, 3260lb",
            group=_KNOWN,
        ),
    ] = None,
    mass_uncertainty: Annotated[
        str | None,
        stated("--mass-uncertainty", _KNOWN),
    ] = None,
    rotating_mass: Annotated[
        str | None,
        stated("--rotating-mass", _KNOWN),
    ] = None,
    rotating_mass_uncertainty: Annotated[
        str | None,
        stated("--rotating-mass-uncertainty", _KNOWN),
    ] = None,
    temperature: Annotated[
        str | None, option("--temperature", "T", "of the air: 14C, 57F", group=_KNOWN)
    ] = None,
    pressure: Annotated[
        str | None,
        option(
            "--pressure",
            "P",
            "at the station, not reduced to sea level: 1002hPa, 29.6inHg",
            group=_KNOWN,
        ),
    ] = None,
    humidity: Annotated[str | None, stated("--humidity", _KNOWN)] = None,
    altitude: Annotated[str | None, stated("--altitude", _KNOWN)] = None,
    power: PowerUnitOption = None,
    speed_unit: SpeedUnitOption = None,
    leave_out: LeaveOut = None,
    neutral: Neutral = False,
    refuse_doubtful: RefuseDoubtful = False,
    column: Columns = None,
    unit: Units = None,
    circumference: Circumference = None,
    rate_hz: RateHz = None,
    salvage: Salvage = False,
    strict: Strict = False,
) -> int:
    """Run ``pullcoast report`` and return the worst exit status of its sessions.

    Each session is analysed by itself into a folder of its own; one that fails does not stop the
    others. What several have in common goes above them.
    """
    paths = [Path(text) for text in sessions]
    if as_json and len(paths) > 1:
        complain("--json prints one results.json, so give one session with it")
        return EXIT_INPUT
    from logger.session.overrides import apply_overrides, column_choices, open_session

    known_road_load = None
    if road_load is not None:
        from analysis.report.read_results import read_results_road_load, same_vehicle

        known_road_load = read_results_road_load(road_load)
    statuses, analyses = [], {}
    folders = _folders(paths, out)
    pictures = [None] * len(paths) if plots is None else _folders(paths, plots)
    for path, folder, picture_folder in zip(paths, folders, pictures, strict=True):
        try:
            # all that can be refused without computing is refused before the slow imports
            if picture_folder is not None:
                check_writable(picture_folder)
            columns = column_choices(column or (), unit or (), circumference)
            session = open_session(
                path,
                mass=mass,
                mass_uncertainty=mass_uncertainty,
                rotating_mass=rotating_mass,
                rotating_mass_uncertainty=rotating_mass_uncertainty,
                allow_outside=allow_outside,
            )
            session = apply_overrides(
                session,
                temperature=temperature,
                pressure=pressure,
                humidity=humidity,
                altitude=altitude,
                power=power,
                speed=speed_unit,
                columns=columns,
                leave_out=_of_session(leave_out or (), path, several=len(paths) > 1),
                neutral=neutral,
            )
            if road is not None:
                session = replace(session, road=Path(road))
            if learn_road and session.road is None:
                complain("--learn-road writes into a road file: name it with --road FILE")
                return EXIT_INPUT
            if road_load is not None:
                others = same_vehicle(road_load, session.vehicle)
                session = replace(session, findings=(*session.findings, *others))
            check_writable(folder)
            from analysis.batch.results import (
                analyse_checked,
                print_report,
                put_together,
                write_plots,
            )

            outcome, timed = analyse_checked(
                session,
                rate_hz=rate_hz,
                salvage=salvage,
                strict=strict,
                road_load=known_road_load,
                learn=learn_road,
                quiet=quiet,
            )
        except PullcoastError as error:
            if len(paths) == 1:
                raise
            statuses.append(explain(error, str(path)))
            continue
        if picture_folder is not None:
            write_plots(outcome, timed, picture_folder, full=full)
        print_report(
            outcome,
            timed,
            folder,
            full=full,
            dates=not no_dates,
            card=card,
            sheet=sheet,
            as_json=as_json,
            quiet=quiet,
        )
        doubtful = outcome.verdict.trust.level == "doubtful"
        statuses.append(EXIT_NOTHING if doubtful and refuse_doubtful else EXIT_OK)
        analyses[folder.name] = outcome
    if len(paths) > 1:
        if out is None:
            print("\nWith --out DIR the sessions are put together as well.")
        elif known_road_load is not None:
            print(
                "\nNot put together: with --road-load the sessions lean on one road load from\n"
                "elsewhere, which would count once for each."
            )
        elif not analyses:
            print("\nNot put together: none of the sessions could be used.")
        else:
            print(f"\n{put_together(analyses, len(paths), Path(out))}")
    return max(statuses)


def _of_session(texts: Sequence[str], path: Path, *, several: bool) -> list[str]:
    """Return which of ``6``, ``run07.csv`` and, of several sessions, ``NAME:6`` are of this one."""
    name = (path.parent if path.suffix == ".toml" else path).resolve().name
    found = []
    for part in (part.strip() for text in texts for part in text.split(",")):
        of, colon, rest = part.partition(":")
        if several and not colon:
            option = "--leave-out"
            expected = f"which session it is of, for example {name}:{part or 6}"
            raise SessionError(option, "", f"{part!r}", expected)
        if not colon or of == name:
            found.append(rest if colon else part)
    return found


def _folders(paths: list[Path], out: str | None) -> list[Path]:
    """Return where each session's files go; equal names get a number."""
    if out is None:
        return [(path.parent if path.suffix == ".toml" else path) / "results" for path in paths]
    if len(paths) == 1:
        return [Path(out)]
    folders: list[Path] = []
    for path in paths:
        place = real_path(path.parent if path.suffix == ".toml" else path)
        folder, number = Path(out) / (place.name or "session"), 2
        while folder in folders:
            folder, number = Path(out) / f"{place.name}-{number}", number + 1
        folders.append(folder)
    return folders
