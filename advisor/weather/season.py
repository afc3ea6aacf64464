"""First autumn and last spring frost where no station climate is at hand: a table by latitude and height.

Every date is an estimate and says so; the grower's own dates and a station's climate are better.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from typing import Literal

import numpy as np

from advisor.units import NumberTable

__all__ = ["FrostEstimate", "last_spring_frost_estimate", "season_end_estimate"]


@dataclass(frozen=True, slots=True)
class FrostEstimate:
    """A frost date of one growing season.

    Attributes
    ----------
    first_frost : date or None
        The date asked for (first autumn or last spring frost, as the function says); None where the
        garden lies in the frost-free tropics.
    known : {"estimate", "none"}
        ``none`` where no frost is to be expected.
    text : str
        For the grower.
    source : str
        ``evidence: source id`` of the table.
    earliest, latest : date or None
        The range in which towns at such a latitude and height lie.
    """

    first_frost: date | None
    known: Literal["estimate", "none"]
    text: str
    source: str
    earliest: date | None = None
    latest: date | None = None


def _frost_free(latitude_deg: float, elevation_m: float, climate: NumberTable) -> bool:
    low = abs(latitude_deg) < climate.value("frost.none_below_latitude", "deg")
    return low and elevation_m < climate.value("frost.none_below_elevation", "m")


def _day_of_year(latitude_deg: float, key: str, climate: NumberTable) -> tuple[float, float]:
    """Return day of year at sea level in the north and its half spread [d], linear between the bands."""
    bands = sorted(
        (row.value, name.removesuffix(".latitude"))
        for name, row in climate.items()
        if name.startswith("frost.band.") and name.endswith(".latitude")
    )
    days = [climate.value(f"{band}.{key}", "day of year") for _, band in bands]
    day = float(np.interp(abs(latitude_deg), [latitude for latitude, _ in bands], days))
    return day, climate.value("frost.first_spread", "d")


def _season_year(day: date, southern: bool) -> int:
    """Return the year in which the season of ``day`` began: 1 January in the north, 1 July in the south."""
    return day.year if not southern or day.month >= 7 else day.year - 1


def _on(year: int, day_of_year: float, southern: bool, climate: NumberTable) -> date:
    """Return the date of a northern day of year; the south begins its year half a year after 1 January."""
    shift = climate.value("frost.south_shift", "d") if southern else 0.0
    return date(year, 1, 1) + timedelta(days=round(day_of_year - 1.0 + shift))


def _estimate(
    latitude_deg: float, elevation_m: float, day: date, climate: NumberTable, *, autumn: bool
) -> FrostEstimate:
    key = "first_autumn_frost" if autumn else "last_spring_frost"
    what = "first autumn frost" if autumn else "last spring frost"
    source = climate.source("frost.none_below_latitude")
    if _frost_free(latitude_deg, elevation_m, climate):
        return FrostEstimate(None, "none", "no frost is to be expected at this latitude and height", source)
    day_of_year, spread = _day_of_year(latitude_deg, key, climate)
    height_m = max(0.0, elevation_m)
    if autumn:
        day_of_year -= height_m * climate.value("frost.first_earlier_per_m", "d/m")
        day_of_year = max(day_of_year, climate.value("frost.earliest_first_frost", "day of year"))
    else:
        day_of_year += height_m * climate.value("frost.last_later_per_m", "d/m")
        day_of_year = min(day_of_year, climate.value("frost.latest_last_frost", "day of year"))
    southern = latitude_deg < 0.0
    found = _on(_season_year(day, southern), day_of_year, southern, climate)
    text = f"{what} about {found.day} {found:%B}, estimated from latitude and height"
    reach = timedelta(days=round(spread))
    return FrostEstimate(found, "estimate", text, source, found - reach, found + reach)


def season_end_estimate(
    latitude_deg: float, elevation_m: float, day: date, climate: NumberTable
) -> FrostEstimate:
    """Return the first autumn frost of the season that ``day`` lies in; it may have passed already.

    The date is a prudent one, reached by about a fifth of years.

    Parameters
    ----------
    latitude_deg, elevation_m : float
        Latitude, north positive [deg]; height above sea level [m].
    day : date
        A local date; the season runs from 1 January (south: 1 July) to the eve of the next.
    climate : NumberTable
        config/climate.toml.

    Source: config/climate.toml, estimates. Checked: tests/config/test_trade_facts.py.
    """
    return _estimate(latitude_deg, elevation_m, day, climate, autumn=True)


def last_spring_frost_estimate(
    latitude_deg: float, elevation_m: float, day: date, climate: NumberTable
) -> FrostEstimate:
    """Return the last spring frost of the season that ``day`` lies in, in ``first_frost`` of the answer.

    Parameters as for ``season_end_estimate``. Source: config/climate.toml; shift with height after
    Hopkins 1918 (from memory).
    """
    return _estimate(latitude_deg, elevation_m, day, climate, autumn=False)
