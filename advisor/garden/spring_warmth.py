"""Warmth that buds and leaves of a species have met and want: winter's cold saves warmth in spring.

Source of the numbers: config/phenology.toml, [chill] and [spring]; traits: config/species.toml.
"""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np

from advisor.garden.model import Garden
from advisor.garden.seasons import season_start
from advisor.garden.state_model import Stage
from advisor.garden.tables import SpeciesGroup
from advisor.garden.warmth import Warmth
from advisor.physics.missing import FloatArray, covered
from advisor.units import NumberTable

__all__ = ["SpringWarmth", "chilled_sum", "filled"]


def filled(daily: FloatArray, coverage: float) -> FloatArray | None:
    """Fill missing days from their neighbours; None where less than ``coverage`` of them is known."""
    if not covered(daily, coverage):
        return None
    known = np.flatnonzero(~np.isnan(daily))
    return np.asarray(np.interp(np.arange(daily.size), known, daily[known]), dtype=np.float64)


def chilled_sum(
    leaf_out_gdd5: float, chill_need_d: float, cold_d: FloatArray, numbers: NumberTable
) -> FloatArray:
    """Degree days to leaf-out after so many cold days.

    Parameters
    ----------
    leaf_out_gdd5 : float
        The sum after ``chill_need_d`` cold days [K d].
    chill_need_d : float
    cold_d : float array
        Cold days met.
    numbers : NumberTable
        config/phenology.toml.

    Returns
    -------
    float array, same shape
        [K d]; more than ``leaf_out_gdd5`` where cold was short, less after a long winter.

    Source: form of Murray, Cannell and Smith 1989, T = a + b exp(r C). Checked:
    tests/garden/test_observed_seasons.py, tests/garden/test_stage_where_it_stands.py.
    """
    free = numbers.value("chill.free_share", "share")
    saved = np.exp(-numbers.value("chill.rate", "1/d") * (cold_d - chill_need_d))
    return np.asarray(leaf_out_gdd5 * (free + (1.0 - free) * saved), dtype=np.float64)


class SpringWarmth:
    """Degree days and cold days at the places of one tree, against what its species wants."""

    def __init__(
        self, group: SpeciesGroup, garden: Garden, warmth: Warmth | None, numbers: NumberTable
    ) -> None:
        self._garden = garden
        self._warmth = warmth
        self._numbers = numbers
        self.leaf_out = group.trait("leaf_out_gdd5", "K d")
        """Degree days over 5 degC to leaf-out after full chilling; None: unknown."""
        self._chill_need = group.trait("chill_need_d", "d")
        hard = group.trait("leaves_hard_gdd5", "K d")
        self._hard = hard if hard is not None else numbers.value("spring.hard_gdd5", "K d")

    def met(self, first: date, day: date) -> FloatArray | None:
        """Running degree days from ``first`` to the day before ``day``; None below the wanted coverage."""
        if self._warmth is None:
            return None
        if day <= first:
            return np.empty(0)
        daily = self._warmth.between("degree_days_5", first, day - timedelta(days=1))
        wanted = self._numbers.value("unlogged.coverage", "share")
        if not covered(daily, wanted):
            return None
        return np.cumsum(np.where(np.isnan(daily), 0.0, daily))

    def cold_days(self, first: date, day: date) -> FloatArray | None:
        """Days at or below 5 degC met before each day after ``first``, up to ``day``.

        The count begins in the autumn before the season of ``first``; buds that move a little before the
        season belong to it. None where the species' need or too many of the days are unknown: the need
        then counts as met.

        Source: Murray, Cannell and Smith 1989 (from 1 November).
        """
        if self._warmth is None or self._chill_need is None or day <= first:
            return None
        number = self._numbers.value
        season = season_start(first + timedelta(days=number("sighting.early_d", "d")), self._garden.southern)
        autumn = season - timedelta(days=number("chill.before_season_d", "d"))
        daily = filled(
            self._warmth.between("chill_days", autumn, day - timedelta(days=1)),
            number("unlogged.coverage", "share"),
        )
        return None if daily is None else np.cumsum(daily)[(first - autumn).days :]

    def to_leaf_out(self, first: date, day: date) -> FloatArray:
        """Degree days that leaf-out wants on each day after ``first``, up to ``day``."""
        leaf_out = self.leaf_out if self.leaf_out is not None else float("nan")
        cold = self.cold_days(first, day)
        if cold is None or self._chill_need is None:
            return np.full(max((day - first).days, 0), leaf_out)
        return chilled_sum(leaf_out, self._chill_need, cold, self._numbers)

    def wanted(self, leaf_out: FloatArray, stage: Stage) -> FloatArray:
        """Degree days from the start of the season at which a stage of spring is reached."""
        if stage is Stage.DORMANT:
            return np.zeros_like(leaf_out)
        if stage in {Stage.BUD_SWELL, Stage.BUD_BREAK}:
            return leaf_out * self._numbers.value(f"spring.{stage.label.replace(' ', '_')}_share", "share")
        return leaf_out + self.after_leaf_out(1.0, stage)

    def after_leaf_out(self, ratio: float, stage: Stage) -> float:
        """Degree days after leaf-out; without the species' own sum, so that it works when unknown."""
        steps = {Stage.SHOOTS_EXTENDING: self._numbers.value("spring.extending_gdd5", "K d")}
        steps[Stage.LEAVES_HARD] = self._hard
        return ratio * steps.get(stage, 0.0)

    def short_of_cold(self, day: date) -> str:
        """Say how far a mild winter fell short of the need; empty where it did not, or nobody knows."""
        cold = self.cold_days(day - timedelta(days=1), day)
        if cold is None or self._chill_need is None or cold[-1] >= self._chill_need:
            return ""
        return f"after only {cold[-1]:.0f} of {self._chill_need:.0f} cold days"
