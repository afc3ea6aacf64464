"""Verification of yes-or-no warnings: contingency table, scores, economic value, Brier score, runs of days.

The terms are those of the field: hits, misses, false alarms and correct negatives; probability of detection,
false alarm ratio, frequency bias; relative value for a cost-loss ratio. A day that is unknown on either side
is left out and counted.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float, reduce_over

__all__ = ["Brier", "Contingency", "brier_score", "contingency", "relative_value", "runs_of"]


def _ratio(part: float, whole: float) -> float:
    return part / whole if whole else float("nan")


@dataclass(frozen=True, slots=True)
class Contingency:
    """Counts of warned and happened; scores are NaN where their denominator is nought.

    ``unknown`` counts what was left out, because warning or outcome is missing. Tables add up.

    Source: Wilks 2011, Statistical Methods in the Atmospheric Sciences, section 8.2. Checked:
    tests/weather/test_verification.py (Finley 1884).
    """

    hits: int
    misses: int
    false_alarms: int
    correct_negatives: int
    unknown: int = 0

    def __add__(self, other: Contingency) -> Contingency:
        return Contingency(
            self.hits + other.hits,
            self.misses + other.misses,
            self.false_alarms + other.false_alarms,
            self.correct_negatives + other.correct_negatives,
            self.unknown + other.unknown,
        )

    @property
    def known(self) -> int:
        """Days judged."""
        return self.hits + self.misses + self.false_alarms + self.correct_negatives

    @property
    def happened(self) -> int:
        """Days on which it happened."""
        return self.hits + self.misses

    @property
    def base_rate(self) -> float:
        """Share of the days on which it happened."""
        return _ratio(self.happened, self.known)

    @property
    def proportion_correct(self) -> float:
        """Share of days that came as said; flattering where events are rare."""
        return _ratio(self.hits + self.correct_negatives, self.known)

    @property
    def probability_of_detection(self) -> float:
        """POD, hit rate: share of what happened that was warned of."""
        return _ratio(self.hits, self.happened)

    @property
    def false_alarm_ratio(self) -> float:
        """FAR: share of the warnings after which nothing happened."""
        return _ratio(self.false_alarms, self.hits + self.false_alarms)

    @property
    def false_alarm_rate(self) -> float:
        """POFD: share of the quiet days on which a warning was given."""
        return _ratio(self.false_alarms, self.false_alarms + self.correct_negatives)

    @property
    def frequency_bias(self) -> float:
        """Warnings given over events happened: above one warns too often."""
        return _ratio(self.hits + self.false_alarms, self.happened)

    @property
    def critical_success_index(self) -> float:
        """CSI, threat score: hits over hits, misses and false alarms."""
        return _ratio(self.hits, self.hits + self.misses + self.false_alarms)

    @property
    def peirce_skill_score(self) -> float:
        """Probability of detection less false alarm rate; the highest relative value there can be."""
        return self.probability_of_detection - self.false_alarm_rate

    @property
    def heidke_skill_score(self) -> float:
        """HSS: share correct beyond chance."""
        a, b, c, d = self.hits, self.false_alarms, self.misses, self.correct_negatives
        return _ratio(2.0 * (a * d - b * c), (a + c) * (c + d) + (a + b) * (b + d))


def contingency(warned: ArrayLike, happened: ArrayLike) -> Contingency:
    """Count a yes-or-no warning against what happened.

    Parameters
    ----------
    warned, happened : float array, any shape, broadcast
        0 no, NaN unknown, anything else yes.

    Raises
    ------
    ValueError
        Shapes cannot be broadcast.

    Source: definition. Checked: tests/weather/test_verification.py.
    """
    said, came = np.broadcast_arrays(as_float(warned), as_float(happened))
    known = ~(np.isnan(said) | np.isnan(came))
    yes, event = (said != 0.0) & known, (came != 0.0) & known
    return Contingency(
        hits=int((yes & event).sum()),
        misses=int((~yes & event).sum()),
        false_alarms=int((yes & ~event).sum()),
        correct_negatives=int((known & ~yes & ~event).sum()),
        unknown=int((~known).sum()),
    )


def relative_value(table: Contingency, cost_loss_ratio: ArrayLike) -> FloatArray:
    """Economic value of the warnings to somebody for whom protecting costs a share of the loss.

    One is a perfect forecast; nought is the cheaper of protecting always and never; below nought the warnings
    cost more than that.

    Parameters
    ----------
    table : Contingency
    cost_loss_ratio : float array, shape (...)
        Cost of protecting over loss prevented, above 0 and below 1; NaN stays NaN.

    Returns
    -------
    float array, same shape
        NaN where nothing, or only events, happened: there is nothing to be gained then. NaN outside 0..1.

    Source: Richardson 2000, Quarterly Journal of the Royal Meteorological Society 126:649; Wilks 2001,
    Meteorological Applications 8:209. Checked: tests/weather/test_verification.py.
    """
    ratio = as_float(cost_loss_ratio)
    happened = table.base_rate
    with np.errstate(invalid="ignore", divide="ignore"):
        inside = (ratio > 0.0) & (ratio < 1.0)
        climate = np.minimum(ratio, happened)
        perfect = happened * ratio
        expense = _ratio(table.hits + table.false_alarms, table.known) * ratio + _ratio(
            table.misses, table.known
        )
        gain = climate - perfect
        found = np.where(gain > 0.0, (climate - expense) / np.where(gain > 0.0, gain, 1.0), np.nan)
    return as_float(np.where(inside, found, np.nan))


@dataclass(frozen=True, slots=True)
class Brier:
    """Brier score: mean square of chance less outcome, 0 is best; NaN where no day is known."""

    score: float
    days: int
    left_out: int


def brier_score(chance: ArrayLike, happened: ArrayLike) -> Brier:
    """Score chances against what happened.

    Parameters
    ----------
    chance : float array, any shape
        0..1; NaN where none was given.
    happened : float array, broadcast
        0 no, NaN unknown, anything else yes.

    Raises
    ------
    ValueError
        A chance is outside 0..1; shapes cannot be broadcast.

    Source: Brier 1950, Monthly Weather Review 78:1. Checked: tests/weather/test_verification.py.
    """
    given, came = np.broadcast_arrays(as_float(chance), as_float(happened))
    if ((given < 0.0) | (given > 1.0)).any():
        raise ValueError("a chance lies between 0 and 1")
    error = (given - np.where(np.isnan(came), np.nan, came != 0.0)) ** 2
    days = int((~np.isnan(error)).sum())
    score = (
        float(reduce_over(error.ravel(), "mean", minimum_coverage=0.0).value) if error.size else float("nan")
    )
    return Brier(score, days, int(error.size - days))


def runs_of(flags: ArrayLike) -> tuple[tuple[int, int], ...]:
    """First and last row of each unbroken run of true days.

    Parameters
    ----------
    flags : float array, shape (D,)
        0 is false, NaN unknown, anything else true. An unknown day ends a run.

    Source: definition. Checked: tests/weather/test_verification.py.
    """
    values = as_float(flags)
    true = (values != 0.0) & ~np.isnan(values)
    edges = np.flatnonzero(np.diff(np.concatenate([[False], true, [False]]).astype(np.int8)))
    return tuple((int(first), int(last) - 1) for first, last in edges.reshape(-1, 2))
