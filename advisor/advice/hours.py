"""Hours, days and nights of a garden, cut out of hourly arrays with the gaps kept as gaps."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.garden.model import Garden
from advisor.weather.days import at_local, day_bounds_utc, local_day_of
from advisor.weather.table import stamp_of, utc_of

__all__ = [
    "HOUR",
    "WholeDays",
    "clock",
    "day_and_clock",
    "day_name",
    "day_span",
    "eve_of",
    "evening_of",
    "hour_at",
    "hours_at",
    "hours_between",
    "local_at",
    "local_day",
    "night_span",
    "this_hour",
    "whole_days",
    "window",
]

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.datetime64]

HOUR = np.timedelta64(3600, "s")
_WEEKDAYS = ("Mon", "Tue", "Wed", "Thu", "Fri", "Sat", "Sun")
_MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
_NOON = 12.0


def local_at(garden: Garden, day: date, hour_of_day: float) -> datetime:
    """UTC of a local clock time given as an hour of the day, 0 to under 24."""
    return at_local(day, (datetime.combine(day, time()) + timedelta(hours=hour_of_day)).time(), garden.zone)


def local_day(garden: Garden, at_utc: datetime) -> date:
    """Local calendar day of an instant."""
    return local_day_of(at_utc, garden.zone)


def day_span(garden: Garden, day: date) -> tuple[datetime, datetime]:
    """First instant of a local day and of the next, 23 to 25 h apart."""
    return day_bounds_utc(day, garden.zone)


def this_hour(situation: Situation) -> datetime:
    """Start of the hour that holds now."""
    return situation.now_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def night_span(garden: Garden, eve: date) -> tuple[datetime, datetime]:
    """The night after ``eve``: from local noon to the next, so that every hour belongs to one night."""
    return local_at(garden, eve, _NOON), local_at(garden, eve + timedelta(days=1), _NOON)


def eve_of(garden: Garden, at_utc: datetime) -> date:
    """The day on whose night an instant lies."""
    local = at_utc.astimezone(garden.zone)
    return local.date() if local.hour >= _NOON else local.date() - timedelta(days=1)


def hours_between(start_utc: TimeArray, from_utc: datetime, until_utc: datetime) -> tuple[int, int]:
    """Rows ``first`` to before ``last`` that start within the span; may lie outside the table."""
    origin = start_utc[0]
    first = -int((origin - stamp_of(from_utc)) // HOUR)
    last = -int((origin - stamp_of(until_utc)) // HOUR)
    return first, max(last, first)


def window(start_utc: TimeArray, values: FloatArray, from_utc: datetime, until_utc: datetime) -> FloatArray:
    """Return the hours of a span along the last axis; hours outside the table are NaN.

    Parameters
    ----------
    start_utc : datetime64 array, shape (H,)
    values : float array, shape (..., H)
    from_utc, until_utc : datetime
        A row belongs to the span in which it starts.

    Returns
    -------
    float array, shape (..., n)
        ``n`` is the length of the span in hours whatever the table holds.
    """
    hours = start_utc.size
    if not hours:
        return np.full((*values.shape[:-1], 0), np.nan)
    first, last = hours_between(start_utc, from_utc, until_utc)
    cut = np.full((*values.shape[:-1], last - first), np.nan)
    low, high = max(first, 0), min(last, hours)
    if low < high:
        cut[..., low - first : high - first] = values[..., low:high]
    return cut


@dataclass(frozen=True, slots=True)
class WholeDays:
    """Local days that lie wholly within a table, in order, each with its span.

    ``first`` and ``last``, of shape (D,): rows of the table in which each begins, and before which it ends.
    """

    spans: Mapping[date, tuple[datetime, datetime]]
    first: NDArray[np.intp]
    last: NDArray[np.intp]


def whole_days(garden: Garden, start_utc: TimeArray, least_h: int = 1) -> WholeDays:
    """Return the local days of which a table has every hour, and at least ``least_h`` of them.

    For answers on many days at once; a day that is not among them is cut out by itself with ``window``.
    """
    if not start_utc.size:
        return WholeDays({}, np.zeros(0, dtype=np.intp), np.zeros(0, dtype=np.intp))
    day, end = local_day(garden, utc_of(start_utc[0])), local_day(garden, utc_of(start_utc[-1]))
    spans = {}
    while day <= end:
        spans[day] = day_span(garden, day)
        day += timedelta(days=1)
    stamps = np.array([[stamp_of(begin), stamp_of(until)] for begin, until in spans.values()])
    edges = -((start_utc[0] - stamps) // HOUR).astype(np.intp)
    whole = (edges[:, 0] >= 0) & (edges[:, 1] <= start_utc.size) & (edges[:, 1] - edges[:, 0] >= least_h)
    kept = {each: span for (each, span), is_whole in zip(spans.items(), whole, strict=True) if is_whole}
    return WholeDays(kept, edges[whole, 0], edges[whole, 1])


def hour_at(start_utc: TimeArray, from_utc: datetime, row: int) -> datetime:
    """UTC start of the ``row``-th hour of a span cut with ``window``."""
    first, _ = hours_between(start_utc, from_utc, from_utc)
    return utc_of(start_utc[0] + (first + row) * HOUR)


def hours_at(
    start_utc: TimeArray, from_utc: datetime, rows: NDArray[np.intp], known: NDArray[np.bool_]
) -> tuple[datetime | None, ...]:
    """UTC starts of one hour for each tree, as ``hour_at``; None where it is not known."""
    told = {int(row): hour_at(start_utc, from_utc, int(row)) for row in np.unique(rows[known])}
    return tuple(told[int(row)] if ok else None for row, ok in zip(rows, known, strict=True))


def clock(garden: Garden, at_utc: datetime) -> str:
    """Local time of day, ``06:00``."""
    return at_utc.astimezone(garden.zone).strftime("%H:%M")


def day_name(situation: Situation, day: date) -> str:
    """``today``, ``tomorrow``, or ``Sun 14 Jul`` without the server's locale."""
    distance = (day - situation.day).days
    if distance in (0, 1):
        return ("today", "tomorrow")[distance]
    return f"{_WEEKDAYS[day.weekday()]} {day.day} {_MONTHS[day.month - 1]}"


def evening_of(situation: Situation, day: date) -> str:
    """Return ``this evening``, ``tomorrow evening``, or ``on the evening of Sun 14 Jul``."""
    name = day_name(situation, day)
    near = {"today": "this evening", "tomorrow": "tomorrow evening"}
    return near.get(name, f"on the evening of {name}")


def day_and_clock(situation: Situation, at_utc: datetime) -> str:
    """``13:00`` for today, else the day before it: ``tomorrow 05:00``."""
    garden = situation.holdings.garden
    day = local_day(garden, at_utc)
    at = clock(garden, at_utc)
    return at if day == situation.day else f"{day_name(situation, day)} {at}"
