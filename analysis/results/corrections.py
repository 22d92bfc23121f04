"""What is shown beside the measured wheel power, and only when asked for: ambient corrections, crank."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from analysis.model.covariance import Z95
from analysis.physics.air import AirState
from analysis.physics.ambient import AMBIENT_FACTORS, AmbientAir, factor_at
from analysis.results.power import PowerCurve
from logger.findings import Finding
from logger.session.session import Session, Vehicle

__all__ = [
    "STANDARD_FACTORS",
    "AmbientCorrection",
    "CrankEstimate",
    "ambient_corrections",
    "correction_findings",
    "crank_estimate",
    "crank_power_w",
    "wheel_power_w",
]

#: What `[correction]` may ask for, and the factors that answer it. Where a standard is read in more
#: than one way, each reading is shown.
STANDARD_FACTORS: dict[str, tuple[str, ...]] = {
    "SAE J1349": ("SAE J1349 (2004)", "SAE J1349 (1990)"),
    "ISO 1585": ("ISO 1585 (spark ignition)",),
    "UN R85": ("ISO 1585 (spark ignition)",),
    "DIN 70020": ("DIN 70020 (total pressure)", "DIN 70020 (dry pressure)"),
    "JIS D 1001": ("JIS D 1001",),
    "SAE J607": ("SAE J607",),
}

_REFUSALS: dict[str, str] = {
    "turbocharged": "a boost-controlled engine holds its own manifold pressure whatever the weather, so "
    "the factor would invent power (UN R85 as amended corrects such engines by 1)",
    "diesel": "the diesel factors depend on the fuel per cycle, which a road test does not know, and "
    "do not fit boost-controlled engines",
    "electric": "an electric drive does not breathe: the air does not change its power",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientCorrection:
    """Peak wheel power [W] as a standard would correct it; factor and power None when not valid."""

    standard: str
    factor: float | None
    valid: bool
    why_not: str | None
    peak_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CrankEstimate:
    """Peak power at the crank [W] under a driveline loss that the user stated [percent]."""

    peak_w: float
    low_w: float
    high_w: float
    loss_percent: tuple[float, float]


def wheel_power_w(crank_power_w: float, loss_percent: float) -> float:
    """Return what a stated driveline loss [percent of the crank power] leaves at the wheels [W].

    >>> round(wheel_power_w(231.0, 20.0))
    185
    """
    return crank_power_w * (1.0 - loss_percent / 100.0)


def crank_power_w(wheel_power_w: float, loss_percent: float) -> float:
    """Return the crank power [W] that gives `wheel_power_w` under a loss [percent of the former].

    >>> round(crank_power_w(184.8, 20.0), 6)
    231.0
    """
    return wheel_power_w / (1.0 - loss_percent / 100.0)


def crank_estimate(power: PowerCurve | None, vehicle: Vehicle) -> CrankEstimate | None:
    """Estimate the peak at the crank under the loss that the user stated.

    Parameters
    ----------
    power : PowerCurve or None
        As measured.
    vehicle : Vehicle
        With `driveline_loss_percent`.

    Returns
    -------
    CrankEstimate or None
        None without a pull or without a stated loss: no loss is ever assumed. The peak stands for
        the middle of the range. `low_w` and `high_w` hold 95 %: of the measured peak's normal
        distribution under a loss that is uniform over the range.
    """
    loss = vehicle.driveline_loss_percent
    if power is None or loss is None:
        return None
    # the middles of equal shares of the range; two hundred make the quantiles exact to 1e-4 of it
    shares = (np.arange(200) + 0.5) / 200.0
    gains = 1.0 / (1.0 - (loss[0] + (loss[1] - loss[0]) * shares) / 100.0)

    def below(watts: float) -> float:
        z = (watts / gains - power.peak_w) / power.peak_sd_w
        return float(np.mean([0.5 * math.erfc(-each / math.sqrt(2.0)) for each in z]))

    ends = (
        (power.peak_w - 6.0 * power.peak_sd_w) * float(gains.min()),
        (power.peak_w + 6.0 * power.peak_sd_w) * float(gains.max()),
    )
    tail = 0.5 * math.erfc(Z95 / math.sqrt(2.0))
    low_w, high_w = (_bisect(below, ends, share) for share in (tail, 1.0 - tail))
    middle = crank_power_w(power.peak_w, (loss[0] + loss[1]) / 2.0)
    return CrankEstimate(peak_w=middle, low_w=low_w, high_w=high_w, loss_percent=loss)


def _bisect(below: Callable[[float], float], ends: tuple[float, float], share: float) -> float:
    low, high = ends
    for _ in range(60):
        middle = (low + high) / 2.0
        if below(middle) < share:
            low = middle
        else:
            high = middle
    return (low + high) / 2.0


def ambient_corrections(
    session: Session, air: AirState, power: PowerCurve | None
) -> tuple[AmbientCorrection, ...]:
    """Correct the peak to a standard's air, where the session asks for it.

    Parameters
    ----------
    session : Session
        Its ``[correction]``, ``[air]`` and drive.
    air : AirState
        The air of the session.
    power : PowerCurve or None
        As measured.

    Returns
    -------
    tuple of AmbientCorrection
        One for each reading of the standard; empty where none is asked for. Not valid, without factor
        and power, for a boost-controlled, diesel or electric drive, in air outside of the factor's
        limits, without temperature and pressure, and without a pull.
    """
    standard = session.correction_standard
    if standard is None:
        return ()
    return tuple(_correction(name, session, air, power) for name in STANDARD_FACTORS[standard])


def _correction(
    name: str, session: Session, air: AirState, power: PowerCurve | None
) -> AmbientCorrection:
    refusal = _REFUSALS.get(session.vehicle.drive)
    if refusal is not None:
        return AmbientCorrection(
            standard=name,
            factor=None,
            valid=False,
            why_not=f"{session.vehicle.drive}: {refusal}",
            peak_w=None,
        )
    if session.air is None or air.temperature_c is None or air.pressure_hpa is None:
        why = "it needs the air of the day: temperature, and pressure or altitude, in [air]"
        return AmbientCorrection(standard=name, factor=None, valid=False, why_not=why, peak_w=None)
    inlet = AmbientAir(
        temperature_c=air.temperature_c,
        pressure_hpa=air.pressure_hpa,
        relative_humidity_percent=session.air.relative_humidity_percent,
    )
    found = factor_at(name, inlet)
    if not found.valid:
        why = f"outside its validity: {found.why_not}; the factor would be {found.factor:.3f}"
        return AmbientCorrection(standard=name, factor=None, valid=False, why_not=why, peak_w=None)
    if power is None:
        return AmbientCorrection(
            standard=name, factor=None, valid=False, why_not="no pull tells the power", peak_w=None
        )
    return AmbientCorrection(
        standard=name,
        factor=found.factor,
        valid=True,
        why_not=None,
        peak_w=found.factor * power.peak_w,
    )


def correction_findings(
    session: Session, corrections: tuple[AmbientCorrection, ...]
) -> tuple[Finding, ...]:
    """Report what to mind about the corrections that were asked for.

    Returns
    -------
    tuple of Finding
        A warning where a correction is refused, or given though the kind of engine is not stated.
    """
    if not corrections:
        return ()
    refused = [each for each in corrections if not each.valid]
    if refused:
        text = (
            f"The power is not corrected to {session.correction_standard}: {refused[0].why_not}. "
            "The power as measured stands."
        )
        return (Finding(kind="correction_refused", severity="warning", text=text),)
    if session.vehicle.drive == "unknown":
        engines = AMBIENT_FACTORS[corrections[0].standard].engines
        text = (
            f"The correction to {session.correction_standard} holds for engines of one kind only "
            f"({engines}); drive is not stated. With a turbocharged, diesel or electric drive it "
            "must not be used: state drive in [vehicle]."
        )
        return (Finding(kind="correction_drive_unknown", severity="warning", text=text),)
    return ()
