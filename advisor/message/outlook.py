"""The coming days in numbers: one row a local day, for the ahead part, the chart's table and its words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np

from advisor.advice.model import Situation
from advisor.physics.missing import reduce_over
from advisor.units import DisplayUnits, shown
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import WeatherTable, stamp_of

__all__ = ["DayOutlook", "day_outlooks", "outlook_cells"]

COVERAGE = 0.9
"""Share of valid hours a day's extreme needs, otherwise it is unknown (WMO practice)."""


@dataclass(frozen=True, slots=True)
class DayOutlook:
    """A local day: extremes and sums; NaN where too few hours are known."""

    day: date
    minimum_c: float
    maximum_c: float
    rain_mm: float
    gust_m_s: float


def _reduced(weather: WeatherTable, name: str, rows: slice, how: str, hours: int) -> float:
    values = weather.value(name)[rows]
    if values.size < COVERAGE * hours:
        return float("nan")
    reduced = reduce_over(
        values, "max" if how == "max" else "min" if how == "min" else "sum", minimum_coverage=COVERAGE
    )
    return float(reduced.value)


def day_outlooks(situation: Situation, days: int = 6) -> tuple[DayOutlook, ...]:
    """Return the outlook of today and the days after, as far as the weather reaches at all."""
    weather = situation.weather
    if weather is None:
        return ()
    found = []
    for ahead in range(days):
        day = situation.day + timedelta(days=ahead)
        begin, end = day_bounds_utc(day, situation.holdings.garden.zone)
        first = int(np.searchsorted(weather.start_utc, stamp_of(begin)))
        last = int(np.searchsorted(weather.start_utc, stamp_of(end)))
        if last <= first:
            break
        rows, hours = slice(first, last), round((end - begin).total_seconds() / 3600)
        found.append(
            DayOutlook(
                day,
                _reduced(weather, "air_temperature_c", rows, "min", hours),
                _reduced(weather, "air_temperature_c", rows, "max", hours),
                _reduced(weather, "rain_mm", rows, "sum", hours),
                _reduced(weather, "wind_gust_m_s", rows, "max", hours),
            )
        )
    return tuple(found)


def outlook_cells(outlook: DayOutlook, units: DisplayUnits) -> tuple[str, str, str, str]:
    """Low, high, rain and gust of one day as the grower reads them."""
    return (
        str(shown(outlook.minimum_c, "degC", units)),
        str(shown(outlook.maximum_c, "degC", units)),
        str(shown(outlook.rain_mm, "mm", units)),
        str(shown(outlook.gust_m_s, "m/s", units)),
    )
