"""The logs that lie in a folder: what each holds, and which are one recording in two files."""

from __future__ import annotations

import re
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from analysis.runs.survey import Survey, survey
from logger.errors import PullcoastError
from logger.findings import counted
from logger.reading import read_log
from logger.recording import Recording
from logger.session.files import list_logs
from logger.source import LOG_SUFFIXES

__all__ = ["FoundLog", "LogGroup", "find_logs", "group_logs"]

#: Two files are one recording when they share this part of the shorter one's time.
_SHARED = 0.5
#: Words of a file's name that name its sensor; what is left names the recording.
_SENSOR_WORDS = re.compile(
    r"(?<![a-z])(gps|gnss|location|position|track|motion|accel\w*|acc|gyro\w*|imu|sensors?)(?![a-z])"
)


@dataclass(frozen=True, slots=True, kw_only=True)
class FoundLog:
    """One file of a folder as far as it could be read.

    Parameters
    ----------
    name : str
        File name.
    recording : Recording or None
        None where it cannot be read.
    survey : Survey or None
        What it holds, likewise.
    error : str
        Why it cannot be read, "" where it can.
    """

    name: str
    recording: Recording | None
    survey: Survey | None
    error: str = ""

    @property
    def fixes(self) -> bool:
        """Whether it has GPS speed or positions."""
        return self._has("speed_mps") or self._has("latitude_deg")

    @property
    def motion(self) -> bool:
        """Whether it has an accelerometer."""
        return self._has("accel_x_mps2")

    @property
    def directed(self) -> bool:
        """Whether it shows which way it went: positions or headings."""
        return self._has("latitude_deg") or self._has("heading_deg") or self._has("place_m")

    def _has(self, name: str) -> bool:
        return self.recording is not None and self.recording.channel(name) is not None

    @property
    def nameable(self) -> bool:
        """Whether its name is text, which UTF-8 can hold."""
        return not any("\ud800" <= sign <= "\udfff" for sign in self.name)

    @property
    def span_s(self) -> tuple[float, float] | None:
        """First and last sample in seconds since 1970; None where the file has no date."""
        if self.recording is None or self.recording.clocks[0].epoch_s is None:
            return None
        ends = [c.t_s[[0, -1]] for c in self.recording.channels if c.clock == 0 and c.t_s.size]
        zero_s = self.recording.clocks[0].epoch_s
        return zero_s + min(float(e[0]) for e in ends), zero_s + max(float(e[1]) for e in ends)

    def summary(self) -> str:
        """Return what it holds in one line."""
        if self.recording is None:
            return f"cannot be read: {self.error}"
        parts = [f"{self.recording.duration_s:.0f} s"]
        for what, name in (
            ("GPS speed", "speed_mps"),
            ("positions", "latitude_deg"),
            ("accelerometer", "accel_x_mps2"),
        ):
            channel = self.recording.channel(name)
            if channel is not None and not (what == "positions" and self._has("speed_mps")):
                rate = channel.rate_hz
                parts.append(what + (f" {rate:.3g} Hz" if rate is not None else ""))
        speed = self.recording.channel("speed_mps")
        if speed is not None and not speed.suspect.all():
            parts.append(f"up to {3.6 * float(np.max(speed.values[~speed.suspect])):.0f} km/h")
        if self.survey is not None and self.fixes:
            kinds = [phase.kind for run in self.survey.runs for phase in run.phases]
            parts.append(counted(kinds.count("pull"), "pull"))
            parts.append(counted(kinds.count("coast"), "coast-down"))
            notes = self.survey.findings
        else:
            notes = self.recording.findings
        serious = sum(finding.severity != "note" for finding in notes)
        if serious:
            parts.append(counted(serious, "warning"))
        return ", ".join(parts)


@dataclass(frozen=True, slots=True, kw_only=True)
class LogGroup:
    """The files of one recording, and why more than one are taken for one."""

    logs: tuple[FoundLog, ...]
    why: str = ""

    @property
    def readable(self) -> bool:
        """Whether every file can be read and named, and there is anything of a drive in them."""
        return all(log.recording is not None and log.nameable for log in self.logs) and any(
            log.fixes for log in self.logs
        )


def find_logs(folder: Path, report: Callable[[str], None] = lambda _: None) -> list[FoundLog]:
    """Read every log that lies in a folder.

    Parameters
    ----------
    folder : Path
        What is in folders of it is not looked at; one that does not exist yet holds none.
    report : callable
        Called with the name of each file before it is read.

    Returns
    -------
    list of FoundLog
        In the order people number them; an unreadable one with its reason.
    """
    if not folder.is_dir():
        return []
    found = []
    for number, name in enumerate(list_logs(folder)[0]):
        report(name)
        try:
            recording = read_log([folder / name])
            found.append(FoundLog(name=name, recording=recording, survey=survey(recording, number)))
        except PullcoastError as error:
            why = str(error).removeprefix(str(folder / name)).lstrip(",: ")
            found.append(FoundLog(name=name, recording=None, survey=None, error=why))
        except OSError as error:
            found.append(
                FoundLog(name=name, recording=None, survey=None, error=str(error.strerror or error))
            )
    return found


def group_logs(logs: Sequence[FoundLog]) -> list[LogGroup]:
    """Put a file of fixes and a file of motion together where they are one recording.

    Dates decide; where there are none, names that differ only in the word for the sensor.

    Parameters
    ----------
    logs : sequence of FoundLog
        Of one folder.

    Returns
    -------
    list of LogGroup
        In the order of their first files; every file once.
    """
    motions = [log for log in logs if log.motion and not log.fixes]
    groups = []
    taken: set[str] = set()
    for log in logs:
        if not log.fixes or log.motion:
            continue
        matches = [(other, why) for other in motions if (why := _why_one(log, other))]
        free = [(other, why) for other, why in matches if other.name not in taken]
        if len(free) == 1:
            other, why = free[0]
            taken |= {log.name, other.name}
            groups.append(LogGroup(logs=(log, other), why=why))
    groups += [LogGroup(logs=(log,)) for log in logs if log.name not in taken]
    order = {log.name: place for place, log in enumerate(logs)}
    return sorted(groups, key=lambda group: min(order[log.name] for log in group.logs))


def _why_one(fixes: FoundLog, motion: FoundLog) -> str:
    """Return why two files are one recording, "" where nothing shows it."""
    a, b = fixes.span_s, motion.span_s
    if a is not None and b is not None:
        shorter = min(a[1] - a[0], b[1] - b[0])
        shared = min(a[1], b[1]) - max(a[0], b[0])
        return "their dates overlap" if shorter > 0 and shared > _SHARED * shorter else ""
    return "by their names" if _stem(fixes.name) == _stem(motion.name) else ""


#: All that names of logs end in, packed or not.
_ENDINGS = re.compile(f"({'|'.join(map(re.escape, (*LOG_SUFFIXES, '.gz')))})+$")


def _stem(name: str) -> str:
    """Return what of a file's name is left without suffixes and words for sensors."""
    plain = _ENDINGS.sub("", name.lower())
    return re.sub(r"[\W_]+", "", _SENSOR_WORDS.sub("", plain))
