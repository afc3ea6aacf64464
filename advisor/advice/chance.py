"""How likely harm is, in numbers and in words, and from which chance on it is worth acting.

Acting pays when the chance of harm exceeds cost over loss. With ensemble members the chance is the
share of members with harm; without, the margin to the limit is held against the usual error of a
forecast of that lead time, taken as normal.
"""

from __future__ import annotations

from datetime import datetime
from math import erf, sqrt

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.garden.tables import Tables
from advisor.physics.missing import reduce_over

__all__ = ["act_at", "by_members", "by_spread", "chance_words", "gust_spread_share", "lead_days", "spread_k"]

FloatArray = NDArray[np.float64]

_ERF = np.vectorize(erf, otypes=[np.float64])


def act_at(situation: Situation) -> float:
    """Chance of harm from which a measure is advised, by the grower's caution word."""
    return situation.tables.limits.value(f"chance.{situation.caution}", "share")


def lead_days(situation: Situation, at_utc: datetime) -> float:
    """Days from now to an instant, never below zero."""
    return max((at_utc - situation.now_utc).total_seconds() / 86400.0, 0.0)


def spread_k(tables: Tables, lead_d: float) -> float:
    """Standard error of a temperature forecast [K], linear between days 1, 5 and 8.

    Source: config/physics.toml, spread.
    """
    get = tables.physics.value
    errors = [get(f"spread.sd_day{day}_k", "K") for day in (1, 5, 8)]
    return float(np.interp(lead_d, [1.0, 5.0, 8.0], errors))


def gust_spread_share(tables: Tables, lead_d: float) -> float:
    """Standard error of a gust forecast as a share of the gust. Source: config/physics.toml, spread."""
    get = tables.physics.value
    errors = [get(f"spread.gust_day{day}_share", "share") for day in (1, 5)]
    return float(np.interp(lead_d, [1.0, 5.0], errors))


def by_spread(margin: FloatArray, spread: FloatArray | float) -> FloatArray:
    """Chance that a margin with a normal error is above zero.

    Parameters
    ----------
    margin : float array, shape (...)
        Positive: the limit is passed. NaN stays NaN; minus infinity gives 0.
    spread : float array
        Standard error in the same unit, above zero.

    Returns
    -------
    float array, same shape, 0..1

    Source: normal distribution.
    """
    with np.errstate(invalid="ignore"):
        chance: FloatArray = 0.5 * (1.0 + _ERF(np.asarray(margin, dtype=np.float64) / spread / sqrt(2.0)))
    return chance


def by_members(margin: FloatArray, minimum_coverage: float) -> FloatArray:
    """Share of members whose margin is at or above zero, shape (M, ...) to (...).

    NaN where fewer members than ``minimum_coverage`` are known.
    """
    harm = np.where(np.isnan(margin), np.nan, (margin >= 0.0).astype(np.float64))
    return reduce_over(harm, "mean", axis=0, minimum_coverage=minimum_coverage).value


def chance_words(tables: Tables, chance: float | None, members: int = 0) -> str:
    """``likely: 3 in 4`` or, of an ensemble, ``likely: 38 of 50 runs``; ``cannot tell`` where unknown."""
    if chance is None or np.isnan(chance):
        return "cannot tell"
    limits = tables.limits
    words = {"almost_certain": "almost certain", "likely": "likely", "about_even": "about even"}
    words["possible"] = "possible"
    reached = [word for row, word in words.items() if chance >= limits.value(f"chance.{row}", "share")]
    word = reached[0] if reached else "unlikely"
    if members:
        return f"{word}: {round(chance * members)} of {members} runs"
    tenths = round(chance * 10)
    if tenths >= 10:
        return word
    return f"{word}: about {tenths} in 10" if tenths else f"{word}: less than 1 in 10"
