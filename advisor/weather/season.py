"""Frost dates by latitude and elevation for a garden without station climate: estimates, and said so.

Source: table of config/climate.toml; height after Hopkins 1918 (from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

from advisor.units import NumberTable

__all__ = ["FrostEstimate", "last_spring_frost_estimate", "season_end_estimate"]

_HALF_YEAR_D = 183
"""The southern seasons are half a year later."""
_BAND = "frost.band."


@dataclass(frozen=True, slots=True)
class FrostEstimate:
    """A frost date and how it is known; ``first_frost`` is None where frost is not to be expected."""

    first_frost: date | None
    known: Literal["estimate", "none"]
    text: str
    source: str


def _day_of_year(latitude_deg: float, what: str, climate: NumberTable) -> float | None:
    """Day of year at sea level, northern count; None nearer the equator than the first band."""
    bands = sorted(
        (climate.value(key, "deg"), climate.value(f"{key.removesuffix('.latitude')}.{what}", "day of year"))
        for key in climate
        if key.startswith(_BAND) and key.endswith(".latitude")
    )
    latitude = abs(latitude_deg)
    if latitude < bands[0][0]:
        return None
    for (low, early), (high, late) in zip(bands, bands[1:], strict=False):
        if latitude <= high:
            return early + (late - early) * (latitude - low) / (high - low)
    return bands[-1][1]


def _dated(day_of_year: float, year: int, *, southern: bool) -> date:
    day = date(year, 1, 1) + timedelta(days=round(day_of_year) - 1)
    return day - timedelta(days=_HALF_YEAR_D) if southern else day


def season_end_estimate(latitude_deg: float, elevation_m: float, day: date, climate: NumberTable) -> FrostEstimate:
    """Return the first autumn frost of the growing season that ``day`` lies in or before.

    Parameters
    ----------
    latitude_deg, elevation_m : float
        The garden's; south is negative.
    day : date
        Local day. In the three months after the date the passed one is given, after that the next.
    climate : NumberTable
        config/climate.toml.
    """
    base = _day_of_year(latitude_deg, "first_autumn_frost", climate)
    source = climate.source("frost.band.lat_40.first_autumn_frost")
    if base is None:
        return FrostEstimate(None, "none", "no frost expected at this latitude", source)
    earlier = max(elevation_m, 0.0) * climate.value("frost.first_earlier_per_m", "d/m")
    of_year = max(base - earlier, climate.value("frost.earliest_first_frost", "day of year"))
    southern = latitude_deg < 0.0
    dates = [_dated(of_year, day.year + add, southern=southern) for add in (-1, 0, 1, 2)]
    first = next(found for found in dates if found + timedelta(days=90) > day)
    text = f"first frost about {first.day} {first:%B}, an estimate by latitude and height"
    return FrostEstimate(first, "estimate", text, source)


def last_spring_frost_estimate(
    latitude_deg: float, elevation_m: float, year: int, climate: NumberTable
) -> date | None:
    """Return the last spring frost in ``year``; None where frost is not to be expected."""
    base = _day_of_year(latitude_deg, "last_spring_frost", climate)
    if base is None or not math.isfinite(base):
        return None
    later = max(elevation_m, 0.0) * climate.value("frost.last_later_per_m", "d/m")
    of_year = min(base + later, climate.value("frost.latest_last_frost", "day of year"))
    southern = latitude_deg < 0.0
    return _dated(of_year, year + (1 if southern and of_year <= _HALF_YEAR_D else 0), southern=southern)
