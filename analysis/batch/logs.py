"""Logs alone, without a session: what is in each, and their speed over time."""

from __future__ import annotations

import os
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from pathlib import Path
from typing import Any, cast

import numpy as np

from analysis.model.covariance import Z95
from analysis.plots.curves import speed_time_svg
from analysis.report.csv_files import speed_time_csv
from analysis.report.json_text import finding_dict, json_text, phase_dict
from analysis.runs.survey import Survey, survey
from analysis.signals.smoothing import SpeedCurve
from analysis.terminal.errors import EXIT_INPUT, EXIT_OK, complain, explain
from analysis.terminal.lines import wrap
from analysis.terminal.progress import Progress
from analysis.text.numbers import Units, by_severity, rate_text
from logger.errors import PullcoastError, SessionError
from logger.reading import read_log
from logger.recording import Recording
from logger.session.files import list_logs
from logger.session.keys import SpeedUnit
from logger.session.overrides import column_choices
from logger.session.session import Display
from logger.tables.table import ColumnChoice

__all__ = [
    "LogReader",
    "Look",
    "SurveyedLog",
    "log_files",
    "look_at",
    "look_text",
    "looks_json",
    "sensor_words",
    "speed_files",
    "speed_json",
    "speed_row",
    "survey_logs",
    "units_of",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class LogReader:
    """How logs are read: chosen columns, rate of tables without times [Hz], damaged logs."""

    columns: dict[str, ColumnChoice]
    rate_hz: float | None
    salvage: bool
    strict: bool
    quiet: bool

    @classmethod
    def of(
        cls,
        column: Sequence[str] | None,
        unit: Sequence[str] | None,
        circumference: str | None,
        *,
        rate_hz: float | None,
        salvage: bool,
        strict: bool,
        quiet: bool,
    ) -> LogReader:
        """Return a reader with the columns and units that options name."""
        columns = column_choices(column or (), unit or (), circumference)
        return cls(columns=columns, rate_hz=rate_hz, salvage=salvage, strict=strict, quiet=quiet)

    def survey(
        self, paths: Sequence[str], log: int, on_read: Callable[[Recording], None] = lambda _: None
    ) -> Survey:
        """Read the files of one recording and survey it."""
        with Progress(quiet=self.quiet) as progress:
            progress.show(f"reading {' + '.join(paths)}")
            recording = read_log(
                [Path(path) for path in paths],
                columns=self.columns,
                rate_hz=self.rate_hz,
                salvage=self.salvage,
                strict=self.strict,
                progress=progress.share,
            )
            on_read(recording)
            return survey(recording, log=log)


@dataclass(frozen=True, slots=True, kw_only=True)
class Look:
    """One log as far as it could be read: `error` is None when all went well."""

    path: str
    recording: Recording | None
    survey: Survey | None
    error: str | None


@dataclass(frozen=True, slots=True, kw_only=True)
class SurveyedLog:
    """A recording with a speed-time curve, and the names of its files."""

    name: str
    survey: Survey
    curve: SpeedCurve


def units_of(speed_unit: str | None) -> Units:
    """Return the units for people."""
    return Units.of(Display(speed=cast("SpeedUnit", speed_unit or "km/h")))


def look_at(path: str, log: int, reader: LogReader) -> Look:
    """Read one log and survey it; what goes wrong is in its `error`."""
    read: list[Recording] = []
    found, error = None, None
    try:
        found = reader.survey([path], log, read.append)
    except PullcoastError as fault:
        error = str(fault)
    except OSError as fault:
        error = f"{path}: {fault.strerror or fault}"
    recording = read[0] if read else None
    return Look(path=path, recording=recording, survey=found, error=error)


def _top_speed_mps(look: Look) -> float | None:
    """Return the highest measured speed [m/s], suspect samples left out; the curve's without any."""
    speed = look.recording.channel("speed_mps") if look.recording else None
    values = speed.values[~speed.suspect] if speed is not None else np.zeros(0)
    if not values.size and look.survey is not None and look.survey.curve is not None:
        values = look.survey.curve.speed_mps
        values = values[np.isfinite(values)]
    return float(values.max()) if values.size else None


def _look_dict(look: Look) -> dict[str, Any]:
    """Return what is in a log for programs, in SI units."""
    recording, survey = look.recording, look.survey
    phases = [(phase, run) for run in survey.runs for phase in run.phases] if survey else []
    return {
        "path": look.path,
        "format": _format(recording) if recording else None,
        "channels": {
            channel.name: {"samples": channel.t_s.size, "rate_hz": channel.rate_hz}
            for channel in (recording.channels if recording else ())
        },
        "duration_s": recording.duration_s if recording else None,
        "top_speed_mps": _top_speed_mps(look),
        "pulls": [phase_dict(phase, run) for phase, run in phases if phase.kind == "pull"],
        "coasts": [phase_dict(phase, run) for phase, run in phases if phase.kind == "coast"],
        "findings": [finding_dict(finding) for finding in survey.findings] if survey else [],
        "error": look.error,
    }


def _format(recording: Recording) -> str:
    return " + ".join(dict.fromkeys(source.format for source in recording.sources))


def looks_json(looks: Sequence[Look]) -> str:
    """Return what is in logs for programs."""
    return json_text({"files": [_look_dict(look) for look in looks]})


def look_text(look: Look, units: Units) -> str:
    """Return what is in a log for people, a blank line behind it."""
    lines = [look.path]
    recording, survey = look.recording, look.survey
    if recording is None or survey is None:
        return f"{look.path}\n  cannot be read\n\n"
    top = _top_speed_mps(look)
    lines.append(
        f"  {_format(recording)}, {recording.duration_s:.1f} s"
        + (f", top speed {units.speed_text(top)}" if top is not None else ", no speed")
    )
    for channel in recording.channels:
        rate = f"{rate_text(channel.rate_hz):>8} Hz" if channel.rate_hz is not None else ""
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
        lines += wrap(text, 80, initial_indent="  ", subsequent_indent="    ")
    return "\n".join(lines) + "\n\n"


def survey_logs(
    groups: Sequence[Sequence[str]], reader: LogReader
) -> tuple[list[SurveyedLog], int]:
    """Survey recordings of one or more files each; one that cannot be used does not stop the others.

    Parameters
    ----------
    groups : sequence of sequence of str
        The files of each recording.
    reader : LogReader
        How to read them.

    Returns
    -------
    logs : list of SurveyedLog
        Those with a speed over time; what is wrong with any is printed on stderr.
    status : int
        Exit status.
    """
    logs: list[SurveyedLog] = []
    status = EXIT_OK
    for group in groups:
        try:
            found = reader.survey(group, len(logs))
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
        name = " + ".join(Path(path).name for path in group)
        logs.append(SurveyedLog(name=name, survey=found, curve=found.curve))
    return logs, status


def speed_files(logs: Sequence[SurveyedLog], units: Units) -> dict[str, str]:
    """Return speed_time.csv and speed_time.svg of logs; runs are numbered through all of them."""
    runs = [
        replace(run, number=number)
        for number, run in enumerate(run for log in logs for run in log.survey.runs)
    ]
    curves = [log.curve for log in logs]
    return {
        "speed_time.csv": speed_time_csv(curves, runs),
        "speed_time.svg": speed_time_svg(curves, runs, [log.name for log in logs], units),
    }


def speed_row(log: SurveyedLog) -> dict[str, Any]:
    """Return what was found in a log for programs, in SI units."""
    kinds = [phase.kind for run in log.survey.runs for phase in run.phases]
    known = np.isfinite(log.curve.speed_mps)
    return {
        "name": log.name,
        "runs": len(log.survey.runs),
        "pulls": kinds.count("pull"),
        "coasts": kinds.count("coast"),
        "top_speed_mps": float(log.curve.speed_mps[known].max()) if known.any() else 0.0,
        **asdict(log.survey.sensors),
    }


def log_files(paths: Sequence[str]) -> list[str]:
    """Return files as given, and of each folder the logs that lie in it."""
    found = []
    for path in paths:
        if not os.path.isdir(path):
            found.append(path)
            continue
        names, _ = list_logs(Path(path))
        if not names:
            raise SessionError(path, "", "no log lies in this folder", "files as phones write them")
        found += [os.path.join(path, name) for name in names]
    return found


def sensor_words(row: dict[str, Any]) -> str:
    """Return in words whether the accelerometer was used, how late GPS was, or why not."""
    if row["accel_used"]:
        lag = f"{row['gps_lag_s']:.2f} ± {Z95 * row['gps_lag_sd_s']:.2f} s"
        return f"accelerometer used; GPS speed is {lag} behind it"
    return f"accelerometer not used: {row['why_not']}"


def speed_json(folder: Path, files: Sequence[str], rows: Sequence[dict[str, Any]]) -> str:
    """Return what was found in logs for programs, and what was written where."""
    return json_text({"out": str(folder), "files": list(files), "logs": list(rows)})
