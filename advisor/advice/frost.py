"""Frost on shoots and cold in the pot, night by night: a night runs from local noon to the next."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime

import numpy as np
from numpy.typing import NDArray

from advisor.advice.chance import act_at, by_members, by_spread, spread_k
from advisor.advice.hours import hours_at, night_span, window
from advisor.advice.model import Reason, Situation
from advisor.exposure.model import Exposure
from advisor.garden.state_model import Need, TreeState
from advisor.physics.missing import reduce_over

__all__ = ["Night", "frost_reasons", "judge_night", "lost_if_left"]

FloatArray = NDArray[np.float64]
BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class Night:
    """One night; arrays over the trees of the exposure.

    Attributes
    ----------
    eve : the local day on which it begins.
    bench_min_c, root_min_c : coldest hour; NaN below the wanted coverage.
    coldest_utc : hour of the lowest bench temperature.
    shoot_margin_k, root_margin_k : below the limit [K]; minus infinity where nothing asks, NaN unknown.
    shoot_chance, root_chance : 0..1; NaN unknown.
    danger : either chance at or above the grower's threshold.
    unknown : a limit holds, but the night cannot be told.
    """

    eve: date
    from_utc: datetime
    until_utc: datetime
    bench_min_c: FloatArray
    root_min_c: FloatArray
    coldest_utc: tuple[datetime | None, ...]
    shoot_margin_k: FloatArray
    root_margin_k: FloatArray
    shoot_chance: FloatArray
    root_chance: FloatArray
    danger: BoolArray
    unknown: BoolArray

    def chance(self, row: int) -> float:
        """Return the greater of the two chances of one tree."""
        return float(np.nanmax([self.shoot_chance[row], self.root_chance[row], 0.0]))

    def margin_k(self, row: int) -> float:
        """How far one tree is below the limit that it passes most."""
        return float(np.nanmax([self.shoot_margin_k[row], self.root_margin_k[row], -np.inf]))

    def by_roots(self, row: int) -> bool:
        """Return True where the pot is the sharper hazard."""
        return bool(np.nan_to_num(self.root_chance[row]) > np.nan_to_num(self.shoot_chance[row]))


def _limit(need: Need | None) -> float:
    return -np.inf if need is None else need.value


def _lowest(
    exposure: Exposure, span: tuple[datetime, datetime], coverage: float
) -> tuple[FloatArray, FloatArray]:
    bench = reduce_over(
        window(exposure.start_utc, exposure.bench_temperature_c, *span), "min", minimum_coverage=coverage
    ).value
    core = window(exposure.start_utc, exposure.pot_core_c, *span)
    shaded = window(exposure.start_utc, exposure.pot_rim_shaded_c, *span)
    root = reduce_over(np.minimum(core, shaded), "min", minimum_coverage=coverage).value
    return bench, root


def judge_night(situation: Situation, eve: date, from_utc: datetime | None = None) -> Night:
    """Judge the night after ``eve`` for every tree of the exposure.

    Growers' limits are held against bench air, root limits against the colder of ball and shaded rim.

    Parameters
    ----------
    situation : Situation
        With an exposure.
    eve : date
        Local day on which the night begins.
    from_utc : datetime, optional
        Only hours from here on.

    Raises
    ------
    ValueError
        The situation has no exposure.

    Source: limits by species, stage and flag (common practice, Havis 1976); spread of the forecast from
    config/physics.toml. Checked: tests/advice/test_rule_cases.py.
    """
    exposure = situation.exposure
    if exposure is None:
        raise ValueError("frost needs an exposure; there is no weather")
    asked = ("judge_night", eve, from_utc)
    return situation.once(asked, lambda: _judge_night(situation, exposure, eve, from_utc))


def _judge_night(situation: Situation, exposure: Exposure, eve: date, from_utc: datetime | None) -> Night:
    limits = situation.tables.limits
    begin, end = night_span(situation.holdings.garden, eve)
    span = (begin if from_utc is None else min(max(begin, from_utc), end), end)
    coverage = limits.value("chance.coverage_share", "share")
    states = [situation.states[tree] for tree in exposure.tree_ids]
    shoot = np.array([_limit(state.needs.frost_limit_c) for state in states])
    roots = np.array([_limit(state.needs.root_limit_c) for state in states])
    bench_min, root_min = _lowest(exposure, span, coverage)
    shoot_margin = _below(shoot, bench_min)
    root_margin = _below(roots, root_min)
    middle = span[0] + (span[1] - span[0]) / 2
    spread = spread_k(situation, middle)
    root_spread = spread * limits.value("frost.root_spread", "1")
    if end <= situation.now_utc:
        shoot_chance, root_chance = _certain(shoot_margin), _certain(root_margin)
    else:
        shoot_chance, root_chance = by_spread(shoot_margin, spread), by_spread(root_margin, root_spread)
        if situation.members is not None:
            member_bench, member_root = _lowest(situation.members, span, coverage)
            of_shoot = by_members(_below(shoot, member_bench), coverage)
            of_root = by_members(_below(roots, member_root), coverage)
            shoot_chance = np.where(np.isnan(of_shoot) | np.isnan(shoot_chance), shoot_chance, of_shoot)
            root_chance = np.where(np.isnan(of_root) | np.isnan(root_chance), root_chance, of_root)
    act = act_at(situation)
    with np.errstate(invalid="ignore"):
        danger = (shoot_chance >= act) | (root_chance >= act)
    unknown = (np.isfinite(shoot) & np.isnan(shoot_margin)) | (np.isfinite(roots) & np.isnan(root_margin))
    bench = window(exposure.start_utc, exposure.bench_temperature_c, *span)
    known = ~np.isnan(bench)
    coldest = np.where(known, bench, np.inf).argmin(axis=-1)
    return Night(
        eve,
        span[0],
        span[1],
        bench_min,
        root_min,
        hours_at(exposure.start_utc, span[0], coldest, np.asarray(known.any(axis=-1))),
        shoot_margin,
        root_margin,
        shoot_chance,
        root_chance,
        danger,
        unknown,
    )


def _below(limit: FloatArray, lowest: FloatArray) -> FloatArray:
    """How far ``lowest`` lies below each tree's limit; minus infinity where nothing asks."""
    none = np.isinf(limit)
    found: FloatArray = np.where(none, -np.inf, np.where(none, 0.0, limit) - lowest)
    return found


def _certain(margin: FloatArray) -> FloatArray:
    return np.where(np.isnan(margin), np.nan, (margin >= 0.0).astype(np.float64))


def lost_if_left(situation: Situation, night: Night, row: int) -> bool:
    """Return True where a tree, not only leaves, would be lost: then quiet hours give way.

    Roots at their killing temperature; open leaves at the LT50 of emerging leaves; a bare or freshly
    flushed tree below the mark in config.
    """
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None or not night.danger[row]:
        return False
    state = situation.states[exposure.tree_ids[row]]
    kill = state.group.trait("root_kill_c", "degC")
    if kill is not None and night.root_min_c[row] <= kill:
        return True
    if state.needs.frost_limit_c is None:
        return False
    bench = float(night.bench_min_c[row])
    tender = any({"bare", "tender"} & flag.rule.keeps for flag in state.flags)
    if tender and bench <= limits.value("frost.tender_lost_c", "degC"):
        return True
    return _open_leaves(state) and bench <= limits.value("frost.leaf_lt50_c", "degC")


def _open_leaves(state: TreeState) -> bool:
    return state.stage.stage.tender


def frost_reasons(situation: Situation, night: Night, row: int) -> tuple[Reason, ...]:
    """Say why one tree is in danger in a night: the sharper limit first."""
    exposure = situation.exposure
    if exposure is None:
        return ()
    needs, at = situation.states[exposure.tree_ids[row]].needs, night.coldest_utc[row]
    reasons = []
    if needs.frost_limit_c is not None and night.shoot_margin_k[row] > -np.inf:
        need = needs.frost_limit_c
        reasons.append(
            Reason(
                "bench temperature",
                _plain(night.bench_min_c[row]),
                "degC",
                need.value,
                at,
                need.set_by,
                need.source,
            )
        )
    if needs.root_limit_c is not None:
        need = needs.root_limit_c
        reasons.append(
            Reason(
                "temperature in the pot",
                _plain(night.root_min_c[row]),
                "degC",
                need.value,
                at,
                need.set_by,
                need.source,
            )
        )
    return tuple(reversed(reasons)) if night.by_roots(row) else tuple(reasons)


def _plain(value: np.float64) -> float | None:
    return None if np.isnan(value) else float(value)
