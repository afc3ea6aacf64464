"""How likely harm is, in numbers and in words, and from which chance on it is worth acting.

Acting pays when the chance of harm exceeds cost over loss. With ensemble members the chance is the
share of members with harm; without, the margin to the limit is held against the error of a forecast
of that lead time, taken as normal: learned here where enough days are known, else the usual one.
"""

from __future__ import annotations

from datetime import UTC, datetime

import numpy as np
from numpy.typing import NDArray

from advisor.advice.model import Situation
from advisor.garden.tables import Tables
from advisor.physics.missing import reduce_over
from advisor.weather.forecast_error import learned_gust_share, learned_temperature_k
from advisor.weather.spread import chance_above
from advisor.weather.table import utc_of

__all__ = [
    "act_at",
    "by_members",
    "by_spread",
    "chance_words",
    "gust_spread_share",
    "gust_spread_shares",
    "spread_k",
    "spreads_k",
]

FloatArray = NDArray[np.float64]
TimeArray = NDArray[np.datetime64]


def act_at(situation: Situation) -> float:
    """Chance of harm from which a measure is advised, by the grower's caution word."""
    return situation.tables.limits.value(f"chance.{situation.caution}", "share")


def spread_k(situation: Situation, at_utc: datetime) -> float:
    """Standard error of the temperature forecast for an instant [K].

    Source: learned of this garden (``weather.forecast_error``), else config/physics.toml, spread.
    """
    asked = ("spread_k", at_utc)
    return situation.once(asked, lambda: float(spreads_k(situation, _stamps(at_utc))[0]))


def gust_spread_share(situation: Situation, at_utc: datetime) -> float:
    """Standard error of the gust forecast for an instant, as a share of the gust; see ``spread_k``."""
    asked = ("gust_spread_share", at_utc)
    return situation.once(asked, lambda: float(gust_spread_shares(situation, _stamps(at_utc))[0]))


def spreads_k(situation: Situation, at_utc: TimeArray) -> FloatArray:
    """Return ``spread_k`` of many instants, ``datetime64[us]``."""
    zone, learned = situation.holdings.garden.zone, situation.forecast_error
    hours = [utc_of(at).astimezone(zone).hour for at in at_utc] if learned is not None else [0] * at_utc.size
    return learned_temperature_k(learned, _leads_h(situation, at_utc), hours, situation.tables.physics)


def gust_spread_shares(situation: Situation, at_utc: TimeArray) -> FloatArray:
    """Return ``gust_spread_share`` of many instants, ``datetime64[us]``."""
    leads_h = _leads_h(situation, at_utc)
    return learned_gust_share(situation.forecast_error, leads_h, situation.tables.physics)


def _stamps(at_utc: datetime) -> TimeArray:
    return np.array([at_utc.astimezone(UTC).replace(tzinfo=None)], dtype="datetime64[us]")


def _leads_h(situation: Situation, at_utc: TimeArray) -> FloatArray:
    """Hours from now to the instants, never below zero; a learned error counts from the fetching."""
    ahead_us = (at_utc - _stamps(situation.now_utc)).astype(np.int64)
    ahead = np.maximum(ahead_us / 1e6 / 3600.0, 0.0)
    if situation.forecast_error is None:
        return ahead
    return ahead + max(situation.weather_age_h or 0.0, 0.0)


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
