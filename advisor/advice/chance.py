"""How likely harm is, in numbers and in words, and from which chance on it is worth acting.

Acting pays when the chance of harm exceeds cost over loss. With ensemble members the chance is the
share of members with harm; without, the margin to the limit is held against the error of a forecast
of that lead time, taken as normal: learned here where enough days are known, else the usual one.
"""

from __future__ import annotations

from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.garden.tables import Tables
from advisor.physics.missing import reduce_over
from advisor.weather.forecast_error import learned_gust_share, learned_temperature_k
from advisor.weather.spread import chance_above

__all__ = ["act_at", "by_members", "by_spread", "chance_words", "gust_spread_share", "spread_k"]

FloatArray = NDArray[np.float64]


def act_at(situation: Situation) -> float:
    """Chance of harm from which a measure is advised, by the grower's caution word."""
    return situation.tables.limits.value(f"chance.{situation.caution}", "share")


def _lead_h(situation: Situation, at_utc: datetime) -> float:
    """Hours from now to an instant, never below zero; a learned error counts from the fetching."""
    ahead = max((at_utc - situation.now_utc).total_seconds() / 3600.0, 0.0)
    if situation.forecast_error is None:
        return ahead
    return ahead + max(situation.weather_age_h or 0.0, 0.0)


def spread_k(situation: Situation, at_utc: datetime) -> float:
    """Standard error of the temperature forecast for an instant [K].

    Source: learned of this garden (``weather.forecast_error``), else config/physics.toml, spread.
    """
    hour = at_utc.astimezone(situation.holdings.garden.zone).hour
    numbers = situation.tables.physics
    return learned_temperature_k(situation.forecast_error, _lead_h(situation, at_utc), hour, numbers)


def gust_spread_share(situation: Situation, at_utc: datetime) -> float:
    """Standard error of the gust forecast for an instant, as a share of the gust; see ``spread_k``."""
    return learned_gust_share(situation.forecast_error, _lead_h(situation, at_utc), situation.tables.physics)


def by_spread(margin: FloatArray, spread: FloatArray | float) -> FloatArray:
    """Chance that a margin with a normal error of standard deviation ``spread`` is at or above zero.

    Positive margin: the limit is passed. NaN stays NaN; minus infinity gives 0. See
    ``weather.spread.chance_above``.
    """
    return chance_above(margin, 0.0, spread)


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
