"""The commands `pullcoast look` and `pullcoast speed`: logs alone, without a session."""

from __future__ import annotations

import argparse
import textwrap
from dataclasses import asdict, dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from analysis.report.results_json import finding_dict, json_text, phase_dict
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain, explain
from analysis.terminal.output import check_writable, write_together
from analysis.terminal.progress import Progress
from analysis.text.numbers import Units, by_severity, counted
from logger.errors import PullcoastError
from logger.reading import read_log
from logger.session.overrides import column_choices
from logger.session.session import Display

if TYPE_CHECKING:
    from collections.abc import Callable, Mapping, Sequence

    from analysis.pipeline import Survey
    from analysis.runs.run import Run
    from analysis.signals.smoothing import SpeedCurve
    from logger.recording import Recording
    from logger.tables.table import ColumnChoice

__all__ = ["look", "speed"]


@dataclass(frozen=True, slots=True)
class _Looked:
    """One log as far as it could be read: `error` is None when all went well."""

    path: str
    recording: Recording | None
    survey: Survey | None
    error: str | None


def look(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast look``: say what is in each file; 2 when one cannot be read."""
    columns = column_choices(arguments.column, arguments.unit)
    units = Units.of(replace(Display(), speed=arguments.speed_unit or "km/h"))
    looked = []
    for number, path in enumerate(arguments.files):
        with Progress(quiet=arguments.quiet) as progress:
            progress.say(f"reading {path}")
            found = _look_at(path, number, partial(_read, arguments, columns, progress))
        looked.append(found)
        if not arguments.json:
            print(_as_text(found, units), end="")
        if found.error is not None:
            complain(found.error)
    if arguments.json:
        print(json_text({"files": [_as_dict(found) for found in looked]}), end="")
    return EXIT_OK if all(found.error is None for found in looked) else EXIT_INPUT


def _read(
    arguments: argparse.Namespace,
    columns: Mapping[str, ColumnChoice],
    progress: Progress,
    paths: Sequence[str],
) -> Recording:
    return read_log(
        [Path(path) for path in paths],
        columns=columns,
        rate_hz=arguments.rate_hz,
        salvage=arguments.salvage,
        strict=arguments.strict,
        progress=progress.share,
    )


def _look_at(path: str, log: int, read: Callable[[Sequence[str]], Recording]) -> _Looked:
    recording = None
    try:
        recording = read([path])
        from analysis.pipeline import survey

        return _Looked(path, recording, survey(recording, log=log), None)
    except PullcoastError as error:
        return _Looked(path, recording, None, str(error))
    except OSError as error:
        return _Looked(path, recording, None, f"{path}: {error.strerror or error}")


def _top_speed_mps(looked: _Looked) -> float | None:
    """Return the highest measured speed [m/s], suspect samples left out; the curve's without any."""
    speed = looked.recording.channel("speed_mps") if looked.recording else None
    values = speed.values[~speed.suspect] if speed is not None else np.zeros(0)
    if not values.size and looked.survey is not None and looked.survey.curve is not None:
        values = looked.survey.curve.speed_mps
        values = values[np.isfinite(values)]
    return float(values.max()) if values.size else None


def _as_dict(looked: _Looked) -> dict[str, Any]:
    recording, survey = looked.recording, looked.survey
    phases = [(phase, run) for run in survey.runs for phase in run.phases] if survey else []
    return {
        "path": looked.path,
        "format": _format(recording) if recording else None,
        "channels": {
            channel.name: {"samples": channel.t_s.size, "rate_hz": channel.rate_hz}
            for channel in (recording.channels if recording else ())
        },
        "duration_s": recording.duration_s if recording else None,
        "top_speed_mps": _top_speed_mps(looked),
        "pulls": [phase_dict(phase, run) for phase, run in phases if phase.kind == "pull"],
        "coasts": [phase_dict(phase, run) for phase, run in phases if phase.kind == "coast"],
        "findings": [finding_dict(finding) for finding in survey.findings] if survey else [],
        "error": looked.error,
    }


def _format(recording: Recording) -> str:
    return " + ".join(dict.fromkeys(source.format for source in recording.sources))


def _as_text(looked: _Looked, units: Units) -> str:
    lines = [looked.path]
    recording, survey = looked.recording, looked.survey
    if recording is None or survey is None:
        return f"{looked.path}\n  cannot be read\n\n"
    top = _top_speed_mps(looked)
    lines.append(
        f"  {_format(recording)}, {recording.duration_s:.1f} s"
        + (f", top speed {units.speed_text(top)}" if top is not None else ", no speed")
    )
    for channel in recording.channels:
        rate = f"{channel.rate_hz:8.2f} Hz" if channel.rate_hz is not None else ""
        lines.append(f"  {channel.name:<22}{channel.t_s.size:>9} samples {rate}".rstrip())
    found = [p for run in survey.runs for p in run.phases if p.kind in ("pull", "coast")]
    for phase in found:
        name = "pull" if phase.kind == "pull" else "coast-down"
        lines.append(
            f"  {name:<11}{phase.start_s:8.1f} to {phase.end_s:.1f} s, "
            f"{units.speed_text(phase.from_mps)} to {units.speed_text(phase.to_mps)}"
        )
    if not found:
        lines.append("  no pull and no coast-down found")
    for finding in by_severity(survey.findings):
        text = f"{finding.severity}: {finding.text}"
        lines += textwrap.wrap(text, 80, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines) + "\n\n"


def speed(arguments: argparse.Namespace) -> int:
    """Run ``pullcoast speed``: speed_time.csv and speed_time.svg of logs alone."""
    columns = column_choices(arguments.column, arguments.unit)
    units = Units.of(replace(Display(), speed=arguments.speed_unit or "km/h"))
    folder = Path(arguments.out)
    check_writable(folder)
    groups = [arguments.files] if arguments.together else [[path] for path in arguments.files]
    surveys: list[tuple[Survey, SpeedCurve]] = []
    labels, status = [], EXIT_OK
    for group in groups:
        try:
            with Progress(quiet=arguments.quiet) as progress:
                progress.say(f"reading {' + '.join(group)}")
                recording = _read(arguments, columns, progress, group)
                from analysis.pipeline import survey

                found = survey(recording, log=len(surveys))
        except (PullcoastError, OSError) as error:
            status = explain(error, "" if isinstance(error, PullcoastError) else group[0])
            continue
        for finding in by_severity(found.findings):
            if finding.severity != "note":
                complain(f"{group[0]}: {finding.severity}: {finding.text}")
        if found.curve is None:
            complain(f"{' + '.join(group)}: no speed over time can be made of it")
            status = EXIT_INPUT
            continue
        surveys.append((found, found.curve))
        labels.append(" + ".join(Path(path).name for path in group))
    if not surveys:
        return status
    runs = _counted([run for found, _ in surveys for run in found.runs])
    curves = [curve for _, curve in surveys]
    from analysis.plots.curves import speed_time_svg
    from analysis.report.csv_files import speed_time_csv

    files = {
        "speed_time.csv": speed_time_csv(curves, runs),
        "speed_time.svg": speed_time_svg(curves, runs, labels, units),
    }
    write_together(folder, files)
    rows = [_speed_row(label, *one) for label, one in zip(labels, surveys, strict=True)]
    if arguments.json:
        print(json_text({"out": str(folder), "files": list(files), "logs": rows}), end="")
        return status
    for row in rows:
        print(
            f"{row['name']}: {counted(row['runs'], 'run')}, {counted(row['pulls'], 'pull')}, "
            f"{counted(row['coasts'], 'coast-down')}, up to {units.speed_text(row['top_speed_mps'])}"
        )
        print(f"  {_sensor_words(row)}")
    print(f"Written to {folder}: {', '.join(files)}")
    return status


def _speed_row(label: str, found: Survey, curve: SpeedCurve) -> dict[str, Any]:
    kinds = [phase.kind for run in found.runs for phase in run.phases]
    known = np.isfinite(curve.speed_mps)
    return {
        "name": label,
        "runs": len(found.runs),
        "pulls": kinds.count("pull"),
        "coasts": kinds.count("coast"),
        "top_speed_mps": float(curve.speed_mps[known].max()) if known.any() else 0.0,
        **asdict(found.sensors),
    }


def _sensor_words(row: Mapping[str, Any]) -> str:
    """Return in words whether the accelerometer was used, how late GPS was, or why not."""
    if row["accel_used"]:
        lag = f"{row['gps_lag_s']:.2f} ± {row['gps_lag_sd_s']:.2f} s"
        return f"accelerometer used; GPS speed is {lag} behind it"
    return f"accelerometer not used: {row['why_not']}"


def _counted(runs: list[Run]) -> list[Run]:
    """Return the runs numbered through all logs; each survey counts its own from 0."""
    return [replace(run, number=number) for number, run in enumerate(runs)]
