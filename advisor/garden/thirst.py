"""How thirsty a tree is beside its size class, and what its pot holds for it, learned from weights.

Knowledge is a curve over the logarithm of a factor, carried from one weighing to the next: between them it
spreads back towards what the size class says, at a repotting by a large step, and each pair of weighings
draws it to its own reading. Readings have long tails, so that a wrong line moves the curve little.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from advisor.garden.weights import Doubt, Pair
from advisor.units import NumberTable

__all__ = ["Factor", "Thirst", "learn_demand", "learn_usable"]

FloatArray = NDArray[np.float64]
POINTS = 161
REACH = 5.0
"""The curve is kept over so many spreads of what is known beforehand, either way."""


@dataclass(frozen=True, slots=True)
class Factor:
    """A factor with its spread on the logarithm, and the number of readings it rests on."""

    value: float
    log_spread: float
    readings: int

    @property
    def spread(self) -> float:
        """One standard deviation of the factor itself."""
        return self.value * self.log_spread


@dataclass(frozen=True, slots=True)
class Thirst:
    """What weights say of one tree in its pot.

    Attributes
    ----------
    demand : use over that of the size class.
    usable : usable water over that of the mix.
    weighings : weights that ``demand`` rests on.
    doubtful : lines that do not fit, in words for the grower.
    wrong_lines : journal lines of weights that cannot be true.
    unused : why no weighings tell of ``demand``, in words; empty where some do.
    """

    demand: Factor
    usable: Factor
    weighings: int
    doubtful: tuple[str, ...] = ()
    wrong_lines: frozenset[int] = frozenset()
    unused: tuple[str, ...] = ()

    @property
    def words(self) -> str:
        """The learned thirst in words; empty where no pair of weights tells of it."""
        if not self.demand.readings:
            return ""
        return (
            f"drinks {self.demand.value:.1f} times what its size class would "
            f"(±{self.demand.spread:.1f}, from {self.weighings} weighings)"
        )


def _readings(grid: FloatArray, reading: float, spread: float, tails: float) -> FloatArray:
    """Likelihood along the grid: Student's t whose middle is as narrow as a normal curve of ``spread``."""
    scale2 = spread**2 * (tails + 1.0) / tails
    return np.asarray((1.0 + (reading - grid) ** 2 / (tails * scale2)) ** (-(tails + 1.0) / 2.0))


class _Curve:
    """What is known of a logarithm whose spread beforehand is ``spread`` around zero."""

    def __init__(self, spread: float) -> None:
        self.spread = spread
        self.grid = np.linspace(-REACH * spread, REACH * spread, POINTS)
        self.weight = self._normal(np.zeros(1), spread)[0]

    def _normal(self, middle: FloatArray, spread: float) -> FloatArray:
        curve = np.exp(-0.5 * ((self.grid[np.newaxis] - middle[:, np.newaxis]) / spread) ** 2)
        return np.asarray(curve / curve.sum(axis=1, keepdims=True))

    def forget(self, kept: float) -> None:
        """Go back towards what was known beforehand, ``kept`` of the distance left."""
        if kept < 1.0 - 1e-9:
            step = self._normal(kept * self.grid, self.spread * math.sqrt(1.0 - kept**2))
            self.weight = self.weight @ step

    def meet(self, likelihood: FloatArray) -> None:
        weight = self.weight * likelihood
        self.weight = weight / weight.sum()

    @property
    def mean(self) -> float:
        return float(self.weight @ self.grid)

    @property
    def log_spread(self) -> float:
        return float(math.sqrt(self.weight @ (self.grid - self.mean) ** 2))


def _kept(days: float, numbers: NumberTable) -> float:
    return math.exp(-max(days, 0.0) / numbers.value("thirst.memory_d", "d"))


def learn_demand(
    pairs: Sequence[Pair], repotted_utc: Sequence[datetime], now_utc: datetime, numbers: NumberTable
) -> tuple[Factor, tuple[Doubt, ...]]:
    """Learn the factor of use from pairs of weighings.

    Parameters
    ----------
    pairs : sequence of Pair
        In any order; those after ``now_utc`` do not count.
    repotted_utc : sequence of datetime
        At each, a part of what was learned is lost.
    now_utc : datetime
    numbers : NumberTable
        config/physics.toml, ``[thirst]``.

    Returns
    -------
    factor : Factor
        1 with the spread of the size class where there is no pair.
    doubtful : tuple of Doubt
        Pairs far from what the others say.

    Source: Bayes with a stationary autoregressive state and Student's t readings; spreads are estimates.
    Checked: tests/garden/test_thirst.py.
    """
    get = numbers.value
    curve = _Curve(get("thirst.demand_spread", "1"))
    tails, own = get("thirst.tails", "1"), get("thirst.pair_spread", "1")
    scale_l = get("thirst.scale_kg", "kg") / get("tipping.water_density_kg_l", "kg/l")
    counted = sorted((pair for pair in pairs if pair.until_utc <= now_utc), key=lambda pair: pair.until_utc)
    events: list[tuple[datetime, Pair | None]] = [(pair.until_utc, pair) for pair in counted]
    events += [(at, None) for at in repotted_utc if at <= now_utc]
    at: datetime | None = None
    read: list[tuple[Pair, float, float]] = []
    for when, pair in sorted(events, key=lambda event: event[0]):
        if at is not None:
            curve.forget(_kept((when - at).total_seconds() / 86400.0, numbers))
        at = when
        if pair is None:
            curve.forget(get("thirst.repot_kept_share", "share"))
            continue
        reading = math.log(pair.lost_l / pair.modelled_l)
        spread = math.hypot(own, math.sqrt(2.0) * scale_l / pair.lost_l)
        read.append((pair, reading, spread))
        curve.meet(_readings(curve.grid, reading, spread, tails))
    if at is not None:
        curve.forget(_kept((now_utc - at).total_seconds() / 86400.0, numbers))
    far = get("thirst.doubt_from", "1")
    doubtful = [
        Doubt(
            pair.until_utc,
            pair.lines[1],
            f"{pair.lost_l:.2g} l lost where about {pair.modelled_l * math.exp(curve.mean):.2g} l were to be "
            "expected",
        )
        for pair, reading, spread in read
        if len(read) > 1 and abs(reading - curve.mean) > far * math.hypot(spread, curve.log_spread)
    ]
    return Factor(math.exp(curve.mean), curve.log_spread, len(read)), tuple(doubtful)


def learn_usable(
    by_mix_l: float,
    wilted_at_l: Sequence[float],
    survived_l: Sequence[float],
    numbers: NumberTable,
    age_d: float = 0.0,
) -> Factor:
    """Learn the factor of usable water from what the pot had lost when the tree wilted, or without wilting.

    Parameters
    ----------
    by_mix_l : float
        Usable water by volume and mix.
    wilted_at_l, survived_l : sequence of float
        Lost since the pot was full: when the tree was seen wilted; and in weighings without that, which tell
        only that it holds at least so much.
    numbers : NumberTable
        config/physics.toml, ``[thirst]``.
    age_d : float
        Days since the newest of them.

    Returns
    -------
    Factor

    Source: as ``learn_demand``. Checked: tests/garden/test_thirst.py.
    """
    get = numbers.value
    curve = _Curve(get("thirst.usable_spread", "1"))
    tails, own = get("thirst.tails", "1"), get("thirst.wilt_spread", "1")
    wrong = get("thirst.wrong_line_share", "share")
    for lost in wilted_at_l:
        curve.meet(_readings(curve.grid, math.log(lost / by_mix_l), own, tails))
    for lost in survived_l:
        beyond = (curve.grid - math.log(lost / by_mix_l)) / (own * math.sqrt(2.0))
        holds = np.array([0.5 * (1.0 + math.erf(one)) for one in beyond])
        curve.meet(wrong + (1.0 - wrong) * holds)
    if wilted_at_l or survived_l:
        curve.forget(_kept(age_d, numbers))
    return Factor(math.exp(curve.mean), curve.log_spread, len(wilted_at_l) + len(survived_l))
