"""How likely a limit of a check is passed although the forecast keeps it, where no ensemble tells.

The error of a forecast of that lead time, learned here or the usual one, gives the chance. It asks for care
where that is more than the grower's caution word allows and never forbids: it knows nothing of this weather.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from statistics import NormalDist

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_spread, gust_spread_shares, spreads_k
from advisor.advice.model import Situation
from advisor.advice.work_case import Hours, WorkCase
from advisor.weather.table import utc_of

__all__ = ["Near", "near_limit"]

FloatArray = NDArray[np.float64]

_OF_VALUE: Mapping[str, bool] = {"bench-air": False, "gust": True}
"""Variables whose error is known, and whether it is a share of the value."""


@dataclass(frozen=True, slots=True)
class Near:
    """The hour that most likely passes the limit: its chance, value and beginning."""

    chance: float
    value: float
    at_utc: datetime


def near_limit(case: WorkCase, hours: Hours, limit: float, side: str) -> Near | None:
    """Return the hour to come that most likely passes ``limit``, where that asks for care.

    ``side`` is ``max`` or ``min``. None with an ensemble, for variables without a known error, and where
    the chance is within what the caution word allows. Each hour is held by itself, so that worse weather
    in any hour can only raise the chance.
    """
    variable = str(case.row.options["variable"])
    if case.situation.members is not None or variable not in _OF_VALUE or not hours.values.size:
        return None
    widths = _widths(case.situation, variable)
    exposure = case.situation.exposure
    if widths is None or exposure is None:
        return None
    first = round((hours.first_utc - utc_of(exposure.start_utc[0])) / timedelta(hours=1))
    spread = widths[max(first, 0) : max(first, 0) + hours.values.size]
    if spread.size != hours.values.size:
        return None
    if _OF_VALUE[variable]:
        spread = spread * hours.values
    margin = hours.values - limit if side == "max" else limit - hours.values
    ahead = np.isfinite(margin) & (spread > 0.0)
    if not (margin[ahead] > _least_asked(case.situation) * spread[ahead]).any():
        return None
    chances = by_spread(np.where(ahead, margin, -np.inf), np.where(ahead, spread, 1.0))
    row = int(np.argmax(chances))
    chance = float(chances[row])
    if not ahead[row] or chance <= act_at(case.situation):
        return None
    return Near(chance, float(hours.values[row]), hours.first_utc + timedelta(hours=row))


def _least_asked(situation: Situation) -> float:
    """Return a margin, in standard errors, below which no chance asks for care; most hours stay below it."""
    far = 1e-6  # so that rounding leaves what is near the chance itself to the chance
    return situation.once("least_asked", lambda: NormalDist().inv_cdf(act_at(situation)) - far)


def _widths(situation: Situation, variable: str) -> FloatArray | None:
    """Standard error of each hour of the exposure, 0 for what is past."""
    return situation.once(("work_spread", variable), lambda: _worked_out(situation, variable))


def _worked_out(situation: Situation, variable: str) -> FloatArray | None:
    if situation.exposure is None:
        return None
    of = gust_spread_shares if _OF_VALUE[variable] else spreads_k
    starts = situation.exposure.start_utc.astype("datetime64[us]")
    now = np.datetime64(situation.now_utc.astimezone(UTC).replace(tzinfo=None), "us")
    widths = np.zeros(starts.size)
    widths[starts >= now] = of(situation, starts[starts >= now])
    return widths
