"""The coming days in numbers: one row a local day, for the ahead part, the chart's table and its words."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import partial

import numpy as np

from advisor.advice.model import Situation
from advisor.physics.missing import How, reduce_over
from advisor.units import DisplayUnits, shown
from advisor.weather.days import day_bounds_utc
from advisor.weather.table import WeatherTable, stamp_of

__all__ = ["DayOutlook", "day_outlooks", "outlook_cells"]


@dataclass(frozen=True, slots=True)
class DayOutlook:
    """A local day: extremes and sums; NaN where too few hours are known."""

    day: date
    minimum_c: float
    maximum_c: float
    rain_mm: float
    gust_m_s: float


def _reduced(
    weather: WeatherTable, name: str, rows: slice, how: How, *, hours: int, coverage: float
) -> float:
    values = weather.value(name)[rows]
    if values.size < coverage * hours:
        return float("nan")
    return float(reduce_over(values, how, minimum_coverage=coverage).value)


def day_outlooks(situation: Situation, days: int = 6) -> tuple[DayOutlook, ...]:
    """Return the outlook of today and the days after, as far as the weather reaches at all."""
    weather = situation.weather
    if weather is None:
        return ()
    coverage = situation.tables.physics.value("weather.extreme_coverage_share", "share")
    found = []
    for ahead in range(days):
        day = situation.day + timedelta(days=ahead)
        begin, end = day_bounds_utc(day, situation.holdings.garden.zone)
        first = int(np.searchsorted(weather.start_utc, stamp_of(begin)))
        last = int(np.searchsorted(weather.start_utc, stamp_of(end)))
        if last <= first:
            break
        hours = round((end - begin).total_seconds() / 3600)
        of = partial(_reduced, weather, rows=slice(first, last), hours=hours, coverage=coverage)
        found.append(
            DayOutlook(
                day,
                of("air_temperature_c", how="min"),
                of("air_temperature_c", how="max"),
                of("rain_mm", how="sum"),
                of("wind_gust_m_s", how="max"),
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
