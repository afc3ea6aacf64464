"""The frost mail: cold nights that harm trees where they stand; consecutive nights are one event."""

from __future__ import annotations

from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.cold_shelter import carry_in
from advisor.advice.frost import Night, judge_night, lost_if_left
from advisor.advice.grouping import bench_order, names, say
from advisor.advice.hours import day_name, eve_of, local_at, local_day, this_hour
from advisor.advice.model import Advice, AlertEvent, Situation
from advisor.advice.places import is_confirmed
from advisor.weather.table import utc_of

__all__ = ["frost_alert"]

FloatArray = NDArray[np.float64]


def _cold_trees(situation: Situation, night: Night) -> list[str]:
    exposure = situation.exposure
    if exposure is None:
        return []
    return [
        tree
        for row, tree in enumerate(exposure.tree_ids)
        if night.danger[row]
        and not is_confirmed(situation, "frost", tree)
        and not is_confirmed(situation, "roots-cold", tree)
    ]


def frost_alert(situation: Situation, *, steps: bool = True) -> AlertEvent | None:
    """Cold nights ahead in which trees are harmed where they stand; consecutive nights are one event.

    Opens on the eve of the first night, from the hour in config on, so that it is out by 15:00.
    """
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None or not exposure.start_utc.size:
        return None
    here = eve_of(garden, situation.now_utc)
    over = local_at(garden, situation.day, limits.value("frost.over_h", "hour of day"))
    if here < situation.day and situation.now_utc >= over:
        here = situation.day
    look = round(limits.value("frost.look_d", "d"))
    first: date | None = None
    for ahead in range(look + 1):
        night = judge_night(situation, here + timedelta(days=ahead), this_hour(situation))
        if _cold_trees(situation, night):
            first = night.eve
            break
    if first is None:
        return None
    nights = [judge_night(situation, first, this_hour(situation))]
    while len(nights) < exposure.start_utc.size // 24:
        night = judge_night(situation, nights[-1].eve + timedelta(days=1))
        if not _cold_trees(situation, night):
            break
        nights.append(night)
    begun = first
    earliest = local_day(garden, utc_of(exposure.start_utc[0]))
    while begun > earliest and _cold_trees(situation, judge_night(situation, begun - timedelta(days=1))):
        begun -= timedelta(days=1)
    trees = bench_order(situation, [tree for night in nights for tree in _cold_trees(situation, night)])
    spared = bench_order(situation, set(situation.states) - set(trees))
    rows = [exposure.row(tree) for tree in trees]
    coldest = min(nights, key=lambda night: float(np.nanmin(night.bench_min_c[rows], initial=np.inf)))
    lowest = float(np.nanmin(coldest.bench_min_c[rows], initial=np.inf))
    tell = local_at(garden, first, limits.value("frost.tell_h", "hour of day"))
    carried = carry_in(situation, _worst_of(nights), trees) if steps else ()
    count = f"{len(nights)} nights on end" if len(nights) > 1 else "one night"
    return AlertEvent(
        hazard="frost",
        first_day=begun,
        last_day=nights[-1].eve,
        trees=trees,
        spared=spared,
        headline=(
            f"Frost {_night_name(situation, first)}: down to {say(situation, lowest, 'degC')} "
            f"on the bench, {count}; shelter {names(situation, trees)}"
        ),
        advice=tuple(_as_alert(piece) for piece in carried),
        chance=max(night.chance(row) for night in nights for row in rows),
        may_break_quiet_hours=any(
            lost_if_left(situation, night, row) for night in nights[:1] for row in rows
        ),
        expires_utc=nights[-1].until_utc,
        send_from_utc=max(situation.now_utc, tell),
    )


def _night_name(situation: Situation, eve: date) -> str:
    """``tonight``, or the night of a named day."""
    return "tonight" if eve == situation.day else f"in the night after {day_name(situation, eve)}"


def _worst_of(nights: list[Night]) -> Night:
    """The first night's time with the worst chance and margin of all nights, tree by tree."""
    first = nights[0]
    if len(nights) == 1:
        return first
    pick = np.argmax(
        np.array(
            [
                np.fmax(
                    np.nan_to_num(n.shoot_margin_k, nan=-np.inf), np.nan_to_num(n.root_margin_k, nan=-np.inf)
                )
                for n in nights
            ]
        ),
        axis=0,
    )
    rows = np.arange(pick.size)

    def of(values: list[FloatArray]) -> FloatArray:
        chosen: FloatArray = np.array(values)[pick, rows]
        return chosen

    return Night(
        first.eve,
        first.from_utc,
        nights[-1].until_utc,
        of([night.bench_min_c for night in nights]),
        of([night.root_min_c for night in nights]),
        tuple(nights[choice].coldest_utc[row] for row, choice in enumerate(pick)),
        of([night.shoot_margin_k for night in nights]),
        of([night.root_margin_k for night in nights]),
        of([night.shoot_chance for night in nights]),
        of([night.root_chance for night in nights]),
        np.logical_or.reduce([night.danger for night in nights]),
        np.logical_or.reduce([night.unknown for night in nights]),
    )


def _as_alert(piece: Advice) -> Advice:
    return Advice(
        piece.id.replace("shelter-", "alert-", 1),
        "alert",
        piece.urgency,
        piece.trees,
        piece.do,
        piece.from_utc,
        piece.until_utc,
        piece.reasons,
        piece.amount,
        piece.chance,
        piece.sure,
        piece.changes_if,
        piece.hazard,
        piece.must,
    )
