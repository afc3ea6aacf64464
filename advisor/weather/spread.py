"""How far a forecast may be off when there are no members to show it, and the chance that follows.

The error is taken as normal around the forecast, wider with lead time. The widths are the usual ones,
until the garden's own errors have been learned (``forecast_error``).

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

__all__ = ["chance_above", "chance_below", "gust_error_share", "temperature_error_sd_k"]


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
    return _by_lead(lead_h, numbers, "spread.sd_day{}_k", "K")


def gust_error_share(lead_h: ArrayLike, numbers: NumberTable) -> FloatArray:
    """Return the standard deviation of the error of a gust as a share of the gust forecast.

    Rows ``spread.gust_dayN_share``; otherwise as ``temperature_error_sd_k``.
    """
    return _by_lead(lead_h, numbers, "spread.gust_day{}_share", "share")


def _by_lead(lead_h: ArrayLike, numbers: NumberTable, form: str, unit: str) -> FloatArray:
    pattern = re.compile(re.escape(form).replace(r"\{\}", r"(\d+)"))
    rows = sorted((int(match[1]), key) for key in numbers if (match := pattern.fullmatch(key)))
    if not rows:
        raise SettingsError(f"config/: no rows {form.format('N')}; add the error of the forecast by day")
    leads = [24.0 * day for day, _ in rows]
    widths = [numbers.value(key, unit) for _, key in rows]
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
        0..1; NaN where anything is NaN or ``sd`` is negative. An infinite ``value`` or ``limit`` is
        certain.

    Source: normal distribution. Checked: tests/weather/test_spread.py.
    """
    from scipy.special import ndtr

    forecast, bound, width = as_float(value), as_float(limit), as_float(sd)
    with np.errstate(invalid="ignore", divide="ignore"):
        chance = np.where(width == 0.0, forecast >= bound, ndtr((forecast - bound) / width))
        known = ~np.isnan(forecast) & ~np.isnan(bound) & (width >= 0.0)
    return as_float(np.where(known, chance, np.nan))


def chance_below(value: ArrayLike, limit: ArrayLike, sd: ArrayLike) -> FloatArray:
    """Return the chance that the truth is at or below ``limit``; see ``chance_above``."""
    return chance_above(-as_float(value), -as_float(limit), sd)
