"""Moist air: vapour pressure, dew point, deficit, wet bulb, pressure.

Saturation is over water at all temperatures, also below 0 degC, as the WMO convention for relative
humidity has it: dew points below zero are dew points, not frost points, and the wet bulb is that of
a wick of supercooled water.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float

__all__ = [
    "dew_point_c",
    "pressure_kpa_from_elevation",
    "psychrometric_constant_kpa_per_k",
    "relative_humidity_pct",
    "saturation_slope_kpa_per_k",
    "saturation_vapour_pressure_kpa",
    "vapour_pressure_deficit_kpa",
    "vapour_pressure_kpa",
    "wet_bulb_c",
]

_LOWEST_C, _HIGHEST_C = -60.0, 80.0
"""Range in which the Tetens form is used; it is NaN outside."""
PSYCHROMETER_COEFFICIENT_PER_K = 0.000662
"""Ventilated (Asmann) psychrometer, FAO-56 eq. 16."""


def _inside(temperature_c: FloatArray) -> FloatArray:
    with np.errstate(invalid="ignore"):
        return np.where((temperature_c >= _LOWEST_C) & (temperature_c <= _HIGHEST_C), temperature_c, np.nan)


def saturation_vapour_pressure_kpa(air_temperature_c: ArrayLike) -> FloatArray:
    """Saturation vapour pressure over water.

    Parameters
    ----------
    air_temperature_c : float array, shape (...)
        Temperature of air or of a wet surface. Valid -60..80; NaN outside.

    Returns
    -------
    float array, same shape
        Vapour pressure [kPa].

    Source: FAO-56 eq. 11 (Tetens). Checked: tests/published/test_air.py.
    """
    t = _inside(as_float(air_temperature_c))
    return as_float(0.6108 * np.exp(17.27 * t / (t + 237.3)))


def saturation_slope_kpa_per_k(air_temperature_c: ArrayLike) -> FloatArray:
    """Slope of the saturation vapour pressure curve over water.

    Parameters
    ----------
    air_temperature_c : float array, shape (...)
        Valid -60..80; NaN outside.

    Returns
    -------
    float array, same shape
        Slope [kPa/K].

    Source: FAO-56 eq. 13. Checked: tests/published/test_air.py.
    """
    t = as_float(air_temperature_c)
    return as_float(4098.0 * saturation_vapour_pressure_kpa(t) / (t + 237.3) ** 2)


def vapour_pressure_kpa(air_temperature_c: ArrayLike, relative_humidity_pct: ArrayLike) -> FloatArray:
    """Vapour pressure of air from its temperature and relative humidity.

    Parameters
    ----------
    air_temperature_c, relative_humidity_pct : float array
        Broadcast. The humidity is over water and is not clipped at 100.

    Returns
    -------
    float array
        Vapour pressure [kPa].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eq. 54. Checked: tests/published/test_air.py.
    """
    saturation = saturation_vapour_pressure_kpa(air_temperature_c)
    return as_float(as_float(relative_humidity_pct) / 100.0 * saturation)


def dew_point_c(vapour_pressure_kpa: ArrayLike) -> FloatArray:
    """Dew point over water, the inverse of the saturation curve used here.

    Parameters
    ----------
    vapour_pressure_kpa : float array, shape (...)
        Above zero; NaN otherwise.

    Returns
    -------
    float array, same shape
        Dew point [degC].

    Source: FAO-56 eq. 11 solved for temperature. Checked: tests/published/test_air.py.
    """
    e = as_float(vapour_pressure_kpa)
    with np.errstate(invalid="ignore", divide="ignore"):
        x = np.log(np.where(e > 0.0, e, np.nan) / 0.6108)
    return as_float(237.3 * x / (17.27 - x))


def relative_humidity_pct(air_temperature_c: ArrayLike, dew_point_c: ArrayLike) -> FloatArray:
    """Relative humidity over water from air temperature and dew point.

    Parameters
    ----------
    air_temperature_c, dew_point_c : float array
        Broadcast.

    Returns
    -------
    float array
        Relative humidity [%]; above 100 where the dew point is above the air temperature.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 10 and 14. Checked: tests/published/test_air.py.
    """
    return as_float(
        100.0
        * saturation_vapour_pressure_kpa(dew_point_c)
        / saturation_vapour_pressure_kpa(air_temperature_c)
    )


def vapour_pressure_deficit_kpa(
    surface_temperature_c: ArrayLike, vapour_pressure_kpa: ArrayLike
) -> FloatArray:
    """Vapour pressure deficit between a wet surface and the air.

    Parameters
    ----------
    surface_temperature_c : float array
        Leaf temperature for the deficit a leaf feels, air temperature for that of the air.
    vapour_pressure_kpa : float array
        Of the air. Broadcast.

    Returns
    -------
    float array
        Deficit [kPa]; negative where dew falls.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 chapter 3, step es - ea. Checked: tests/published/test_air.py.
    """
    return as_float(saturation_vapour_pressure_kpa(surface_temperature_c) - as_float(vapour_pressure_kpa))


def pressure_kpa_from_elevation(elevation_m: ArrayLike) -> FloatArray:
    """Mean air pressure at an elevation.

    Parameters
    ----------
    elevation_m : float array, shape (...)
        Above sea level. Valid -500..9000; NaN outside.

    Returns
    -------
    float array, same shape
        Pressure [kPa].

    Source: FAO-56 eq. 7. Checked: tests/published/test_air.py.
    """
    z = as_float(elevation_m)
    with np.errstate(invalid="ignore"):
        z = np.where((z >= -500.0) & (z <= 9000.0), z, np.nan)
    return as_float(101.3 * ((293.0 - 0.0065 * z) / 293.0) ** 5.26)


def psychrometric_constant_kpa_per_k(pressure_kpa: ArrayLike) -> FloatArray:
    """Psychrometric constant.

    Parameters
    ----------
    pressure_kpa : float array, shape (...)
        Air pressure.

    Returns
    -------
    float array, same shape
        Psychrometric constant [kPa/K].

    Source: FAO-56 eq. 8. Checked: tests/published/test_air.py.
    """
    return as_float(0.000665 * as_float(pressure_kpa))


def wet_bulb_c(
    air_temperature_c: ArrayLike, vapour_pressure_kpa: ArrayLike, pressure_kpa: ArrayLike
) -> FloatArray:
    """Wet-bulb temperature of a ventilated psychrometer whose wick holds water, not ice.

    Below 0 degC the wick is supercooled water; an iced bulb reads a little higher near zero and
    lower well below it. Sprinkled leaves are water until they freeze, so water is what matters here.

    Parameters
    ----------
    air_temperature_c, vapour_pressure_kpa, pressure_kpa : float array
        Broadcast.

    Returns
    -------
    float array
        Wet bulb [degC]: es(Tw) - a P (T - Tw) = ea solved by Newton to below 1e-6 K. It lies
        between dew point and air temperature.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: FAO-56 eqs. 15-16, a = 0.000662 per K. Checked: tests/published/test_air.py.
    """
    air, vapour, pressure = np.broadcast_arrays(
        as_float(air_temperature_c), as_float(vapour_pressure_kpa), as_float(pressure_kpa)
    )
    factor = PSYCHROMETER_COEFFICIENT_PER_K * pressure
    wet = _inside(air)
    # The function is convex and rises, so Newton from the air temperature comes down without overshoot.
    for _ in range(8):
        excess = saturation_vapour_pressure_kpa(wet) - factor * (air - wet) - vapour
        wet = wet - excess / (saturation_slope_kpa_per_k(wet) + factor)
    return as_float(wet)
