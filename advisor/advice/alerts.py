"""Alerts between the morning mails: few, one for each event, silent about what is already done.

Each function judges whole days or nights, past ones of the same event included, so that an event keeps
its first day while the hours move on. The service's ledger tells each event once.
"""

from __future__ import annotations

from collections.abc import Callable
from datetime import date, datetime, timedelta

import numpy as np

from advisor.advice.alert_dry import dry_alert
from advisor.advice.alert_heat import heat_alert
from advisor.advice.cold_shelter import carry_in
from advisor.advice.frost import Night, judge_night, lost_if_left
from advisor.advice.gale import Blow, fall_measure, hail_measure, hail_spell, hail_trees, judge_wind
from advisor.advice.grouping import bench_order, names, say
from advisor.advice.hours import day_and_clock, day_name, day_span, eve_of, local_at, local_day, this_hour
from advisor.advice.model import Advice, AlertEvent, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.weather.table import utc_of

__all__ = ["ALERTS", "alert_events", "frost_alert", "gale_alert", "hail_alert"]


def alert_events(situation: Situation) -> tuple[AlertEvent, ...]:
    """Return every hazard that is worth a mail now."""
    found = [alert(situation) for alert in ALERTS.values()]
    return tuple(event for event in found if event is not None)


# --- frost ----------------------------------------------------------------------------------------------


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


def frost_alert(situation: Situation) -> AlertEvent | None:
    """Cold nights ahead in which trees are harmed where they stand; consecutive nights are one event.

    Opens on the eve of the first night, from the hour in config on, so that it is out by 15:00.
    """
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None or not exposure.start_utc.size:
        return None
    here = eve_of(garden, situation.now_utc)
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
    advice = tuple(_as_alert(piece) for piece in carry_in(situation, _worst_of(nights), trees))
    count = f"{len(nights)} nights on end" if len(nights) > 1 else "one night"
    return AlertEvent(
        hazard="frost",
        first_day=begun,
        last_day=nights[-1].eve,
        trees=trees,
        spared=spared,
        headline=(
            f"Frost {day_name(situation, first)} night: down to {say(situation, lowest, 'degC')} on the bench, "
            f"{count}; shelter {names(situation, trees)}"
        ),
        advice=advice,
        chance=max(night.chance(row) for night in nights for row in rows),
        may_break_quiet_hours=any(
            lost_if_left(situation, night, row) for night in nights[:1] for row in rows
        ),
        expires_utc=nights[-1].until_utc,
        send_from_utc=max(situation.now_utc, tell),
    )


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

    def of(name: str) -> np.ndarray:
        return np.array([getattr(night, name) for night in nights])[pick, rows]

    return Night(
        first.eve, first.from_utc, nights[-1].until_utc, of("bench_min_c"), of("root_min_c"),
        tuple(nights[choice].coldest_utc[row] for row, choice in enumerate(pick)),
        of("shoot_margin_k"), of("root_margin_k"), of("shoot_chance"), of("root_chance"), of("danger"), of("unknown"),
    )  # fmt: skip


def _as_alert(piece: Advice) -> Advice:
    return Advice(
        piece.id.replace("shelter-", "alert-", 1), "alert", piece.urgency, piece.trees, piece.do, piece.from_utc,
        piece.until_utc, piece.reasons, piece.amount, piece.chance, piece.sure, piece.changes_if, piece.hazard, piece.must,
    )  # fmt: skip


# --- gale and hail --------------------------------------------------------------------------------------


def _blown(situation: Situation, blow: Blow) -> list[str]:
    exposure = situation.exposure
    if exposure is None:
        return []
    return [
        tree
        for row, tree in enumerate(exposure.tree_ids)
        if (blow.falls[row] or blow.torn[row]) and not is_confirmed(situation, "gale", tree)
    ]


def gale_alert(situation: Situation) -> AlertEvent | None:
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
    falling = [tree for tree in trees if blow.falls[exposure.row(tree)]]
    torn = [tree for tree in trees if tree not in falling]
    pieces = []
    if falling:
        pieces.append(fall_measure(situation, blow, falling, "alert"))
    if torn:
        pieces.append(_torn_measure(situation, blow, torn))
    rows = [exposure.row(tree) for tree in trees]
    gust = float(np.nanmax(blow.gust_m_s[rows]))
    return AlertEvent(
        hazard="gale",
        first_day=local_day(garden, begun),
        last_day=local_day(garden, ends - timedelta(hours=1)),
        trees=trees,
        spared=bench_order(situation, set(situation.states) - set(trees)),
        headline=(
            f"Gale {day_and_clock(situation, max(begun, now))}: gusts of {say(situation, gust, 'm/s')} at the bench; "
            f"secure {names(situation, trees)}"
        ),
        advice=tuple(pieces),
        chance=float(np.nanmax(np.fmax(blow.fall_chance[rows], blow.tear_chance[rows]))),
        may_break_quiet_hours=False,
        expires_utc=ends,
        send_from_utc=situation.now_utc,
    )


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
        "alert-torn", "alert", "today", bench_order(situation, trees),
        f"Bring {names(situation, trees)} into the lee, under cover, before {day_and_clock(situation, by)}: gusts of "
        f"{say(situation, float(blow.gust_m_s[row]), 'm/s')} tear soft leaves",
        situation.now_utc, max(by, situation.now_utc),
        (
            Reason("gust at the bench", float(blow.gust_m_s[row]), "m/s",
                   None if need is None else need.value * limits.value("gale.tear_factor", "1"), at, set_by,
                   limits.source("gale.tear_factor")),
        ),
        chance=float(blow.tear_chance[row]), sure="by the gust forecast", changes_if="a lull in the forecast",
        hazard="gale", must=True,
    )  # fmt: skip


def hail_alert(situation: Situation) -> AlertEvent | None:
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
        advice=(hail_measure(situation, spell, trees, "alert"),),
        chance=None,
        may_break_quiet_hours=False,
        expires_utc=max(spell.until_utc, day_span(garden, day)[0]),
        send_from_utc=situation.now_utc,
    )


ALERTS: dict[str, Callable[[Situation], AlertEvent | None]] = {
    "heat": heat_alert,
    "frost": frost_alert,
    "gale": gale_alert,
    "hail": hail_alert,
    "dry": dry_alert,
}
"""Every alert by hazard."""
