"""Is the heat ahead unusual for the season? Said of a warning that stands already, never its cause."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta

from advisor.advice.hours import day_span, local_day, window
from advisor.advice.model import Reason, Situation
from advisor.physics.missing import reduce_over
from advisor.weather.climate import climate_text
from advisor.weather.climate_heat import share_of_years_cooler, unusual_days
from advisor.weather.table import utc_of

__all__ = ["Unusual", "unusual_heat"]


@dataclass(frozen=True, slots=True)
class Unusual:
    """Days of unusual heat among those asked about, and what shows it of the most unusual one."""

    days: tuple[date, ...]
    reason: Reason


def unusual_heat(situation: Situation, first: date, last: date) -> Unusual | None:
    """Tell which local days from ``first`` to ``last`` belong to a run of unusual heat.

    Screen air of the forecast against past maxima at the garden's height. None without a climate, without
    weather, and where no day does.

    Source: ETCCDI TX90p with a floor (estimate), see config/climate.toml. Checked:
    tests/advice/test_season_climate.py.
    """
    climate, weather, garden = situation.climate, situation.weather, situation.holdings.garden
    if climate is None or weather is None or not weather.hours:
        return None
    numbers = situation.tables.climate
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    begin = local_day(garden, utc_of(weather.start_utc[0]))
    end = local_day(garden, utc_of(weather.start_utc[-1]))
    known = [begin + timedelta(days=n) for n in range((end - begin).days + 1)]
    air = weather.value("air_temperature_c")
    maxima = [
        float(
            reduce_over(
                window(weather.start_utc, air, *day_span(garden, day)), "max", minimum_coverage=coverage
            ).value
        )
        for day in known
    ]
    marked = unusual_days(climate, begin, maxima, numbers)
    found = {
        day: share
        for day, high, hot in zip(known, maxima, marked, strict=True)
        if hot
        and first <= day <= last
        and (share := share_of_years_cooler(climate, day, high, numbers)) is not None
    }
    if not found:
        return None
    reason = Reason(
        "days of past years, at this time of the year, that were cooler",
        max(found.values()),
        "share",
        numbers.value("unusual.share", "share"),
        None,
        climate_text(climate),
        numbers.source("unusual.share"),
    )
    return Unusual(tuple(found), reason)
