"""Road and wind of known truth for simulated sessions."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

__all__ = ["SimSite", "draw_site", "gravity_mps2", "gust_series"]


@dataclass(frozen=True, slots=True, kw_only=True)
class SimSite:
    """One straight road, its slope profile, and one spell of weather.

    Parameters
    ----------
    latitude_deg, longitude_deg, elevation_m, bearing_deg : float
        Where place 0 lies, its height, and which way the direction "up" points.
    slope : float
        Mean slope along "up", rise over run.
    ripple_slopes, ripple_lengths_m, ripple_phases_rad : tuple of float
        Waves of the slope about its mean: amplitude, wave length, phase.
    wind_mps : float
        Mean along-road wind, positive against "up" [m/s].
    wind_run_sd_mps : float
        Change of that mean from run to run [m/s].
    gust_sd_mps, gust_tau_s : float
        Gusts: standard deviation [m/s] and correlation time [s].
    temperature_c, pressure_hpa, humidity_percent : float
        Air of the day; go into session.toml.
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    bearing_deg: float
    slope: float
    ripple_slopes: tuple[float, ...]
    ripple_lengths_m: tuple[float, ...]
    ripple_phases_rad: tuple[float, ...]
    wind_mps: float
    wind_run_sd_mps: float
    gust_sd_mps: float
    gust_tau_s: float
    temperature_c: float = 15.0
    pressure_hpa: float = 1013.0
    humidity_percent: float = 60.0

    def slope_at(self, place_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the slope along "up" at places of shape (n,) [rise over run]."""
        slope = np.full(place_m.shape, self.slope)
        waves = zip(self.ripple_slopes, self.ripple_lengths_m, self.ripple_phases_rad, strict=True)
        for amplitude, length, phase in waves:
            slope += amplitude * np.sin(2.0 * np.pi * place_m / length + phase)
        return slope

    def height_at(self, place_m: NDArray[np.float64]) -> NDArray[np.float64]:
        """Return the height above place 0's datum at places of shape (n,) [m]: slope integrated."""
        height = self.elevation_m + self.slope * place_m
        waves = zip(self.ripple_slopes, self.ripple_lengths_m, self.ripple_phases_rad, strict=True)
        for amplitude, length, phase in waves:
            angle = 2.0 * np.pi * place_m / length + phase
            height += amplitude * length / (2.0 * np.pi) * (np.cos(phase) - np.cos(angle))
        return height


def draw_site(rng: np.random.Generator) -> SimSite:
    """Draw a plausible road and a day's wind; the place lies in the open North Sea.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.

    Returns
    -------
    SimSite
        Mean slope within 0.4 %, ripples of 0.2-0.4 % sd and 150-1000 m length, wind within
        3 m/s, changing by 0.3 m/s sd from run to run, gusts of 0.3-0.8 m/s over 3-15 s.
    """
    waves = 10
    lengths = np.exp(rng.uniform(np.log(150.0), np.log(1000.0), waves))
    amplitudes = rng.rayleigh(1.0, waves)
    amplitudes *= rng.uniform(0.002, 0.004) / np.sqrt(np.sum(amplitudes**2) / 2.0)
    return SimSite(
        latitude_deg=float(rng.uniform(55.6, 56.6)),
        longitude_deg=float(rng.uniform(3.0, 4.4)),
        elevation_m=float(rng.uniform(5.0, 200.0)),
        bearing_deg=float(rng.uniform(0.0, 360.0)),
        slope=float(rng.uniform(-0.004, 0.004)),
        ripple_slopes=tuple(amplitudes.tolist()),
        ripple_lengths_m=tuple(lengths.tolist()),
        ripple_phases_rad=tuple(rng.uniform(0.0, 2.0 * np.pi, waves).tolist()),
        wind_mps=float(rng.uniform(-3.0, 3.0)),
        wind_run_sd_mps=0.3,
        gust_sd_mps=float(rng.uniform(0.3, 0.8)),
        gust_tau_s=float(rng.uniform(3.0, 15.0)),
        temperature_c=float(np.round(rng.uniform(4.0, 28.0), 1)),
        pressure_hpa=float(np.round(rng.uniform(985.0, 1030.0), 1)),
        humidity_percent=float(np.round(rng.uniform(40.0, 90.0))),
    )


def gravity_mps2(latitude_deg: float) -> float:
    """Return gravity at sea level [m/s2]: 40 CFR 1065.630, s = sin(latitude)."""
    s = np.sin(np.radians(latitude_deg))
    series = 1.0 + 5.2790414e-3 * s**2 + 2.32718e-5 * s**4 + 1.262e-7 * s**6 + 7e-10 * s**8
    return float(9.7803267715 * series)


def gust_series(
    rng: np.random.Generator, count: int, step_s: float, sd: float, tau_s: float
) -> NDArray[np.float64]:
    """Return a first-order autocorrelated series, in its steady state from the first value on.

    Parameters
    ----------
    rng : numpy.random.Generator
        Source of chance.
    count : int
        Number of values.
    step_s, tau_s : float
        Spacing and correlation time [s].
    sd : float
        Standard deviation, in any unit.

    Returns
    -------
    array of shape (count,)
        In the unit of `sd`.
    """
    keep = float(np.exp(-step_s / tau_s))
    fresh = float(np.sqrt(1.0 - keep**2))
    values = []
    state = 0.0
    for number, draw in enumerate(rng.standard_normal(count).tolist()):
        state = draw if number == 0 else keep * state + fresh * draw
        values.append(state)
    return sd * np.array(values, dtype=np.float64)
