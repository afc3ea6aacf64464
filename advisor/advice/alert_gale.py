"""The mails before wind in which trees would fall or be torn, and before hail."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime, timedelta

import numpy as np

from advisor.advice.gale import Blow, fall_measure, judge_wind
from advisor.advice.grouping import bench_order, names, say
from advisor.advice.hail import hail_measure, hail_spell, hail_trees
from advisor.advice.hours import day_and_clock, day_span, local_day, this_hour
from advisor.advice.model import Advice, AlertEvent, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.weather.table import utc_of

__all__ = ["gale_alert", "hail_alert"]


def _blown(situation: Situation, blow: Blow) -> list[str]:
    exposure = situation.exposure
    if exposure is None:
        return []
    return [
        tree
        for row, tree in enumerate(exposure.tree_ids)
        if (blow.falls[row] or blow.torn[row]) and not is_confirmed(situation, "gale", tree)
    ]


def gale_alert(situation: Situation, *, steps: bool = True) -> AlertEvent | None:
    """A blow in which trees would fall or soft leaves be torn, within the hours of config."""
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None or not exposure.start_utc.size:
        return None
    now = this_hour(situation)
    blow = judge_wind(situation, now, now + timedelta(hours=limits.value("gale.look_h", "h")))
    trees = bench_order(situation, _blown(situation, blow))
    if not trees:
        return None
    hours = _blow_hours(situation, trees, now)
    begun, ends = hours
    rows = [exposure.row(tree) for tree in trees]
    gust = float(np.nanmax(blow.gust_m_s[rows]))
    return AlertEvent(
        hazard="gale",
        first_day=local_day(garden, begun),
        last_day=local_day(garden, ends - timedelta(hours=1)),
        trees=trees,
        spared=bench_order(situation, set(situation.states) - set(trees)),
        headline=(
            f"Gale from {day_and_clock(situation, max(begun, now))}: gusts of "
            f"{say(situation, gust, 'm/s')} at the bench; "
            f"secure {names(situation, trees)}"
        ),
        advice=_measures(situation, blow, trees) if steps else (),
        chance=float(np.nanmax(np.fmax(blow.fall_chance[rows], blow.tear_chance[rows]))),
        may_break_quiet_hours=False,
        expires_utc=ends,
        send_from_utc=situation.now_utc,
    )


def _measures(situation: Situation, blow: Blow, trees: Sequence[str]) -> tuple[Advice, ...]:
    exposure = situation.exposure
    assert exposure is not None  # noqa: S101 - the caller holds an exposure
    falling = [tree for tree in trees if blow.falls[exposure.row(tree)]]
    torn = [tree for tree in trees if tree not in falling]
    pieces = []
    if falling:
        pieces.append(fall_measure(situation, blow, falling, "alert"))
    if torn:
        pieces.append(_torn_measure(situation, blow, torn))
    return tuple(pieces)


def _blow_hours(situation: Situation, trees: tuple[str, ...], now: datetime) -> tuple[datetime, datetime]:
    """First and last hour of the blow, past hours of the same one included; a long lull ends it."""
    exposure, limits = situation.exposure, situation.tables.limits
    assert exposure is not None  # noqa: S101 - the caller holds an exposure
    rows = [exposure.row(tree) for tree in trees]
    calm = round(limits.value("gale.calm_h", "h"))
    whole = judge_wind(situation, now, now + timedelta(hours=limits.value("gale.look_h", "h")))
    soft = np.array(
        [np.inf if (need := situation.states[tree].needs.gust_m_s) is None else need.value for tree in trees]
    ) * limits.value("gale.tear_factor", "1")
    limit = np.minimum(whole.tips_at_m_s[rows], soft)
    strongest = whole.gust_m_s[rows]
    with np.errstate(invalid="ignore"):
        reach = np.minimum(limit, strongest)[:, np.newaxis]
        over = np.flatnonzero((exposure.gust_m_s[rows] >= reach).any(axis=0))
    at = int((now - utc_of(exposure.start_utc[0])).total_seconds() // 3600)
    ahead = over[over >= at]
    first = last = int(ahead[0]) if ahead.size else at
    for row in over[over < first][::-1]:
        if first - int(row) > calm:
            break
        first = int(row)
    for row in over[over > last]:
        if int(row) - last > calm:
            break
        last = int(row)
    return utc_of(exposure.start_utc[first]), utc_of(exposure.start_utc[last]) + timedelta(hours=1)


def _torn_measure(situation: Situation, blow: Blow, trees: list[str]) -> Advice:
    exposure, limits = situation.exposure, situation.tables.limits
    assert exposure is not None  # noqa: S101 - the caller holds an exposure
    row = exposure.row(max(trees, key=lambda tree: float(blow.tear_chance[exposure.row(tree)])))
    state = situation.states[exposure.tree_ids[row]]
    need, at = state.needs.gust_m_s, blow.peak_utc[row]
    set_by = "soft leaves" if need is None else need.set_by
    by = blow.until_utc if at is None else at
    return Advice(
        "alert-torn",
        "alert",
        "today",
        bench_order(situation, trees),
        f"Bring {names(situation, trees)} into the lee, under cover, before "
        f"{day_and_clock(situation, by)}: gusts of "
        f"{say(situation, float(blow.gust_m_s[row]), 'm/s')} tear soft leaves",
        situation.now_utc,
        max(by, situation.now_utc),
        (
            Reason(
                "gust at the bench",
                float(blow.gust_m_s[row]),
                "m/s",
                None if need is None else need.value * limits.value("gale.tear_factor", "1"),
                at,
                set_by,
                limits.source("gale.tear_factor"),
            ),
        ),
        chance=float(blow.tear_chance[row]),
        sure="by the gust forecast",
        changes_if="a lull in the forecast",
        hazard="gale",
        must=True,
    )


def hail_alert(situation: Situation, *, steps: bool = True) -> AlertEvent | None:
    """Hail within a day, only where the source's weather code may be read as hail."""
    spell = hail_spell(situation, this_hour(situation))
    trees = bench_order(situation, hail_trees(situation))
    if spell is None or not spell.hail or not trees:
        return None
    garden = situation.holdings.garden
    day = local_day(garden, spell.from_utc)
    return AlertEvent(
        hazard="hail",
        first_day=day,
        last_day=max(day, local_day(garden, spell.until_utc - timedelta(hours=1))),
        trees=trees,
        spared=bench_order(situation, set(situation.states) - set(trees)),
        headline=f"Hail possible {day_and_clock(situation, spell.from_utc)}: cover {names(situation, trees)}",
        advice=(hail_measure(situation, spell, trees, "alert"),) if steps else (),
        chance=None,
        may_break_quiet_hours=False,
        expires_utc=max(spell.until_utc, day_span(garden, day)[0]),
        send_from_utc=situation.now_utc,
    )
