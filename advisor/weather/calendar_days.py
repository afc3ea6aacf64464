"""Daily values by day of the calendar: percentiles in a window, days above them, spells.

The calendar has 365 days. 29 February is left out of the record; asked about, it is answered as 28 February.
"""

from __future__ import annotations

from datetime import date

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.physics.missing import FloatArray, Reduced, as_float, reduce_over

__all__ = [
    "CALENDAR_DAYS",
    "by_calendar_day",
    "calendar_day",
    "days_above",
    "type_8_quantile",
    "warm_spell_days",
    "window_percentile",
    "window_values",
]

CALENDAR_DAYS = 365
_LEAP_DAY = 59
"""Place of 29 February in a leap year, counted from 0."""


def calendar_day(day: date) -> int:
    """Place of a date in the calendar of 365 days, 0..364; 29 February is that of 28 February."""
    leap = day.year % 4 == 0 and (day.year % 100 != 0 or day.year % 400 == 0)
    place = day.timetuple().tm_yday - 1
    return place - 1 if leap and place >= _LEAP_DAY else place


def by_calendar_day(day: NDArray[np.datetime64], values: ArrayLike) -> tuple[NDArray[np.int64], FloatArray]:
    """Lay daily values out by year and calendar day.

    Parameters
    ----------
    day : datetime64[D] array, shape (D,)
        Rising.
    values : float array, shape (D,)

    Returns
    -------
    int array, shape (Y,); float array, shape (Y, 365)
        Every year from the first to the last, without 29 February; days outside the record are NaN.
    """
    if not day.size:
        return np.zeros(0, dtype=np.int64), np.zeros((0, CALENDAR_DAYS))
    year = day.astype("datetime64[Y]")
    number = year.astype(np.int64) + 1970
    place = (day - year.astype("datetime64[D]")).astype(np.int64)
    leap = (number % 4 == 0) & ((number % 100 != 0) | (number % 400 == 0))
    keep = ~(leap & (place == _LEAP_DAY))
    place = np.where(leap & (place > _LEAP_DAY), place - 1, place)
    years = np.arange(number[0], number[-1] + 1)
    out = np.full((years.size, CALENDAR_DAYS), np.nan)
    out[number[keep] - years[0], place[keep]] = as_float(values)[keep]
    return years, out


def type_8_quantile(values: ArrayLike, share: ArrayLike) -> FloatArray:
    """Quantile of the values known along the last axis, median-unbiased; NaN where nothing is known.

    Parameters
    ----------
    values : float array, shape (..., n)
        NaN is left out.
    share : float or float array
        0..1.

    Source: Hyndman and Fan 1996, The American Statistician 50: 361-365, type 8. Checked:
    tests/weather/test_calendar_days.py.
    """
    array = as_float(values)
    empty = np.asarray(np.isnan(array).all(axis=-1))
    filled = np.where(empty[..., np.newaxis], 0.0, array)
    found = np.nanquantile(filled, as_float(share), axis=-1, method="median_unbiased")
    return as_float(np.where(empty, np.nan, found))


def window_values(years_by_day: FloatArray, width: int) -> FloatArray:
    """Values of the centred window around each calendar day, shape (Y, 365) to (365, Y * width).

    The window runs on across New Year into the neighbouring year of the record.
    """
    half = width // 2
    flat = np.pad(years_by_day.reshape(-1), half, constant_values=np.nan)
    windows = np.lib.stride_tricks.sliding_window_view(flat, 2 * half + 1)
    grouped = windows.reshape(*years_by_day.shape, 2 * half + 1)
    return as_float(grouped.transpose(1, 0, 2).reshape(CALENDAR_DAYS, -1))


def window_percentile(years_by_day: FloatArray, share: float, width: int) -> FloatArray:
    """Quantile of each calendar day over the years, from a centred window, shape (Y, 365) to (365,).

    Source: ETCCDI, calendar-day percentiles in a 5-day window; type 8. Checked:
    tests/published/test_climate_indices.py.
    """
    return type_8_quantile(window_values(years_by_day, width), share)


def _above(values: ArrayLike, limits: ArrayLike) -> FloatArray:
    value, limit = np.broadcast_arrays(as_float(values), as_float(limits))
    with np.errstate(invalid="ignore"):
        return np.where(np.isnan(value) | np.isnan(limit), np.nan, (value > limit).astype(np.float64))


def days_above(values: ArrayLike, limits: ArrayLike, minimum_coverage: float = 1.0) -> Reduced:
    """Days of a year above the limit of their calendar day (TX90p where the limit is the 90th percentile).

    Source: ETCCDI TX90p. Checked: tests/published/test_climate_indices.py.
    """
    return reduce_over(_above(values, limits), "sum", minimum_coverage=minimum_coverage)


def warm_spell_days(values: ArrayLike, limits: ArrayLike, run: int, minimum_coverage: float = 1.0) -> Reduced:
    """Days that stand in a run of at least ``run`` days above the limit; a missing day ends a run.

    Parameters
    ----------
    values, limits : float array, shape (n,)
        Daily maxima and the limit of each day.
    run : int
        Six for the warm spell duration index.

    Source: ETCCDI WSDI. Checked: tests/published/test_climate_indices.py.
    """
    above = _above(values, limits)
    hot = np.concatenate(([0.0], np.nan_to_num(above), [0.0]))
    edges = np.flatnonzero(np.diff(hot))
    counted = np.where(np.isnan(above), np.nan, 0.0)
    for begin, end in edges.reshape(-1, 2):
        if end - begin >= run:
            counted[begin:end] = 1.0
    return reduce_over(counted, "sum", minimum_coverage=minimum_coverage)
