"""Numbers as people read them: display units, rounding by uncertainty, and how far to trust."""

from __future__ import annotations

import math
from dataclasses import dataclass

from analysis.model.covariance import Z95
from logger.findings import Finding
from logger.session.session import Display, Session
from logger.units import to_si

__all__ = [
    "Units",
    "by_severity",
    "half95",
    "interval_text",
    "log_name",
    "number",
    "rate_text",
    "serious_by_kind",
    "with_half95",
]

_SEVERITY = {"error": 0, "warning": 1, "note": 2}


def number(value: float, sd: float | None = None, *, least: int = 0) -> str:
    """Write `value` to the place that its standard deviation makes worth reading.

    Parameters
    ----------
    value : float
        In the unit shown.
    sd : float or None
        In the same unit; None writes four significant digits.
    least : int
        At least so many digits after the point.

    >>> number(77.9342, 1.13), number(612.4, 12.0), number(0.42061, 0.024), number(1234.4)
    ('77.9', '612', '0.421', '1234')
    """
    if not math.isfinite(value):
        return "unknown"
    if sd is None:
        digits = 3 - math.floor(math.log10(abs(value))) if value else 0
    else:
        # two digits of an sd that starts with 1 or 2, else one: never coarser than a third of it
        exponent = math.floor(math.log10(sd)) if sd > 0 else -3
        digits = -exponent + (1 if sd / 10.0**exponent < 2.95 else 0)
    text = f"{value:.{min(max(digits, least, 0), 6)}f}"
    return text if float(text) else text.replace("-", "")


def rate_text(rate_hz: float) -> str:
    """Write a rate as people say it, in Hz without its unit.

    >>> rate_text(0.9999), rate_text(49.83), rate_text(9.97), rate_text(0.04)
    ('1', '50', '10', '0.04')
    """
    near = round(rate_hz) if abs(rate_hz - round(rate_hz)) <= 0.02 * rate_hz else rate_hz
    return f"{near:.2g}" if near < 100 else f"{near:.0f}"


@dataclass(frozen=True, slots=True, kw_only=True)
class Units:
    """Display units and the SI value of one of each."""

    power: str
    speed: str
    power_w: float
    speed_mps: float

    @classmethod
    def of(cls, display: Display) -> Units:
        """Return the units that a session asks for."""
        return cls(
            power=display.power,
            speed=display.speed,
            power_w=to_si(1.0, display.power, "power"),
            speed_mps=to_si(1.0, display.speed, "speed"),
        )

    def speed_text(self, speed_mps: float, sd_mps: float | None = None) -> str:
        """Write a speed with its unit; whole units without an sd."""
        if sd_mps is None:
            return f"{self.speed_value(speed_mps):.0f} {self.speed}"
        return f"{number(speed_mps / self.speed_mps, sd_mps / self.speed_mps)} {self.speed}"

    def speed_value(self, speed_mps: float) -> float:
        """Return a speed in the display unit."""
        return speed_mps / self.speed_mps

    def power_text(self, power_w: float, sd_w: float) -> str:
        """Write a power with its unit, rounded by its sd."""
        return f"{number(power_w / self.power_w, sd_w / self.power_w)} {self.power}"

    def power_interval(self, low_w: float, high_w: float, sd_w: float) -> str:
        """Write a 95 % interval of power without its unit."""
        scale = self.power_w
        return interval_text((low_w / scale, high_w / scale), sd_w / scale)


def interval_text(ends: tuple[float, float], sd: float) -> str:
    """Write an interval without its unit, rounded by the sd of what it is about."""
    low, high = ends
    return f"{number(low, sd)} to {number(high, sd)}"


def half95(sd: float, scale: float = 1.0) -> str:
    """Write half the 95 % interval of what has this sd, rounded as its value is."""
    return number(Z95 * sd / scale, sd / scale)


def with_half95(value: float, sd: float, scale: float = 1.0, *, sign: str = "\u00b1") -> str:
    """Write a value and half its 95 % interval in one unit.

    >>> with_half95(61.24, 0.9, sign="+/-")
    '61.2 +/- 1.8'
    """
    return f"{number(value / scale, sd / scale)} {sign} {half95(sd, scale)}"


def log_name(session: Session, log: int) -> str:
    """Return what a person calls a log: its file names."""
    if not 0 <= log < len(session.logs):
        return f"log {log + 1}"
    return " + ".join(path.name for path in session.logs[log].files)


def by_severity(findings: tuple[Finding, ...]) -> list[Finding]:
    """Return findings, errors first, else in their order."""
    return sorted(findings, key=lambda finding: _SEVERITY[finding.severity])


def serious_by_kind(findings: tuple[Finding, ...]) -> list[tuple[Finding, int]]:
    """Return one error or warning of each kind with how many other logs have the like.

    Errors come first, then what concerns the whole session, then what concerns single logs.
    """
    groups: dict[tuple[str, str], list[Finding]] = {}
    for finding in by_severity(findings):
        if finding.severity != "note":
            # of one kind, session-wide findings each say something of their own
            what = finding.text if finding.log is None else finding.kind
            groups.setdefault((finding.severity, what), []).append(finding)
    ordered = sorted(
        groups.values(), key=lambda group: (_SEVERITY[group[0].severity], group[0].log is not None)
    )
    return [
        (group[0], len({finding.log for finding in group} - {group[0].log})) for group in ordered
    ]
