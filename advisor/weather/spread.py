"""How far a forecast may be off when there are no members to show it.

The error of the temperature is taken as normal around the forecast, wider with lead time. It is a
default until the garden's own errors have been learned.

Source of the form: common practice of forecast verification; the widths are rows of config/.
"""

from __future__ import annotations

import re

import numpy as np
from numpy.typing import ArrayLike

from advisor.errors import SettingsError
from advisor.physics.missing import as_float
from advisor.units import NumberTable
from advisor.weather.table import FloatArray

__all__ = ["chance_above", "chance_below", "temperature_error_sd_k"]

_ROW = re.compile(r"spread\.sd_day(\d+)_k")


def temperature_error_sd_k(lead_h: ArrayLike, numbers: NumberTable) -> FloatArray:
    """Return the standard deviation of the error of an hourly air temperature.

    Parameters
    ----------
    lead_h : float array
        Hours from the making of the forecast.
    numbers : NumberTable
        With rows ``spread.sd_dayN_k``, N the day of the forecast (24 N hours ahead); linear between
        them, the first and last one held.

    Returns
    -------
    float array, same shape
        [K]; NaN where the lead is NaN.

    Raises
    ------
    SettingsError
        No such rows.
    """
    rows = sorted((int(match[1]), key) for key in numbers if (match := _ROW.fullmatch(key)))
    if not rows:
        raise SettingsError("config/: no rows spread.sd_dayN_k; add the error of the forecast by day")
    leads = [24.0 * day for day, _ in rows]
    widths = [numbers.value(key, "K") for _, key in rows]
    return as_float(np.interp(as_float(lead_h), leads, widths))


def chance_above(value: ArrayLike, limit: ArrayLike, sd: ArrayLike) -> FloatArray:
    """Return the chance that the truth is at or above ``limit`` when ``value`` is forecast.

    Parameters
    ----------
    value, limit, sd : float array
        In one unit; broadcast. With ``sd`` 0 the chance is 1 at or above the limit, else 0.

    Returns
    -------
    float array
        0..1; NaN where anything is NaN or ``sd`` is negative.

    Source: normal distribution. Checked: tests/weather/test_spread.py.
    """
    from scipy.special import ndtr

    forecast, bound, width = np.broadcast_arrays(as_float(value), as_float(limit), as_float(sd))
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = np.where(
            width == 0.0, (forecast >= bound).astype(np.float64), ndtr((forecast - bound) / width)
        )
        known = np.isfinite(forecast) & np.isfinite(bound) & (width >= 0.0)
    return as_float(np.where(known, chance, np.nan))


def chance_below(value: ArrayLike, limit: ArrayLike, sd: ArrayLike) -> FloatArray:
    """Return the chance that the truth is at or below ``limit``; see ``chance_above``."""
    return chance_above(-as_float(value), -as_float(limit), sd)
