"""Moist air: density, saturation vapour pressure, standard atmosphere, and the air of a session."""

from __future__ import annotations

import math
from dataclasses import dataclass

from logger.findings import Finding
from logger.session.session import Air

__all__ = [
    "ASSUMED_DENSITY_KG_M3",
    "ASSUMED_DENSITY_SD_KG_M3",
    "AirState",
    "air_state",
    "isa_pressure_hpa",
    "isa_temperature_c",
    "moist_air_density_kg_m3",
    "saturation_vapour_pressure_pa",
]

#: Where nothing is stated of the weather: between 1.10 (hot, 300 m up) and 1.30 kg/m3 (frost, sea level).
ASSUMED_DENSITY_KG_M3 = 1.2
ASSUMED_DENSITY_SD_KG_M3 = 0.05

# What a stated figure is good for, 1 sigma; common practice, no source. Thermometers of vehicles and
# weather pages err by a kelvin, barometers of phones and stations nearby by 2 hPa, and humidity
# changes by a fifth between the station and the road.
_TEMPERATURE_SD_K = 1.0
_PRESSURE_SD_HPA = 2.0
_HUMIDITY_SD_PERCENT = 20.0
# Sea-level pressure varies by about 10 hPa with the weather; an altitude from a map errs by some 20 m.
_WEATHER_PRESSURE_SD_HPA = 10.0
_ALTITUDE_SD_M = 20.0
# Temperature not stated: 15 C of the standard atmosphere; pressure and altitude not stated: some
# 250 m above the sea. Common practice, no source.
_UNKNOWN_TEMPERATURE_SD_K = 8.0
_UNKNOWN_ALTITUDE_M = 250.0
_UNKNOWN_ALTITUDE_SD_M = 250.0

#: UN GTR No. 15, Annex 4, 4.1 (text of the 2013 proposal): coast-downs from 278 K on.
_COLDEST_C = 5.0

# ISO 2533, standard atmosphere
_ISA_TEMPERATURE_K = 288.15
_ISA_PRESSURE_HPA = 1013.25
_ISA_LAPSE_K_PER_M = 0.0065
_ISA_EXPONENT = 9.80665 / (287.05287 * _ISA_LAPSE_K_PER_M)

#: Above the pressure that the altitude suggests by more than this [hPa], and nearer to the standard
#: pressure at sea level: reduced to sea level, as weather services report it.
_REDUCED_EXCESS_HPA = 30.0
#: Weather alone moves station pressure this far at most [hPa]; common practice, no source.
_WEATHER_EXTREME_HPA = 50.0


@dataclass(frozen=True, slots=True, kw_only=True)
class AirState:
    """Air density [kg/m3] with sd and where it comes from (measured, estimated, assumed).

    `temperature_c` [C] and `pressure_hpa` [hPa, at the station] are what the density was computed
    from; None where they were neither stated nor follow from a stated altitude.
    """

    density_kg_m3: float
    density_sd_kg_m3: float
    source: str
    temperature_c: float | None = None
    pressure_hpa: float | None = None


def saturation_vapour_pressure_pa(temperature_c: float) -> float:
    """Return the pressure of saturated water vapour over water.

    Parameters
    ----------
    temperature_c : float
        Air temperature [C]; -40 to 60.

    Returns
    -------
    float
        Pressure [Pa].

    Notes
    -----
    ``exp(A T^2 + B T + C + D / T)``, T in kelvin; Picard et al., "Revised formula for the density of
    moist air (CIPM-2007)", Metrologia 45 (2008) 149-155, appendix A1.

    >>> round(saturation_vapour_pressure_pa(25.0))
    3170
    """
    kelvin = temperature_c + 273.15
    exponent = 1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6.3431645e3 / kelvin
    return math.exp(exponent)


def moist_air_density_kg_m3(
    temperature_c: float, pressure_hpa: float, relative_humidity_percent: float
) -> float:
    """Return the density of moist air.

    Parameters
    ----------
    temperature_c : float
        Air temperature [C].
    pressure_hpa : float
        Pressure at the place, not reduced to sea level [hPa].
    relative_humidity_percent : float
        Relative humidity [%], 0 to 100.

    Returns
    -------
    float
        Density [kg/m3]. The equation is meant for 600-1100 hPa and 15-27 C (from memory); down to
        -5 C and up to 35 C it agrees with an independent equation of state to 0.01 %.

    Notes
    -----
    ``rho = p Ma / (Z R T) (1 - xv (1 - Mv / Ma))``, CIPM-2007: Picard et al., Metrologia 45 (2008)
    149-155, equations 1 and 2, appendices A1 and A2; CO2 at 400 ppm.

    >>> round(moist_air_density_kg_m3(20.0, 1013.25, 50.0), 4)
    1.1993
    """
    pressure_pa = pressure_hpa * 100.0
    t = temperature_c
    kelvin = t + 273.15
    enhancement = 1.00062 + 3.14e-8 * pressure_pa + 5.6e-7 * t**2
    xv = (
        relative_humidity_percent
        / 100.0
        * enhancement
        * saturation_vapour_pressure_pa(t)
        / pressure_pa
    )
    ratio = pressure_pa / kelvin
    compressibility = (
        1.0
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * t
            + 1.1043e-10 * t**2
            + (5.707e-6 - 2.051e-8 * t) * xv
            + (1.9898e-4 - 2.376e-6 * t) * xv**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * xv**2)
    )
    molar_dry, molar_vapour, gas_constant = 28.96546e-3, 18.01528e-3, 8.314472
    dry = pressure_pa * molar_dry / (compressibility * gas_constant * kelvin)
    return dry * (1.0 - xv * (1.0 - molar_vapour / molar_dry))


def isa_temperature_c(altitude_m: float) -> float:
    """Return the temperature of the standard atmosphere [C] at `altitude_m` up to 11,000 m.

    ISO 2533: 288.15 K less 6.5 K per kilometre of geopotential altitude; the altitude on a map
    differs from that by 0.6 m at 2,000 m.
    """
    return _ISA_TEMPERATURE_K - _ISA_LAPSE_K_PER_M * altitude_m - 273.15


def isa_pressure_hpa(altitude_m: float) -> float:
    """Return the pressure of the standard atmosphere.

    Parameters
    ----------
    altitude_m : float
        Above sea level [m], up to 11,000.

    Returns
    -------
    float
        Pressure [hPa]: ``1013.25 (T / 288.15)^5.25588``, ISO 2533.

    >>> round(isa_pressure_hpa(1000.0), 2)
    898.75
    """
    kelvin = isa_temperature_c(altitude_m) + 273.15
    return _ISA_PRESSURE_HPA * math.pow(kelvin / _ISA_TEMPERATURE_K, _ISA_EXPONENT)


def air_state(air: Air | None) -> tuple[AirState, tuple[Finding, ...]]:
    """Turn what is stated of the weather into a density with its uncertainty.

    Parameters
    ----------
    air : Air or None
        The ``[air]`` table; None without one.

    Returns
    -------
    AirState
        ``measured`` from temperature and pressure; ``estimated`` where one of them is filled in
        from the altitude or from the standard atmosphere, with a larger sd; ``assumed`` without
        any of temperature, pressure and altitude.
    tuple of Finding
        What was filled in, and a pressure that does not fit the altitude.
    """
    if air is None or (air.temperature_c, air.pressure_hpa, air.altitude_m) == (None, None, None):
        text = (
            f"No air temperature, pressure or altitude is stated: the density is assumed to be "
            f"{ASSUMED_DENSITY_KG_M3} kg/m3 within {ASSUMED_DENSITY_SD_KG_M3}, and the road load is "
            "not carried to reference conditions."
        )
        state = AirState(
            density_kg_m3=ASSUMED_DENSITY_KG_M3,
            density_sd_kg_m3=ASSUMED_DENSITY_SD_KG_M3,
            source="assumed",
        )
        return state, (Finding(kind="air_assumed", severity="note", text=text),)
    temperature_c, temperature_sd_k, findings = _temperature(air)
    findings += _unlikely(air)
    pressure_hpa, pressure_sd_hpa, pressure_findings = _pressure(air)
    humidity = air.relative_humidity_percent
    density = moist_air_density_kg_m3(temperature_c, pressure_hpa, humidity)
    # one-sided steps of one sd each: the density is almost linear in all three
    drier = humidity - _HUMIDITY_SD_PERCENT if humidity > 50.0 else humidity + _HUMIDITY_SD_PERCENT
    shifts = (
        moist_air_density_kg_m3(temperature_c + temperature_sd_k, pressure_hpa, humidity),
        moist_air_density_kg_m3(temperature_c, pressure_hpa + pressure_sd_hpa, humidity),
        moist_air_density_kg_m3(temperature_c, pressure_hpa, drier),
    )
    measured = air.temperature_c is not None and air.pressure_hpa is not None
    known_pressure = air.pressure_hpa is not None or air.altitude_m is not None
    state = AirState(
        density_kg_m3=density,
        density_sd_kg_m3=math.hypot(*(shifted - density for shifted in shifts)),
        source="measured" if measured else "estimated",
        temperature_c=air.temperature_c,
        pressure_hpa=pressure_hpa if known_pressure else None,
    )
    return state, findings + pressure_findings


def _unlikely(air: Air) -> tuple[Finding, ...]:
    """Report allowed values that look like another unit."""
    findings = []
    if air.temperature_c is not None:
        fahrenheit = air.temperature_c * 1.8 + 32.0
        if air.temperature_c < _COLDEST_C and fahrenheit >= _COLDEST_C:
            text = (
                f"An air temperature of {air.temperature_c:.1f} C ({fahrenheit:.0f} F) is below the "
                f"{_COLDEST_C:.0f} C that UN GTR No. 15 allows coast-downs at: tyres roll much "
                f"harder. If the thermometer showed {fahrenheit:.0f} C, state temperature_C."
            )
            findings.append(Finding(kind="air_cold", severity="warning", text=text))
    if 0.0 < air.relative_humidity_percent < 1.0:
        share = air.relative_humidity_percent
        text = (
            f"A relative humidity of {share:g} % does not occur outdoors. If {share:g} is a share, "
            f"state {share * 100:g} %."
        )
        findings.append(Finding(kind="humidity_low", severity="warning", text=text))
    return tuple(findings)


def _temperature(air: Air) -> tuple[float, float, tuple[Finding, ...]]:
    """Return the temperature [C], its sd [K] and a finding where it was filled in."""
    if air.temperature_c is not None:
        return air.temperature_c, _TEMPERATURE_SD_K, ()
    altitude_m = _UNKNOWN_ALTITUDE_M if air.altitude_m is None else air.altitude_m
    temperature_c = isa_temperature_c(altitude_m)
    text = (
        f"No air temperature is stated: {temperature_c:.0f} C within "
        f"{_UNKNOWN_TEMPERATURE_SD_K:.0f} K is taken for the density, and the road load is not "
        "carried to reference conditions."
    )
    finding = Finding(kind="air_temperature_missing", severity="note", text=text)
    return temperature_c, _UNKNOWN_TEMPERATURE_SD_K, (finding,)


def _pressure(air: Air) -> tuple[float, float, tuple[Finding, ...]]:
    """Return the pressure [hPa], its sd [hPa] and a finding where it is missing or odd."""
    if air.pressure_hpa is None:
        known = air.altitude_m is not None
        altitude_m = air.altitude_m if air.altitude_m is not None else _UNKNOWN_ALTITUDE_M
        altitude_sd_m = _ALTITUDE_SD_M if known else _UNKNOWN_ALTITUDE_SD_M
        pressure_hpa = isa_pressure_hpa(altitude_m)
        per_m = pressure_hpa - isa_pressure_hpa(altitude_m + 1.0)
        sd_hpa = math.hypot(_WEATHER_PRESSURE_SD_HPA, per_m * altitude_sd_m)
        basis = f"from the altitude of {altitude_m:.0f} m" if known else "for want of an altitude"
        text = (
            f"No pressure is stated: {pressure_hpa:.0f} hPa within {sd_hpa:.0f} is taken {basis}."
        )
        return (
            pressure_hpa,
            sd_hpa,
            (Finding(kind="air_pressure_estimated", severity="note", text=text),),
        )
    pressure_hpa = air.pressure_hpa
    if air.altitude_m is None:
        return pressure_hpa, _PRESSURE_SD_HPA, ()
    expected_hpa = isa_pressure_hpa(air.altitude_m)
    excess_hpa = pressure_hpa - expected_hpa
    if excess_hpa > _REDUCED_EXCESS_HPA and abs(pressure_hpa - _ISA_PRESSURE_HPA) < excess_hpa:
        text = (
            f"The stated pressure of {pressure_hpa:.0f} hPa looks reduced to sea level: at "
            f"{air.altitude_m:.0f} m about {expected_hpa:.0f} hPa are usual. If it is, the density "
            f"comes out {excess_hpa / expected_hpa * 100:.0f} % too high; state the pressure at the "
            "place, or leave it out and keep the altitude. Its uncertainty is widened accordingly."
        )
        finding = Finding(kind="pressure_reduced_to_sea_level", severity="warning", text=text)
        return pressure_hpa, math.hypot(_PRESSURE_SD_HPA, excess_hpa), (finding,)
    if abs(excess_hpa) > _WEATHER_EXTREME_HPA:
        text = (
            f"The stated pressure of {pressure_hpa:.0f} hPa does not fit the altitude of "
            f"{air.altitude_m:.0f} m, where about {expected_hpa:.0f} hPa are usual: check both. The "
            "uncertainty of the density is widened accordingly."
        )
        finding = Finding(kind="pressure_against_altitude", severity="warning", text=text)
        return pressure_hpa, math.hypot(_PRESSURE_SD_HPA, excess_hpa), (finding,)
    return pressure_hpa, _PRESSURE_SD_HPA, ()
