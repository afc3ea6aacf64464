"""What the runs of an ensemble say of a span of hours: how many of them pass a limit of a check.

Where members exist, a check of the weather ahead is also failed, or asks for care, when more of them pass the
limit than the grower's caution word allows, even if the main forecast does not. An ensemble never talks a
limit away that the main forecast passes.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from typing import cast

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at
from advisor.advice.model import CheckVerdict
from advisor.advice.work_case import EXPOSED, FORECAST, WorkCase, place_of
from advisor.units import Number

__all__ = ["Runs", "member_hours", "reduced_runs", "runs_beyond"]

FloatArray = NDArray[np.float64]
_HOUR_S = 3600


@dataclass(frozen=True, slots=True)
class Runs:
    """How many of the runs pass a limit: ``count`` of ``known`` pass ``limit``, and the verdict of it."""

    verdict: CheckVerdict
    count: int
    known: int
    limit: float


def member_hours(case: WorkCase, variable: str, from_utc: datetime, until_utc: datetime) -> FloatArray | None:
    """Return the hours of ``variable`` at this tree that overlap [from, until), shape (members, hours).

    None without members, or where they reach no hour of the span. Fewer hours than the span has where they
    end before it does.
    """
    key = ("member_hours", variable, case.stands(variable), from_utc, until_utc)
    return case.situation.once(key, lambda: _member_hours(case, variable, from_utc, until_utc))


def _member_hours(
    case: WorkCase, variable: str, from_utc: datetime, until_utc: datetime
) -> FloatArray | None:
    found = _series(case, variable)
    if found is None:
        return None
    start_utc, values = found
    origin = int(start_utc.astype("datetime64[s]").astype(np.int64))
    first = (int(from_utc.timestamp()) - origin) // _HOUR_S
    last = -((origin - int(until_utc.timestamp())) // _HOUR_S)
    hours = values[:, max(first, 0) : max(last, 0)]
    return hours if first >= 0 and hours.size and bool(np.isfinite(hours).any()) else None


def _series(case: WorkCase, variable: str) -> tuple[np.datetime64, FloatArray] | None:
    """Start and values (members, hours) of a variable, at the tree where it has one of its own."""
    if variable in FORECAST:
        return _of_weather(case, variable)
    members, tree_id = case.situation.members, case.state.tree.id
    if members is None or not members.start_utc.size or variable not in EXPOSED:
        return None
    values = cast("FloatArray", getattr(members, EXPOSED[variable]))
    if values.ndim == 2:  # of the garden: member and hour
        return members.start_utc[0], values
    return (members.start_utc[0], values[:, members.row(tree_id)]) if tree_id in members.tree_ids else None


def _of_weather(case: WorkCase, variable: str) -> tuple[np.datetime64, FloatArray] | None:
    weather, place = case.situation.weather, place_of(case.situation, case.state)
    values = None if weather is None else weather.members.get(FORECAST[variable])
    covered = variable == "rain" and place is not None and place.rain == "covered"
    if weather is None or values is None or covered or not weather.hours:
        return None
    return weather.start_utc[0], values


def reduced_runs(
    case: WorkCase, variable: str, from_utc: datetime, until_utc: datetime, how: str
) -> FloatArray | None:
    """Return ``max``, ``min``, ``sum`` or ``mean`` of the span in each run, NaN where a run does not know.

    A sum or a mean wants every hour; an extreme of the hours covered is at least known.
    """
    key = ("reduced_runs", variable, case.stands(variable), from_utc, until_utc, how)

    def work() -> FloatArray | None:
        hours = member_hours(case, variable, from_utc, until_utc)
        if hours is None:
            return None
        if how in {"sum", "mean"}:
            wanted = round((until_utc - from_utc) / timedelta(hours=1))
            total = hours.sum(axis=1) if how == "sum" else hours.mean(axis=1)
            return total if hours.shape[1] >= wanted else None
        fill = -np.inf if how == "max" else np.inf
        known = np.where(np.isnan(hours), fill, hours)
        extreme = known.max(axis=1) if how == "max" else known.min(axis=1)
        return np.where(np.isfinite(extreme), extreme, np.nan)

    return case.situation.once(key, work)


def runs_beyond(case: WorkCase, values: FloatArray | None, number: Number, side: str) -> Runs | None:
    """Hold the value of each run against a limit and its range, and the shares against the caution word.

    None where no run knows, or so few pass that it does not matter. See ``work_case.band``.
    """
    if values is None:
        return None
    known = values[np.isfinite(values)]
    if not known.size:
        return None
    sign = 1.0 if side == "max" else -1.0
    outer = number.high if side == "max" else number.low
    act = act_at(case.situation)
    limits = ((number.value if outer is None else outer, "fail"), (number.value, "care"))
    for limit, verdict in limits:
        count = int((sign * known > sign * limit).sum())
        if count / known.size > act:
            return Runs(cast("CheckVerdict", verdict), count, int(known.size), limit)
    return None
