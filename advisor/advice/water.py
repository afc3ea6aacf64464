"""Water: which pots at which watering time, about how much; what is only checked; what rain counts for.

The service says check wherever the truth lies in the pot: bare and freshly repotted trees, small pots,
waterings that nobody wrote down.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.grouping import advice_id, bench_order, listed, names, say
from advisor.advice.hours import clock, day_and_clock, day_span, local_day, this_hour, window
from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.advice.readings import other_readings
from advisor.advice.settled import settled_by_the_hour, standing_at
from advisor.advice.water_between import short_lived
from advisor.advice.water_line import line_advice, not_fitting
from advisor.advice.water_rain import rain_note
from advisor.exposure.model import Exposure
from advisor.exposure.water import watered_with_care
from advisor.garden.state_model import Stage, TreeState
from advisor.physics.missing import reduce_over
from advisor.weather.days import at_local
from advisor.weather.table import stamp_of, utc_of

__all__ = ["Round", "water_advice", "watering_rounds"]

FloatArray = NDArray[np.float64]
_HOUR = np.timedelta64(3600, "s")

TOP_THIRD = "leave if the top third is moist"


@dataclass(frozen=True, slots=True)
class Round:
    """One watering time: trees to water, and trees to look at and soak if the top third is dry."""

    column: int
    at_utc: datetime
    water: tuple[str, ...]
    check: tuple[str, ...]


def watering_rounds(situation: Situation, day: date | None = None) -> tuple[Round, ...]:
    """Return today's watering times still to come, the next one when none is left, and which trees are due.

    Trees that are watered with care, and small pots, are looked at at the first of them whatever the balance
    says. Trees that go elsewhere today are reckoned in each hour where they stand then. Trees whose use of
    today is not known are in none. With a later ``day``: that day's, as far as the exposure reaches,
    waterings before it done as advised.
    """
    day = situation.day if day is None else day
    exposure = settled_by_the_hour(situation).exposure
    if exposure is None or situation.weather is None:
        return ()
    return _rounds(situation, exposure, day)


def _rounds(situation: Situation, exposure: Exposure, day: date) -> tuple[Round, ...]:
    tables = situation.tables
    seen = [tree for tree in exposure.tree_ids if not _blind(situation, exposure, tree, day)]
    care = {tree for tree in seen if watered_with_care(situation.states[tree], tables)}
    small_l = tables.limits.value("water.small_pot_l", "l")
    columns = _slots(situation, exposure, day)
    due = {
        column: [tree for tree in seen if exposure.waterings_l[exposure.row(tree), column] > 0.0]
        for column in columns
    }
    watered = {tree for trees in due.values() for tree in trees}
    daily = [
        tree
        for tree in seen
        if tree in care or (tree not in watered and situation.states[tree].tree.pot.volume_l < small_l)
    ]
    rounds = []
    for number, column in enumerate(columns):
        look = {tree for tree in due[column] if tree in care} | (set(daily) if number == 0 else set())
        plain = [tree for tree in due[column] if tree not in care]
        check = [tree for tree in seen if tree in look]
        rounds.append(Round(column, utc_of(exposure.slot_utc[column]), tuple(plain), tuple(check)))
    return tuple(rounds)


def water_advice(situation: Situation) -> tuple[Advice, ...]:
    """Every piece of advice on water for today; tomorrow's first time once today's are past.

    Each tree is reckoned where it stands in each hour, today's moves and those told before made as told; what
    a tree needs earlier that was not carried is told besides.
    """
    if not situation.states:
        return ()
    exposure = settled_by_the_hour(situation).exposure
    if exposure is None or situation.weather is None:
        return (_routine(situation, tuple(situation.states), "no weather"),)
    blind = [tree for tree in exposure.tree_ids if _blind(situation, exposure, tree, situation.day)]
    seen = [tree for tree in exposure.tree_ids if tree not in blind]
    care = [tree for tree in seen if watered_with_care(situation.states[tree], situation.tables)]
    rounds = _rounds(situation, exposure, situation.day)
    found: list[Advice] = []
    said = False
    for one in rounds:
        then = replace(situation, states=standing_at(situation, one.at_utc))
        lines, by_hand = line_advice(then, exposure, one.column, one.at_utc, one.water)
        found += lines
        if by_hand:
            unlogged = [tree for tree in by_hand if situation.states[tree].water.unlogged]
            first = bool(unlogged) and not said
            found.append(_slot(situation, exposure, one, by_hand, unlogged, say_unlogged=first))
            said = said or bool(unlogged)
    found += _if_not_carried(situation, rounds)
    found += _checks(situation, exposure, care, rounds)
    watered = {tree for one in rounds for tree in one.water}
    small = {tree for one in rounds for tree in one.check if tree not in care}
    if small:
        found.append(_small(situation, exposure, small, rounds))
    tonight = day_span(situation.holdings.garden, situation.day)[1]
    found += not_fitting(situation, exposure, standing_at(situation, tonight))
    found += short_lived(situation, exposure, [tree for tree in seen if tree not in care])
    found += _cold_rest(situation, [tree for tree in seen if tree not in {*watered, *care, *small}])
    found += rain_note(situation, exposure)
    if blind:
        found.append(_routine(situation, bench_order(situation, blind), "water use of today is missing"))
    return tuple(found)


def _if_not_carried(situation: Situation, rounds: Sequence[Round]) -> list[Advice]:
    """Trees that need water earlier in the place where they stand if nobody carried them."""
    found = []
    for reading in other_readings(situation):
        exposure = reading.situation.exposure
        if exposure is None:
            continue
        due: dict[tuple[int, datetime], list[str]] = {}
        for tree in reading.trees:
            first = min((one.at_utc for one in rounds if tree in {*one.water, *one.check}), default=None)
            other = next(
                (one for one in _rounds(reading.situation, exposure, situation.day) if tree in one.water),
                None,
            )
            if other is not None and (first is None or other.at_utc < first):
                due.setdefault((other.column, other.at_utc), []).append(tree)
        for (column, at), trees in due.items():
            ordered = bench_order(situation, trees)
            litres = float(sum(exposure.waterings_l[exposure.row(tree), column] for tree in ordered))
            found.append(
                Advice(
                    advice_id(f"water-if-{clock(situation.holdings.garden, at).replace(':', '')}", ordered),
                    "water",
                    "today",
                    ordered,
                    f"Water {names(situation, ordered)} at {day_and_clock(situation, at)} too, "
                    f"{_about(situation, litres)}, {reading.words(ordered)}",
                    at,
                    at + timedelta(hours=situation.tables.limits.value("water.early_h", "h")),
                    _pot_reasons(reading.situation, exposure, ordered),
                    amount=Amount(litres, "l"),
                    sure="by the pot balance, for a tree that was not carried",
                    changes_if="a line that says where it stands now (log TREE moved PLACE)",
                    hazard="dry",
                )
            )
    return found


def _about(situation: Situation, litres: float) -> str:
    """``about 1.3 l``; of less than can be shown, that it is less."""
    text = say(situation, litres, "l")
    return f"about {text}" if float(text.split()[0]) > 0.0 else f"less than {say(situation, 0.1, 'l')}"


def _blind(situation: Situation, exposure: Exposure, tree: str, day: date) -> bool:
    span = day_span(situation.holdings.garden, day)
    use = window(
        exposure.start_utc,
        exposure.water_use_l[exposure.row(tree)],
        max(span[0], this_hour(situation)),
        span[1],
    )
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    return bool(np.isnan(reduce_over(use, "sum", minimum_coverage=coverage).value))


def _slots(situation: Situation, exposure: Exposure, day: date) -> list[int]:
    """Columns of a day's watering times still to come; the next one when none is left of today's."""
    garden = situation.holdings.garden
    ahead = [
        (column, at)
        for column, stamp in enumerate(exposure.slot_utc)
        if (at := utc_of(stamp)) >= situation.now_utc - timedelta(hours=1)
    ]
    found = [column for column, at in ahead if local_day(garden, at) == day]
    return found or ([column for column, _ in ahead[:1]] if day == situation.day else [])


def _dry_at(exposure: Exposure, tree: str) -> datetime | None:
    stamp = exposure.dry_at[exposure.row(tree)]
    return None if np.isnat(stamp) else utc_of(stamp)


def _dry_between(
    situation: Situation, exposure: Exposure, tree: str, from_utc: datetime, until_utc: datetime
) -> datetime | None:
    """First hour in a span at whose end the pot is at its limit, waterings before it done as advised."""
    limit = 1.0 - situation.tables.physics.value("water.act_used_share", "share")
    inside = (exposure.start_utc > stamp_of(from_utc) - _HOUR) & (exposure.start_utc < stamp_of(until_utc))
    rows = np.flatnonzero(inside & (exposure.water_left_share[exposure.row(tree)] <= limit))
    return utc_of(exposure.start_utc[rows[0]]) if rows.size else None


def _pot_reasons(
    situation: Situation,
    exposure: Exposure,
    trees: Sequence[str],
    dry: Mapping[str, datetime | None] | None = None,
) -> tuple[Reason, ...]:
    """One reason a tree, the driest first: water left now, the limit, and the hour it is reached.

    ``dry`` gives the hours of a later watering time; without it the hour if nobody waters from now on.
    """
    physics = situation.tables.physics
    limit = 1.0 - physics.value("water.act_used_share", "share")
    late = datetime.max.replace(tzinfo=situation.now_utc.tzinfo)
    hours = {tree: _dry_at(exposure, tree) for tree in trees} if dry is None else dry
    ordered = sorted(trees, key=lambda tree: hours.get(tree) or late)
    reasons = []
    for tree in ordered:
        row = exposure.row(tree)
        left = float(exposure.left_now_share[row])
        reasons.append(
            Reason(
                f"water left in {situation.states[tree].tree.name}",
                None if np.isnan(left) else left,
                "share",
                limit,
                hours.get(tree),
                _known(situation, exposure, tree),
                physics.source("water.act_used_share"),
                then="at the limit",
            )
        )
    return tuple(reasons)


def _known(situation: Situation, exposure: Exposure, tree: str) -> str:
    """How a pot's water is known, and what its thirst was corrected by."""
    state, taught = situation.states[tree], exposure.thirst.get(tree)
    words = [exposure.water_known[exposure.row(tree)]]
    if state.water_factor_by:
        words.append(f"{state.water_factor:.1f} of the usual, {state.water_factor_by}")
    if taught is not None and taught.words:
        words.append(taught.words)
    return "; ".join(words)


def _slot(
    situation: Situation,
    exposure: Exposure,
    one: Round,
    trees: Sequence[str],
    unlogged: Sequence[str],
    *,
    say_unlogged: bool,
) -> Advice:
    garden, limits, at = situation.holdings.garden, situation.tables.limits, one.at_utc
    ordered = bench_order(situation, trees)
    litres = float(sum(exposure.waterings_l[exposure.row(tree), one.column] for tree in ordered))
    first = timedelta(hours=limits.value("water.first_h", "h"))
    before = max(
        (utc_of(stamp) for stamp in exposure.slot_utc if utc_of(stamp) < at), default=situation.now_utc
    )
    since = max(before, situation.now_utc)
    hours = {tree: _dry_between(situation, exposure, tree, since, at) for tree in ordered}
    dry = {tree: hour for tree, hour in hours.items() if hour is not None}
    early = [tree for tree, hour in dry.items() if hour < at - first]
    verb = "Check and water" if unlogged else "Water"
    text = (
        f"{verb} {names(situation, ordered)} at {day_and_clock(situation, at)}, {_about(situation, litres)}"
    )
    if early:
        soonest = min(dry[tree] for tree in early)
        text += f"; {names(situation, early)} already by {day_and_clock(situation, soonest)}"
    if say_unlogged:
        text += "; what was not logged is taken as watered the way it was advised"
    now = bool(early) and min(dry[tree] for tree in early) <= situation.now_utc + first
    return Advice(
        advice_id(f"water-{clock(garden, at).replace(':', '')}", ordered),
        "water",
        "now" if now else "today",
        ordered,
        text,
        at,
        at + timedelta(hours=limits.value("water.early_h", "h")),
        _pot_reasons(situation, exposure, ordered, hours),
        amount=Amount(litres, "l"),
        sure="by the pot balance; waterings not logged are taken as done"
        if unlogged
        else "by the pot balance",
        changes_if="a finger in the pot outranks it; log watered or the weight to mend it",
        hazard="dry",
        must=now,
    )


def _checks(
    situation: Situation, exposure: Exposure, care: Sequence[str], rounds: Sequence[Round]
) -> list[Advice]:
    """Bare and freshly repotted trees, in groups with the same times and the same words of their state."""
    garden = situation.holdings.garden
    groups: dict[tuple[str, tuple[datetime, ...]], list[str]] = {}
    for tree in care:
        notes = [
            flag.rule.water_note
            for flag in situation.states[tree].flags
            if flag.rule.water_note and "top third" not in flag.rule.water_note
        ]
        times = tuple(one.at_utc for one in rounds if tree in one.check) or (situation.now_utc,)
        groups.setdefault((notes[0] if notes else "", times), []).append(tree)
    found = []
    for (note, times), trees in groups.items():
        ordered = bench_order(situation, trees)
        said = "-".join(clock(garden, at).replace(":", "") for at in times)
        when = listed([day_and_clock(situation, times[0]), *(clock(garden, at) for at in times[1:])])
        how = note or f"{TOP_THIRD}, else soak"
        found.append(
            Advice(
                advice_id(f"water-check-{said}", ordered),
                "water",
                "today",
                ordered,
                f"Check {names(situation, ordered)} at {when}: {how}",
                times[0],
                max(day_span(garden, situation.day)[1], times[-1]),
                _pot_reasons(situation, exposure, ordered),
                sure="a tree that draws little cannot be reckoned; the finger decides",
                changes_if="new leaves or new roots draw more: log leaves-open or roots-seen",
                hazard="dry",
            )
        )
    return found


def _small(
    situation: Situation, exposure: Exposure, trees: Collection[str], rounds: Sequence[Round]
) -> Advice:
    ordered = bench_order(situation, trees)
    at = rounds[0].at_utc if rounds else situation.now_utc
    return Advice(
        advice_id("water-small", ordered),
        "water",
        "today",
        ordered,
        f"Check the small pots, {names(situation, ordered)}, at {day_and_clock(situation, at)}",
        at,
        max(day_span(situation.holdings.garden, situation.day)[1], at),
        _pot_reasons(situation, exposure, ordered),
        sure="the balance sees no need, but so small a pot is checked daily",
        hazard="dry",
    )


def _cold_rest(situation: Situation, trees: Sequence[str]) -> list[Advice]:
    """Dormant trees in the cold: a check every few days."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        return []
    every = round(limits.value("water.cold_every_d", "d"))
    span = day_span(situation.holdings.garden, situation.day)
    chosen, warmest = [], -np.inf
    for tree in trees:
        state = situation.states[tree]
        bench = window(exposure.start_utc, exposure.bench_temperature_c[exposure.row(tree)], *span)
        top = float(reduce_over(bench, "max", minimum_coverage=0.0).value)
        if state.stage.stage is not Stage.DORMANT or not top < limits.value("water.cold_c", "degC"):
            continue
        if _days_since_water(situation, state) % every == 0:
            chosen.append(tree)
            warmest = max(warmest, top)
    if not chosen:
        return []
    ordered = bench_order(situation, chosen)
    return [
        Advice(
            advice_id("water-cold", ordered),
            "water",
            "today",
            ordered,
            f"Check {names(situation, ordered)}, as every {every} days in the cold: water only if "
            "the top half is "
            "dry and the ball not frozen",
            situation.now_utc,
            span[1],
            (
                Reason(
                    "highest temperature today",
                    warmest,
                    "degC",
                    limits.value("water.cold_c", "degC"),
                    None,
                    "dormant",
                    limits.source("water.cold_every_d"),
                ),
            ),
            sure="by rule of thumb",
            changes_if="a warm or windy spell",
            hazard="dry",
        )
    ]


def _days_since_water(situation: Situation, state: TreeState) -> int:
    """Days since the last logged watering, else a count that turns over on the same days for all."""
    last: date | None = state.last.get("watered")
    return situation.day.toordinal() if last is None else max((situation.day - last).days, 0)


def _routine(situation: Situation, trees: Sequence[str], why: str) -> Advice:
    garden = situation.holdings.garden
    times = [at_local(situation.day, at, garden.zone) for at in garden.watering_times]
    ahead = [at for at in times if at >= situation.now_utc] or times[-1:]
    said = listed([clock(garden, at) for at in ahead]) or "each watering time"
    ordered = bench_order(situation, trees)
    return Advice(
        "water-routine",
        "water",
        "today",
        ordered,
        f"Check {names(situation, ordered)} at {said}: the advisor cannot reckon the pots ({why})",
        situation.now_utc,
        day_span(garden, situation.day)[1],
        (
            Reason(
                "water use of the pots",
                None,
                "l",
                None,
                None,
                why,
                situation.tables.limits.source("chance.coverage_share"),
            ),
        ),
        sure="cannot tell",
        changes_if="the next weather that arrives",
        hazard="dry",
    )
