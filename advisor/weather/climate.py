"""The climate of the garden: about thirty years of daily extremes of one station, brought to its height.

Kept is the record itself; percentiles, frost dates and warmth left are worked out from it where they are
asked for (``climate_heat``, ``climate_frost``, ``climate_warmth``) and remembered while the program runs.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from advisor.physics.missing import FloatArray
from advisor.units import NumberTable
from advisor.weather.calendar_days import CALENDAR_DAYS, by_calendar_day
from advisor.weather.daily_table import DailyTable
from advisor.weather.stations import Station

__all__ = ["Climate", "TooThin", "WhichFrost", "best_climate", "climate_from_daily", "climate_text"]


class TooThin(ValueError):  # noqa: N818 - a record may be too thin; that is no failure of the program
    """A daily record that cannot speak for a climate; the message says why."""


@dataclass(frozen=True, slots=True, eq=False)
class Climate:
    """What past years were like at the garden's height, in screen air.

    Two climates are equal only if they are one object: what is worked out of it is remembered by identity.

    Attributes
    ----------
    station : Station
        Where it was measured.
    latitude_deg : float
        Of the garden, for day length and the turn of the seasons.
    day : datetime64[D] array, shape (D,)
        Rising by one.
    minimum_c, maximum_c : float array, shape (D,)
        Of each day, NaN where missing.
    years : tuple of int
        Years with enough days known.
    attribution, notes : tuple of str
        Lines that must be printed where it is shown; what was left out.
    """

    station: Station
    latitude_deg: float
    day: NDArray[np.datetime64]
    minimum_c: FloatArray
    maximum_c: FloatArray
    years: tuple[int, ...]
    attribution: tuple[str, ...] = ()
    notes: tuple[str, ...] = ()

    @property
    def southern(self) -> bool:
        """True south of the equator."""
        return self.latitude_deg < 0.0

    def season_year(self, day: date) -> int:
        """Return the year in which the growing season of ``day`` began: 1 January, in the south 1 July."""
        return day.year if not self.southern or day.month >= 7 else day.year - 1


WhichFrost = Literal["first", "last"]
"""First frost of a winter or last one."""


def _plausible(table: DailyTable, numbers: NumberTable) -> tuple[FloatArray, FloatArray, int]:
    """Minima and maxima; days beyond what air can be, or with the minimum above the maximum, are missing."""
    lowest, highest = numbers.value("record.lowest", "degC"), numbers.value("record.highest", "degC")
    nothing = np.full(table.day.shape, np.nan)
    low = np.array(table.values.get("air_temperature_min_c", nothing), dtype=np.float64)
    high = np.array(table.values.get("air_temperature_max_c", nothing), dtype=np.float64)
    with np.errstate(invalid="ignore"):
        wrong = (low > high) | (low < lowest) | (low > highest) | (high < lowest) | (high > highest)
    low[wrong] = high[wrong] = np.nan
    return low, high, int(wrong.sum())


def climate_from_daily(table: DailyTable, latitude_deg: float, before: date, numbers: NumberTable) -> Climate:
    """Make a climate of a daily record.

    Parameters
    ----------
    table : DailyTable
        Of one station; its height difference says how far to the garden's height.
    latitude_deg : float
        Of the garden.
    before : date
        Only days before it count, and of these the last ``record.years_most`` whole years and what has
        passed of the running one.
    numbers : NumberTable
        config/climate.toml.

    Returns
    -------
    Climate
        Minimum and maximum are brought to the garden's height, each by its own lapse rate.

    Raises
    ------
    TooThin
        Fewer than ``record.years_least`` years have enough days.

    Source: coverage and least years WMO-No. 1203 (from memory); lapse rates as config/climate.toml.
    Checked: tests/weather/test_climate.py.
    """
    low, high, wrong = _plausible(table, numbers)
    first = date(before.year - round(numbers.value("record.years_most", "count")), 1, 1)
    rows = (table.day >= np.datetime64(first)) & (table.day < np.datetime64(before))
    day, low, high = table.day[rows], low[rows], high[rows]
    coverage = numbers.value("record.coverage_least", "share")
    known = np.isfinite(low) | np.isfinite(high)
    all_years, matrix = by_calendar_day(day, np.where(known, 1.0, np.nan))
    share = np.isfinite(matrix).sum(axis=1) / CALENDAR_DAYS
    years = tuple(int(year) for year in all_years[share >= coverage])
    least = round(numbers.value("record.years_least", "count"))
    if len(years) < least:
        raise TooThin(
            f"{table.station.name}: {len(years)} years with at least {coverage:.0%} of their days since "
            f"{first.year}; at least {least} are wanted"
        )
    rise = table.station.height_difference_m
    notes = list(table.notes)
    if wrong:
        notes.append(f"{wrong} days left out: minimum above maximum, or beyond what air can be")
    return Climate(
        station=table.station,
        latitude_deg=latitude_deg,
        day=day,
        minimum_c=_hundredths(low + rise * numbers.value("record.minimum_lapse", "degC/m")),
        maximum_c=_hundredths(high + rise * numbers.value("record.maximum_lapse", "degC/m")),
        years=years,
        attribution=table.attribution,
        notes=tuple(notes),
    )


def _hundredths(values: FloatArray) -> FloatArray:
    """Rounded as it is kept, so that a climate read back is the one that was made."""
    return np.round(values, 2) + 0.0


def best_climate(
    tables: tuple[DailyTable, ...],
    latitude_deg: float,
    before: date,
    numbers: NumberTable,
    *,
    named_by_grower: bool = False,
) -> tuple[Climate | None, tuple[str, ...]]:
    """Choose the record that speaks best for the garden.

    Records with at least ``record.years_full`` years come first, then the nearer one, height counted as
    distance; stations that the grower named are never too far. Returns the climate, or None, and in words
    why others were not taken.
    """
    as_far = numbers.value("record.height_as_far", "km/m")
    farthest = numbers.value("record.farthest", "km")
    full = numbers.value("record.years_full", "count")
    found: list[tuple[bool, float, Climate]] = []
    reasons: list[str] = []
    for table in tables:
        station = table.station
        far = station.distance_km + as_far * abs(station.height_difference_m)
        if far > farthest and not named_by_grower:
            reasons.append(f"{station.name}: too far or too different in height ({_where(station)})")
            continue
        try:
            climate = climate_from_daily(table, latitude_deg, before, numbers)
        except TooThin as error:
            reasons.append(str(error))
        else:
            found.append((len(climate.years) < full, far, climate))
    if not found:
        return None, tuple(reasons)
    return min(found, key=lambda one: one[:2])[2], tuple(reasons)


def _where(station: Station) -> str:
    text = f"{station.distance_km:.0f} km"
    rise = round(station.height_difference_m)
    if rise:
        text += f", {abs(rise)} m {'higher' if rise > 0 else 'lower'}"
    return text


def climate_text(climate: Climate, count: int | None = None) -> str:
    """``28 years of Giessen, 12 km``; ``count`` where fewer years, winters or seasons can be used."""
    number = len(climate.years) if count is None else count
    return f"{number} years of {climate.station.name}, {_where(climate.station)}"
