"""Local days over UTC hours: 23, 24 or 25 hours long, found through UTC, never by adding 24 hours.

A row belongs to the local day in which it starts. In zones whose midnight is not on a full hour of
UTC the first row of a day therefore starts up to 59 minutes after its midnight.

Source: IANA time zone database through ``zoneinfo`` (PEP 495 for gaps and folds).
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np

from advisor.physics.missing import Reduced, reduce_over
from advisor.weather.table import FloatArray, WeatherTable, stamp_of, utc_of

__all__ = [
    "DailyValues",
    "at_local",
    "daily",
    "day_bounds_utc",
    "day_value",
    "days_in",
    "hours_of_day",
    "local_day_of",
    "rows_of_day",
]

_HOUR = timedelta(hours=1)
How = Literal["sum", "mean", "max", "min"]


def local_day_of(instant: datetime, zone: ZoneInfo) -> date:
    """Return the local date at an aware instant."""
    if instant.tzinfo is None:
        raise ValueError("an instant needs its offset from UTC")
    return instant.astimezone(zone).date()


@lru_cache(maxsize=2048)
def _first_instant(day: date, zone: ZoneInfo) -> datetime:
    """First instant whose local date is ``day`` or later; remembered, since the days of a pass are few."""
    naive = datetime.combine(day, time())
    midnight = naive.replace(tzinfo=zone).astimezone(UTC)
    back = midnight.astimezone(zone)
    if back.replace(tzinfo=None) == naive:
        return midnight
    # Midnight is skipped. The day begins with the jump, which lies in the hours before this instant.
    before, after = midnight - timedelta(hours=26), midnight
    while after - before > timedelta(seconds=1):
        middle = before + (after - before) // 2
        if middle.astimezone(zone).date() >= day:
            after = middle
        else:
            before = middle
    return after.replace(microsecond=0)


def day_bounds_utc(day: date, zone: ZoneInfo) -> tuple[datetime, datetime]:
    """Return the first instant of ``day`` and the first instant of the next day, both UTC.

    A day that a zone skipped altogether has equal bounds.
    """
    return _first_instant(day, zone), _first_instant(day + timedelta(days=1), zone)


def at_local(day: date, at: time, zone: ZoneInfo) -> datetime:
    """Return the UTC instant of a local time of day.

    A time skipped by a clock change is moved forward by the width of the gap; of a time that happens
    twice the first is taken.
    """
    return datetime.combine(day, at).replace(tzinfo=zone, fold=0).astimezone(UTC)


def hours_of_day(day: date, zone: ZoneInfo) -> int:
    """Return how many full hours of UTC start within the local day."""
    first, last = (_hour_at_or_after(bound) for bound in day_bounds_utc(day, zone))
    return (last - first) // _HOUR


def _hour_at_or_after(instant: datetime) -> datetime:
    floor = instant.replace(minute=0, second=0, microsecond=0)
    return floor if floor == instant else floor + _HOUR


def rows_of_day(table: WeatherTable, day: date, zone: ZoneInfo) -> slice:
    """Return the rows of ``table`` that start within the local day; may be empty or only part of it."""
    if not table.hours:
        return slice(0, 0)
    first, last = (table.index_at(_hour_at_or_after(bound)) for bound in day_bounds_utc(day, zone))
    return slice(min(max(first, 0), table.hours), min(max(last, 0), table.hours))


def days_in(table: WeatherTable, zone: ZoneInfo) -> tuple[date, ...]:
    """Return the local days of which the table has at least one row, oldest first."""
    if not table.hours:
        return ()
    day = local_day_of(utc_of(table.start_utc[0]), zone)
    last = local_day_of(utc_of(table.start_utc[-1]), zone)
    found = []
    while day <= last:
        rows = rows_of_day(table, day, zone)
        if rows.stop > rows.start:
            found.append(day)
        day += timedelta(days=1)
    return tuple(found)


def _whole_day(table: WeatherTable, values: FloatArray, day: date, zone: ZoneInfo) -> FloatArray:
    """Values of the day's hours, NaN where the table has no row, so that coverage counts them."""
    rows = rows_of_day(table, day, zone)
    hours = hours_of_day(day, zone)
    out = np.full((*values.shape[:-1], hours), np.nan)
    if rows.stop > rows.start:
        first = stamp_of(_hour_at_or_after(day_bounds_utc(day, zone)[0]))
        begin = int((table.start_utc[rows.start] - first) // np.timedelta64(3600, "s"))
        out[..., begin : begin + rows.stop - rows.start] = values[..., rows]
    return out


def day_value(
    table: WeatherTable,
    name: str,
    how: How,
    day: date,
    zone: ZoneInfo,
    *,
    minimum_coverage: float,
    members: bool = False,
) -> Reduced:
    """Return one variable reduced over a local day.

    Parameters
    ----------
    name : str
        Canonical name.
    how : {"sum", "mean", "max", "min"}
        Extremes are those of the hourly instants.
    minimum_coverage : float
        Share 0..1 of the day's hours that must be known; hours outside the table are not known.
    members : bool
        True for one value for each ensemble member.

    Returns
    -------
    Reduced
        Value of shape () or (M,), and the share of hours known.
    """
    values = table.member(name) if members else table.value(name)
    return reduce_over(_whole_day(table, values, day, zone), how, minimum_coverage=minimum_coverage)


@dataclass(frozen=True, slots=True)
class DailyValues:
    """One variable by local day: ``values`` and ``coverage`` of shape (D,)."""

    days: tuple[date, ...]
    values: FloatArray
    coverage: FloatArray


def daily(table: WeatherTable, name: str, how: How, zone: ZoneInfo, minimum_coverage: float) -> DailyValues:
    """Return one variable reduced over every local day of the table; see ``day_value``."""
    days = days_in(table, zone)
    reduced = [day_value(table, name, how, day, zone, minimum_coverage=minimum_coverage) for day in days]
    return DailyValues(
        days,
        np.array([float(one.value) for one in reduced], dtype=np.float64),
        np.array([float(one.coverage) for one in reduced], dtype=np.float64),
    )
