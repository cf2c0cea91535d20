"""First velocity correction: what the air between did to a distance measured with light.

    N_g = 287.6155 + 4.88660/λ² + 0.06800/λ⁴                      group refractivity at 0 °C, 1013.25 hPa, λ in µm
    N   = N_g·(273.15/1013.25)·p/T − 11.27·e/T                     p, e in hPa, T in K;  n = 1 + N·10⁻⁶
    S   = S_read·(1 + N_ref·10⁻⁶)/(1 + N·10⁻⁶)                     N_ref: the air that the instrument took for granted
    e   = RH·6.112·exp(17.62 t/(243.12 + t))                       Magnus, t in °C

Source: IAG resolution 3 of 1999 (closed formula, good to 1 ppm by its authors; constants as quoted in public code);
Magnus's formula from memory. Tests compare with Ciddor's equations. The second velocity correction (the bent ray) is far
below 0.1 mm under 2 km (from memory) and left out.
"""

from __future__ import annotations

import numpy as np

from .network import Network
from .table import Floats, Ints

ZERO = 273.15  # K
HUMIDITY = 0.6  # where none is given: common practice, no source; 1 hPa of vapour is 0.04 ppm
NOT_APPLIED, APPLIED = "not applied", "applied"


def group_refractivity(wavelength: Floats) -> Floats:
    """N_g of a carrier wavelength (m), in parts per million."""
    square = (np.asarray(wavelength) * 1e6) ** 2
    return np.asarray(287.6155 + 4.88660 / square + 0.06800 / square**2)


def vapour_pressure(temperature: Floats, humidity: Floats) -> Floats:
    """Partial pressure of water vapour, Pa, at a temperature (K) and relative humidity (a ratio)."""
    t = np.asarray(temperature) - ZERO
    return np.asarray(humidity * 611.2 * np.exp(17.62 * t / (243.12 + t)))


def refractivity(wavelength: Floats, temperature: Floats, pressure: Floats, vapour: Floats) -> Floats:
    """N of air at a temperature (K), pressure and vapour pressure (Pa), in parts per million."""
    dry = group_refractivity(wavelength) * (ZERO / 101_325.0) * np.asarray(pressure) / temperature
    return np.asarray(dry - 0.1127 * np.asarray(vapour) / temperature)


def reference_refractivity(network: Network) -> Floats:
    """N of the air that each instrument takes for granted, (n_instruments,), NaN where that is not stated."""
    i = network.instruments
    humidity = np.where(np.isnan(i.reference_humidity), HUMIDITY, i.reference_humidity)
    vapour = vapour_pressure(i.reference_temperature, humidity)
    return refractivity(i.wavelength, i.reference_temperature, i.reference_pressure, vapour)


def velocity_factors(network: Network, start: Ints, end: Ints) -> Floats:
    """What recorded distances between setups are to be multiplied by, (n,).

    1 where the instrument's distances are said to be corrected already, or nothing is said. The air is the mean of what was
    read at both ends, or what was read at one; NaN where an instrument's distances are not corrected and nobody read any.
    """
    instruments, setups = network.instruments, network.setups
    device = setups.device[start]
    raw = instruments.atmosphere[device] == NOT_APPLIED
    out = np.ones(len(start))
    if not raw.any():
        return out
    rows = np.flatnonzero(raw)
    temperature, pressure, humidity = (
        _between(values, start[rows], end[rows])
        for values in (setups.temperature, setups.pressure, setups.humidity)
    )
    vapour = vapour_pressure(temperature, np.where(np.isnan(humidity), HUMIDITY, humidity))
    here = refractivity(instruments.wavelength[device[rows]], temperature, pressure, vapour)
    out[rows] = (1.0 + 1e-6 * reference_refractivity(network)[device[rows]]) / (1.0 + 1e-6 * here)
    return out


def _between(values: Floats, start: Ints, end: Ints) -> Floats:
    """The mean of both ends, or the one that was read."""
    a, b = values[start], values[end]
    return np.where(np.isnan(a), b, np.where(np.isnan(b), a, 0.5 * (a + b)))
