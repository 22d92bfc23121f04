"""Ambient corrections of engine power: the factors of the standards, and where each holds."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass

from analysis.physics.air import saturation_vapour_pressure_pa

__all__ = [
    "AMBIENT_FACTORS",
    "AmbientAir",
    "AmbientFactor",
    "FactorAt",
    "factor_at",
    "vapour_pressure_hpa",
]


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientAir:
    """Air at the engine's inlet: temperature [C], station pressure [hPa], relative humidity [%]."""

    temperature_c: float
    pressure_hpa: float
    relative_humidity_percent: float

    @property
    def vapour_hpa(self) -> float:
        """Partial pressure of water vapour [hPa]."""
        return vapour_pressure_hpa(self.temperature_c, self.relative_humidity_percent)

    @property
    def dry_hpa(self) -> float:
        """Pressure without the vapour [hPa]."""
        return self.pressure_hpa - self.vapour_hpa


@dataclass(frozen=True, slots=True, kw_only=True)
class AmbientFactor:
    """A standard's correction: corrected power = factor x observed power.

    Parameters
    ----------
    name : str
        Standard with its edition or reading.
    reference : str
        The air in which the factor is 1.
    formula : callable
        From `AmbientAir` to the factor.
    temperature_c, dry_hpa, factor : (low, high)
        Where it holds; `factor_name` is the correction whose factor the last pair limits, where it
        is not the own one.
    limits : str
        Where the limits are from.
    engines : str
        Which engines it is for.
    """

    name: str
    reference: str
    formula: Callable[[AmbientAir], float]
    temperature_c: tuple[float, float]
    dry_hpa: tuple[float, float]
    factor: tuple[float, float]
    limits: str
    engines: str = "spark ignition, naturally aspirated"
    factor_name: str | None = None


@dataclass(frozen=True, slots=True, kw_only=True)
class FactorAt:
    """A correction in some air: the factor, whether it holds there, and why not (or None)."""

    name: str
    factor: float
    valid: bool
    why_not: str | None


def vapour_pressure_hpa(temperature_c: float, relative_humidity_percent: float) -> float:
    """Return the partial pressure of water vapour [hPa] from temperature [C] and humidity [%].

    >>> round(vapour_pressure_hpa(25.0, 36.0), 3)
    11.411
    """
    saturated = saturation_vapour_pressure_pa(temperature_c)
    return relative_humidity_percent / 100.0 * saturated / 100.0


def _j1349(efficiency: float, zero_k: float) -> Callable[[AmbientAir], float]:
    """Correct indicated power: ``k / eta - (1 - eta) / eta``, friction unchanged by the air."""

    def factor(air: AmbientAir) -> float:
        k = 990.0 / air.dry_hpa * math.sqrt((air.temperature_c + zero_k) / (25.0 + zero_k))
        return k / efficiency - (1.0 - efficiency) / efficiency

    return factor


def _j1349_1990(air: AmbientAir) -> float:
    """Return the factor as the 1990 text prints it: 1.180 k - 0.180."""
    # as printed, with the efficiency of 0.8475 rounded into 1.180 and 0.180
    k = 990.0 / air.dry_hpa * math.sqrt((air.temperature_c + 273.0) / 298.0)
    return 1.180 * k - 0.180


def _power_law(pressure: float, temperature: float) -> Callable[[AmbientAir], float]:
    """Return a factor (990 / p)^a (T / 298)^b, p dry in hPa, T in K."""

    def factor(air: AmbientAir) -> float:
        kelvin = air.temperature_c + 273.0
        return math.pow(990.0 / air.dry_hpa, pressure) * math.pow(kelvin / 298.0, temperature)

    return factor


def _din(air: AmbientAir, pressure_hpa: float) -> float:
    return 1013.0 / pressure_hpa * math.sqrt((air.temperature_c + 273.0) / 293.0)


def _j607(air: AmbientAir) -> float:
    return 1013.25 / air.dry_hpa * math.sqrt((air.temperature_c + 273.15) / 288.71)


_J1349 = "SAE J1349 (1990)"
_BORROWED = "its own limits are not known here; those of SAE J1349 (1990), from memory, stand in"
_UNKNOWN_FUEL = (
    "diesel, with the exponent fm taken as 1: it lies between 0.3 and 1.2 by the fuel per cycle"
)
_WARM, _DRY = (15.0, 35.0), (900.0, 1050.0)
_ISO_LIMITS = "ISO 1585, from memory"
_ISO_DRY = (800.0, 1100.0)

#: Every correction by name. All take the dry pressure but for DIN 70020's first reading.
AMBIENT_FACTORS: dict[str, AmbientFactor] = {
    each.name: each
    for each in (
        AmbientFactor(
            name=_J1349,
            reference="25 C, 990 hPa dry",
            formula=_j1349_1990,
            temperature_c=_WARM,
            dry_hpa=_DRY,
            factor=(0.93, 1.07),
            limits="SAE J1349, limits from memory",
        ),
        AmbientFactor(
            name="SAE J1349 (2004)",
            reference="25 C, 990 hPa dry; mechanical efficiency 0.85",
            formula=_j1349(0.85, 273.15),
            temperature_c=_WARM,
            dry_hpa=_DRY,
            factor=(0.93, 1.07),
            limits="SAE J1349, limits from memory; certified tests keep within 3 %",
        ),
        AmbientFactor(
            name="ISO 1585 (spark ignition)",
            reference="298 K, 99 kPa dry; UN R85 is the same",
            formula=_power_law(1.2, 0.6),
            temperature_c=_WARM,
            dry_hpa=_ISO_DRY,
            factor=(0.93, 1.07),
            limits=_ISO_LIMITS,
        ),
        AmbientFactor(
            name="ISO 1585 (diesel, naturally aspirated)",
            reference="298 K, 99 kPa dry; UN R85 is the same",
            formula=_power_law(1.0, 0.7),
            temperature_c=(10.0, 40.0),
            dry_hpa=_ISO_DRY,
            factor=(0.9, 1.1),
            limits=_ISO_LIMITS,
            engines=_UNKNOWN_FUEL,
        ),
        AmbientFactor(
            name="ISO 1585 (diesel, turbocharged)",
            reference="298 K, 99 kPa dry; UN R85 is the same",
            formula=_power_law(0.7, 1.5),
            temperature_c=(10.0, 40.0),
            dry_hpa=_ISO_DRY,
            factor=(0.9, 1.1),
            limits=_ISO_LIMITS,
            engines=_UNKNOWN_FUEL,
        ),
        AmbientFactor(
            name="JIS D 1001",
            reference="25 C, 99 kPa dry; current edition, from memory the same as ISO 1585",
            formula=_power_law(1.2, 0.6),
            temperature_c=_WARM,
            dry_hpa=_ISO_DRY,
            factor=(0.93, 1.07),
            limits=_ISO_LIMITS,
        ),
        AmbientFactor(
            name="DIN 70020 (total pressure)",
            reference="20 C, 1013 hPa, barometer as read",
            formula=lambda air: _din(air, air.pressure_hpa),
            temperature_c=_WARM,
            dry_hpa=_DRY,
            factor=(0.93, 1.07),
            limits=_BORROWED,
            factor_name=_J1349,
        ),
        AmbientFactor(
            name="DIN 70020 (dry pressure)",
            reference="20 C, 1013 hPa, vapour taken off",
            formula=lambda air: _din(air, air.dry_hpa),
            temperature_c=_WARM,
            dry_hpa=_DRY,
            factor=(0.93, 1.07),
            limits=_BORROWED,
            factor_name=_J1349,
        ),
        AmbientFactor(
            name="SAE J607",
            reference="60 F, 29.92 inHg dry",
            formula=_j607,
            temperature_c=_WARM,
            dry_hpa=_DRY,
            factor=(0.93, 1.07),
            limits=_BORROWED,
            factor_name=_J1349,
        ),
    )
}


def factor_at(name: str, air: AmbientAir) -> FactorAt:
    """Return a correction in some air, and whether it holds there.

    Parameters
    ----------
    name : str
        A key of `AMBIENT_FACTORS`.
    air : AmbientAir
        At the inlet.

    Returns
    -------
    FactorAt
        The factor is computed outside its limits too; `why_not` then says which are left.

    >>> air = AmbientAir(temperature_c=35.0, pressure_hpa=950.0, relative_humidity_percent=50.0)
    >>> round(factor_at("SAE J1349 (1990)", air).factor, 5)
    1.10831
    """
    entry = AMBIENT_FACTORS[name]
    factor = entry.formula(air)
    limited = (
        factor if entry.factor_name is None else AMBIENT_FACTORS[entry.factor_name].formula(air)
    )
    what = "factor" if entry.factor_name is None else f"factor of {entry.factor_name}"
    checks = (
        ("temperature", air.temperature_c, entry.temperature_c, "{:.0f}", " C"),
        ("dry pressure", air.dry_hpa, entry.dry_hpa, "{:.0f}", " hPa"),
        (what, limited, entry.factor, "{:.3f}", ""),
    )
    reasons = [
        f"{label} {form.format(value)}{unit} is outside {low:g} to {high:g}{unit}"
        for label, value, (low, high), form, unit in checks
        # half a digit of what is shown: 15.0 C in binary must not fall out of 15 C
        if not low - 1e-9 <= value <= high + 1e-9
    ]
    why = "; ".join(reasons) + f" ({entry.limits})" if reasons else None
    return FactorAt(name=name, factor=factor, valid=not reasons, why_not=why)
