"""Warmth and cold that trees add up: degree days, chilling hours and units."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float

__all__ = [
    "chill_days",
    "chilling_hours",
    "degree_days_hourly",
    "degree_days_single_sine",
    "utah_units",
]


def degree_days_hourly(
    air_temperature_c: ArrayLike, base_c: ArrayLike, cap_c: ArrayLike | None = None
) -> FloatArray:
    """Degree days that each hour adds.

    Parameters
    ----------
    air_temperature_c : float array
        Mean of the hour.
    base_c : float array
        Below it nothing is added.
    cap_c : float array, optional
        Above it no more is added. Broadcast.

    Returns
    -------
    float array
        [K d] per hour: max(0, min(T, cap) - base) / 24. NaN stays NaN.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: definition (horizontal cut-off). Checked: tests/physics/test_degree_days.py.
    """
    warm = as_float(air_temperature_c)
    if cap_c is not None:
        warm = np.minimum(warm, as_float(cap_c))
    return as_float(np.maximum(warm - as_float(base_c), 0.0) / 24.0)


def degree_days_single_sine(
    temperature_min_c: ArrayLike,
    temperature_max_c: ArrayLike,
    base_c: ArrayLike,
    upper_c: ArrayLike | None = None,
) -> FloatArray:
    """Degree days of a day from its extremes, the day taken as one sine wave.

    Parameters
    ----------
    temperature_min_c, temperature_max_c : float array
        Of the day; NaN where the maximum is below the minimum.
    base_c : float array
        Lower threshold.
    upper_c : float array, optional
        Horizontal cut-off. Broadcast.

    Returns
    -------
    float array
        [K d].

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Baskerville and Emin 1969, Ecology 50: 514-517. Checked:
    tests/published/test_degree_days.py.
    """
    low, high = as_float(temperature_min_c), as_float(temperature_max_c)
    total = _above(low, high, as_float(base_c))
    if upper_c is not None:
        total = total - _above(low, high, as_float(upper_c))
    return as_float(total)


def _above(low: FloatArray, high: FloatArray, threshold: FloatArray) -> FloatArray:
    """Mean excess of the sine between ``low`` and ``high`` over a threshold."""
    mean, half = (high + low) / 2.0, (high - low) / 2.0
    with np.errstate(invalid="ignore", divide="ignore"):
        half = np.where(half >= 0.0, half, np.nan)
        theta = np.arcsin(np.clip((threshold - mean) / np.where(half > 0.0, half, np.nan), -1.0, 1.0))
        between = ((mean - threshold) * (np.pi / 2.0 - theta) + half * np.cos(theta)) / np.pi
        excess = np.where(low >= threshold, mean - threshold, np.where(high <= threshold, 0.0, between))
    return as_float(np.where(np.isnan(mean + half + threshold), np.nan, excess))


def chilling_hours(
    air_temperature_c: ArrayLike, lowest_c: ArrayLike = 0.0, highest_c: ArrayLike = 7.2
) -> FloatArray:
    """Chilling hours: one for an hour between two temperatures.

    Parameters
    ----------
    air_temperature_c : float array
        Mean of the hour.
    lowest_c, highest_c : float array
        Both included. Broadcast.

    Returns
    -------
    float array
        1, 0 or NaN for each hour.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Weinberger 1950, Proc. Am. Soc. Hortic. Sci. 56: 122-128 (0..7.2 degC). Checked:
    tests/physics/test_degree_days.py.
    """
    t, low, high = np.broadcast_arrays(as_float(air_temperature_c), as_float(lowest_c), as_float(highest_c))
    with np.errstate(invalid="ignore"):
        inside = ((t >= low) & (t <= high)).astype(np.float64)
    return as_float(np.where(np.isnan(t + low + high), np.nan, inside))


_UTAH_ABOVE_C = (1.4, 2.4, 9.1, 12.4, 15.9, 18.0)
_UTAH_UNITS = (0.0, 0.5, 1.0, 0.5, 0.0, -0.5, -1.0)


def utah_units(air_temperature_c: ArrayLike) -> FloatArray:
    """Chill units of the Utah model for each hour; warm hours take chilling away.

    Parameters
    ----------
    air_temperature_c : float array, shape (...)
        Mean of the hour.

    Returns
    -------
    float array, same shape
        -1, -0.5, 0, 0.5 or 1; NaN stays NaN.

    Source: Richardson, Seeley and Walker 1974, HortScience 9: 331-332. Checked:
    tests/published/test_degree_days.py.
    """
    t = as_float(air_temperature_c)
    step = np.searchsorted(np.array(_UTAH_ABOVE_C), t, side="left")
    units = np.array((*_UTAH_UNITS, np.nan))[np.minimum(step, len(_UTAH_UNITS) - 1)]
    return as_float(np.where(np.isnan(t), np.nan, units))


def chill_days(daily_mean_temperature_c: ArrayLike, limit_c: ArrayLike = 5.0) -> FloatArray:
    """Chill days: one for a day whose mean is at or below a limit.

    Parameters
    ----------
    daily_mean_temperature_c, limit_c : float array
        Broadcast.

    Returns
    -------
    float array
        1, 0 or NaN for each day.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: Murray, Cannell and Smith 1989, J. Appl. Ecol. 26: 693-700 (days at or below 5 degC).
    Checked: tests/physics/test_degree_days.py.
    """
    mean, limit = np.broadcast_arrays(as_float(daily_mean_temperature_c), as_float(limit_c))
    with np.errstate(invalid="ignore"):
        cold = (mean <= limit).astype(np.float64)
    return as_float(np.where(np.isnan(mean + limit), np.nan, cold))
