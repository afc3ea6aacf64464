"""How unusual a maximum is for its calendar day, and runs of unusual heat."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date
from functools import lru_cache

import numpy as np

from advisor.physics.missing import FloatArray, as_float
from advisor.units import NumberTable
from advisor.weather.calendar_days import by_calendar_day, calendar_day, window_percentile, window_values
from advisor.weather.climate import Climate

__all__ = ["maximum_percentiles_c", "share_of_years_cooler", "unusual_days"]


def maximum_percentiles_c(climate: Climate, share: float, numbers: NumberTable) -> FloatArray:
    """Percentile of the daily maximum of each calendar day, shape (365,); NaN where too few years are known.

    Source: ETCCDI (centred 5-day window), type-8 quantile. Checked:
    tests/published/test_climate_indices.py.
    """
    width = round(numbers.value("unusual.window", "d"))
    return _percentiles(climate, share, width, _least(numbers, width))


def _least(numbers: NumberTable, width: int) -> int:
    """Values that a calendar day must have around it."""
    years = numbers.value("record.years_least", "count")
    return round(years * width * numbers.value("record.coverage_least", "share"))


@lru_cache(maxsize=16)
def _percentiles(climate: Climate, share: float, width: int, least: int) -> FloatArray:
    found = window_percentile(_by_day(climate), share, width)
    enough = np.isfinite(_window(climate, width)).sum(axis=1) >= least
    return as_float(np.where(enough, found, np.nan))


@lru_cache(maxsize=4)
def _by_day(climate: Climate) -> FloatArray:
    """Maxima of the years that count, by year and calendar day; others NaN."""
    years, matrix = by_calendar_day(climate.day, climate.maximum_c)
    return np.where(np.isin(years, climate.years)[:, np.newaxis], matrix, np.nan)


@lru_cache(maxsize=4)
def _window(climate: Climate, width: int) -> FloatArray:
    return window_values(_by_day(climate), width)


def share_of_years_cooler(
    climate: Climate, day: date, maximum_c: float, numbers: NumberTable
) -> float | None:
    """Share of past maxima of these calendar days that lay below; None where too few are known."""
    width = round(numbers.value("unusual.window", "d"))
    past = _window(climate, width)[calendar_day(day)]
    past = past[np.isfinite(past)]
    if past.size < _least(numbers, width) or np.isnan(maximum_c):
        return None
    return float((past < maximum_c).mean())


def unusual_days(
    climate: Climate, first: date, maxima_c: Sequence[float], numbers: NumberTable
) -> tuple[bool, ...]:
    """Tell which days belong to a run of unusual heat.

    Parameters
    ----------
    first : date
        Day of the first maximum; the others follow day by day.
    maxima_c : sequence of float
        Forecast or observed maxima; NaN ends a run.

    Returns
    -------
    tuple of bool
        True in a run of at least ``unusual.run`` days above the ``unusual.share`` percentile of their
        calendar day and at or above ``unusual.floor``.

    Source: ETCCDI TX90p; run and floor are estimates. Checked: tests/weather/test_climate_heat.py.
    """
    limits = maximum_percentiles_c(climate, numbers.value("unusual.share", "share"), numbers)
    floor = numbers.value("unusual.floor", "degC")
    ordinal = first.toordinal()
    hot = [
        bool(value > limits[calendar_day(date.fromordinal(ordinal + n))] and value >= floor)
        for n, value in enumerate(maxima_c)
    ]
    wanted = round(numbers.value("unusual.run", "d"))
    found = [False] * len(hot)
    begin = 0
    for place in range(len(hot) + 1):
        if place == len(hot) or not hot[place]:
            if place - begin >= wanted:
                found[begin:place] = [True] * (place - begin)
            begin = place + 1
    return tuple(found)
