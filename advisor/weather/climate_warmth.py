"""Warmth still to come before days grow short, as it was in past years.

Degree days of each day by the single sine through its extremes; a season runs from 1 January (south: 1 July)
to the day on which daylight falls under a limit.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np

from advisor.physics.degree_days import degree_days_single_sine
from advisor.physics.missing import FloatArray, longest_run, reduce_over
from advisor.physics.sun import day_length_h
from advisor.units import NumberTable
from advisor.weather.calendar_days import CALENDAR_DAYS, by_calendar_day, calendar_day, type_8_quantile
from advisor.weather.climate import Climate

__all__ = ["WarmthLeft", "warmth_to_come"]

_MIDSUMMER = 171
_HALF_YEAR = 181
"""Places of 21 June and 1 July in the calendar of 365 days. The southern season is the northern one, half a
year later: 21 December is its 173rd day."""
_SOUTH_MIDSUMMER = 173


@dataclass(frozen=True, slots=True, eq=False)
class WarmthLeft:
    """Degree days still to come, for each past season and each day of it.

    Attributes
    ----------
    seasons : tuple of int
        Years in which these seasons began.
    left_k_d : float array, shape (S, 365)
        From the day on, itself included, to the end; 0 after it.
    ends : int
        Place of the first day that is too short.
    southern : bool
    """

    seasons: tuple[int, ...]
    left_k_d: FloatArray
    ends: int
    southern: bool

    def reached(self, share: float, day: date) -> float:
        """Degree days that all but ``share`` of past seasons still had on the calendar day of ``day``."""
        return float(self._quantile(share)[self._place(day)])

    def last_day(self, needed_k_d: float, share: float, day: date) -> date:
        """Return the last day, in the season of ``day``, from which all but ``share`` of seasons had enough.

        The eve of the season where no day of it had.
        """
        enough = np.flatnonzero(self._quantile(share) >= needed_k_d)
        year = day.year if not self.southern or day.month >= 7 else day.year - 1
        first = date(year, 7 if self.southern else 1, 1)
        if not enough.size:
            return first - timedelta(days=1)
        place = int(enough[-1])
        if self.southern:
            place, year = (place + _HALF_YEAR, year) if place < CALENDAR_DAYS - _HALF_YEAR else (
                place - (CALENDAR_DAYS - _HALF_YEAR), year + 1)  # fmt: skip
        plain = date(2001, 1, 1) + timedelta(days=place)
        return date(year, plain.month, plain.day)

    def _place(self, day: date) -> int:
        place = calendar_day(day)
        return (place - _HALF_YEAR) % CALENDAR_DAYS if self.southern else place

    def _quantile(self, share: float) -> FloatArray:
        return _quantile(self, share)


@lru_cache(maxsize=64)
def _quantile(left: WarmthLeft, share: float) -> FloatArray:
    """Share quantile of each day of the season; it only falls, since every season's count does."""
    return type_8_quantile(left.left_k_d.T, share)


def warmth_to_come(
    climate: Climate,
    base_temperature_c: float,
    numbers: NumberTable,
    *,
    day_length_limit_h: float | None = None,
    until: tuple[int, int] | None = None,
) -> WarmthLeft | None:
    """Work out the degree days still to come in past seasons.

    Parameters
    ----------
    climate : Climate
    base_temperature_c : float
        Base of the degree days; screen air at the garden's height.
    numbers : NumberTable
        config/climate.toml.
    day_length_limit_h : float, optional
        The count ends on the first day after midsummer whose daylight is shorter.
    until : (month, day), optional
        Or on this date of the season, not counted itself.

    Returns
    -------
    WarmthLeft or None
        None where fewer than ``record.years_least`` seasons are known, or where days never grow so short
        (tropics): no such count then limits anything; ``ends`` cannot be told.

    Raises
    ------
    ValueError
        Neither or both ends are given.

    Notes
    -----
    A season counts when enough of its days between the spring day of the same length and its end are
    known; its gaps take what these calendar days gave in the other years, which leaves the order of days
    whole: a later day never has more to come.

    Source: Baskerville and Emin 1969 (single sine); day length FAO-56 eq. 34. Checked:
    tests/weather/test_climate_warmth.py.
    """
    if (day_length_limit_h is None) == (until is None):
        raise ValueError("give a day length or a date to end the count, and not both")
    return _to_come(
        climate,
        base_temperature_c,
        day_length_limit_h,
        until,
        numbers.value("record.coverage_least", "share"),
        numbers.value("record.season_gap_most", "d"),
        round(numbers.value("record.years_least", "count")),
    )


def _span(climate: Climate, limit_h: float | None, until: tuple[int, int] | None) -> tuple[int, int] | None:
    """First and end place of a season's count; None where days never grow so short."""
    summer = _SOUTH_MIDSUMMER if climate.southern else _MIDSUMMER
    if until is not None:
        place = calendar_day(date(2001, *until))
        end = (place - _HALF_YEAR) % CALENDAR_DAYS if climate.southern else place
        return max(0, 2 * summer - end), end
    ordinal = np.arange(CALENDAR_DAYS) + 1
    if climate.southern:
        ordinal = np.roll(ordinal, -_HALF_YEAR)
    short = day_length_h(climate.latitude_deg, ordinal) < (limit_h or 0.0)
    after = np.flatnonzero(short[summer:])
    if not after.size:
        return None
    before = np.flatnonzero(short[:summer])
    return (int(before[-1]) + 1 if before.size else 0), summer + int(after[0])


@lru_cache(maxsize=64)
def _to_come(
    climate: Climate,
    base_c: float,
    limit_h: float | None,
    until: tuple[int, int] | None,
    coverage: float,
    gap_most_d: float,
    least: int,
) -> WarmthLeft | None:
    span = _span(climate, limit_h, until)
    if span is None:
        return None
    begin, end = span
    daily = degree_days_single_sine(climate.minimum_c, climate.maximum_c, base_c)
    years, matrix = by_calendar_day(climate.day, daily)
    if climate.southern:
        matrix = np.concatenate([matrix[:-1, _HALF_YEAR:], matrix[1:, :_HALF_YEAR]], axis=1)
        years = years[:-1]
    matrix = matrix[:, :end]
    window = matrix[:, begin:]
    known = reduce_over(window, "sum", minimum_coverage=0.0).coverage >= coverage
    if window.shape[1]:
        known &= longest_run(np.isnan(window).astype(np.float64)).value <= gap_most_d
    if int(known.sum()) < least:
        return None
    matrix = matrix[known]
    usual = reduce_over(matrix, "mean", axis=0, minimum_coverage=0.0).value
    matrix = np.where(np.isnan(matrix), usual, matrix)
    left = np.zeros((matrix.shape[0], CALENDAR_DAYS))
    left[:, :end] = matrix[:, ::-1].cumsum(axis=1)[:, ::-1]
    return WarmthLeft(tuple(int(year) for year in years[known]), left, end, climate.southern)
