"""Checks of heat that was, or will be, too much for the tree, and of warnings that stand for it."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from advisor.advice.checks_weather import mended
from advisor.advice.heat import day_danger, heat_day
from advisor.advice.hours import day_span, local_day
from advisor.advice.model import AlertEvent, Check, CheckVerdict, Situation
from advisor.advice.standing import beyond_usual
from advisor.advice.work_case import WorkCase, option_words
from advisor.exposure.model import Exposure
from advisor.garden.tables import CheckRow, WorkRule
from advisor.weather.table import utc_of

__all__ = [
    "HeatRecord",
    "HeatRun",
    "heat_rest",
    "heat_runs_of",
    "heat_wave",
    "no_heat",
    "no_heat_known",
    "no_warning",
    "stopped_by",
    "warning",
]

BoolArray = NDArray[np.bool_]

_HURT = ("wilted", "scorched")
_LOOKED_AT = ("leaves-hard", "recovered")
"""Entries that tell how a tree came through: hurt, or not."""


# --- warnings ---------------------------------------------------------------------------------------


def stopped_by(situation: Situation, rule: WorkRule, tree_id: str, day: date) -> AlertEvent | None:
    """Return the warning that stops a kind of work on a tree on a day; None without one.

    Which hazards stop a kind of work stands in its row of kind ``warning`` (option ``stopped_by``); a warning
    speaks for the trees it names, from its first to its last day.
    """
    for row in rule.checks:
        if row.kind == "warning":
            return _standing(situation, row, tree_id, day)
    return None


def _standing(situation: Situation, row: CheckRow, tree_id: str, day: date) -> AlertEvent | None:
    hazards = option_words(row, "stopped_by")
    return next(
        (
            event
            for event in _naming(situation, tree_id)
            if event.hazard in hazards and event.first_day <= day <= event.last_day
        ),
        None,
    )


def _naming(situation: Situation, tree_id: str) -> tuple[AlertEvent, ...]:
    """Return the warnings that name a tree."""
    asked = ("checks_hazard._naming", tree_id)
    return situation.once(
        asked, lambda: tuple(event for event in situation.warnings if tree_id in event.trees)
    )


def no_warning(case: WorkCase) -> bool:
    """True where no warning that stops the work names the tree, on whatever day."""
    hazards = option_words(case.row, "stopped_by")
    return not any(event.hazard in hazards for event in _naming(case.situation, case.state.tree.id))


def warning(case: WorkCase) -> Check:
    """Fail on the days of a warning (hazards in ``stopped_by``) that names the tree.

    A hazard in ``sheltered_from`` asks for care only where a place of ``shelter_level`` has room.
    """
    event = _standing(case.situation, case.row, case.state.tree.id, case.day)
    tree = case.state.tree
    beside = (case.state.place_id, case.state.extra_shade, tree.species_id, tree.group_id)
    asked = ("checks_hazard.warning", id(case.row), id(event), *beside)
    return case.situation.once(asked, lambda: _warned(case, event))


def _warned(case: WorkCase, event: AlertEvent | None) -> Check:
    source = str(case.row.options.get("source", "common practice: growers"))
    if event is None:
        return case.check("pass", f"{case.row.text}: none that stops it", source=source)
    verdict: CheckVerdict = "fail"
    text = (
        f"{case.row.text}: {event.hazard}, {_span(event.first_day, event.last_day)}; {case.row.options['no']}"
    )
    if event.hazard in option_words(case.row, "sheltered_from"):
        place = mended(case)
        if place:
            verdict, text = "care", f"{text}. {place}"
    return case.check(verdict, text, value=event.hazard, limit=event.last_day.isoformat(), source=source)


# --- rest after heat --------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class HeatRun:
    """Days on end, from ``first`` to ``last``, on which a tree is in danger from heat where it stands."""

    first: date
    last: date

    @property
    def days(self) -> int:
        """How many days."""
        return (self.last - self.first).days + 1


@dataclass(frozen=True, slots=True)
class HeatRecord:
    """Runs of heat of one tree, oldest first, and the days of which it is known."""

    runs: tuple[HeatRun, ...]
    known: frozenset[date]


def heat_runs_of(situation: Situation, tree_id: str) -> HeatRecord:
    """Return the runs of days on which a tree is in danger from heat, past and ahead.

    As in the heat mail: where such days are usual, only those well beyond the limit count; none after the
    grower moved or shaded it against the heat. Days before it came to its place are not known, nor is a today
    of which only the rest is known: heat in what is left of it counts, none says nothing of the whole.
    """
    return situation.once(("heat_runs_of", tree_id), lambda: _heat_record(situation, tree_id))


def _heat_record(situation: Situation, tree_id: str) -> HeatRecord:
    exposure = situation.exposure
    if exposure is None or not exposure.start_utc.size or tree_id not in exposure.tree_ids:
        return HeatRecord((), frozenset())
    row, heat = exposure.row(tree_id), situation.once("heat_days", lambda: _heat_days(situation, exposure))
    since = situation.states[tree_id].place_since
    begin = 0 if since is None or not heat.days else max(0, (since - heat.days[0]).days)
    done = situation.confirmed.get(("heat", tree_id), date.max)
    known = frozenset(heat.days[n] for n in (begin + np.flatnonzero(heat.known[begin:, row])).tolist())
    runs: list[HeatRun] = []
    for n in (begin + np.flatnonzero(heat.beyond[begin:, row])).tolist():
        day = heat.days[n]
        if day >= done:
            break
        if runs and (day - runs[-1].last).days == 1:
            runs[-1] = HeatRun(runs[-1].first, day)
        else:
            runs.append(HeatRun(day, day))
    return HeatRecord(tuple(runs), known)


@dataclass(frozen=True, slots=True)
class _HeatDays:
    """Local days from first to last, and for each (days, trees): is it known, and does its heat count."""

    days: tuple[date, ...]
    known: BoolArray
    beyond: BoolArray


def _heat_days(situation: Situation, exposure: Exposure) -> _HeatDays:
    garden, start = situation.holdings.garden, utc_of(exposure.start_utc[0])
    first = local_day(garden, start)
    if day_span(garden, first)[0] < start and first != situation.day:
        first += timedelta(days=1)
    last = local_day(garden, utc_of(exposure.start_utc[-1]))
    days = tuple(first + timedelta(days=n) for n in range((last - first).days + 1))
    known, beyond = (np.zeros((len(days), len(exposure.tree_ids)), dtype=bool) for _ in range(2))
    for n, day in enumerate(days):
        margins, danger = day_danger(situation, day)
        known[n] = ~np.isnan(margins)
        beyond[n] = beyond_usual(situation, margins, danger) & known[n]
        if day == situation.day:
            known[n] &= ~heat_day(situation, day).left_only
    return _HeatDays(days, known, beyond)


def heat_rest(case: WorkCase) -> Check:
    """Hold the days since heat that hurt the tree against the rest it is owed (``heat.rest_d``).

    Fail where it was logged wilted or scorched on a day of heat, or the day after, or on one of which
    nothing is known; care once it has recovered. Care too after a heat wave beyond its limit of which nobody
    has told how it came through. A tree that bears the heat owes no rest.
    """
    rest, source = _rest(case)
    record = heat_runs_of(case.situation, case.state.tree.id)
    hurt = _hurt(case, record, rest)
    if hurt is not None:
        entry, ended, recovered = hurt
        since = (case.day - ended).days
        text = f"{case.row.text}: {entry} in the heat, {_since(since)}"
        text += ", recovered since" if recovered else ""
        return case.check(
            "care" if recovered else "fail",
            f"{text}; at least {rest}",
            value=float(since),
            unit="d",
            limit=float(rest),
            source=source,
        )
    run = _wave(case, record, rest, ahead=False)
    if run is not None:
        return _after_wave(case, run, rest, source)
    ahead = max((case.day - case.situation.day).days, 0)  # of these days the forecast tells
    unknown = sum(case.day - timedelta(days=n) not in record.known for n in range(ahead + 1, rest + 1))
    if unknown:
        text = f"{case.row.text}: not known for {unknown} of the last {rest} days"
        return case.check("unknown", text, unit="d", limit=float(rest), source=source)
    text = f"{case.row.text}: no heat wave beyond its limit in the {rest} days before"
    return case.check("pass", text, unit="d", source=source)


def no_heat(case: WorkCase) -> bool:
    """True where the tree is in danger from heat on no day."""
    return not heat_runs_of(case.situation, case.state.tree.id).runs


def no_heat_known(case: WorkCase) -> bool:
    """True where nothing but heat that never was could ask for a rest, today or on a later day."""
    if not case.logged.keys().isdisjoint(_HURT) or not no_heat(case):
        return False
    known, today = heat_runs_of(case.situation, case.state.tree.id).known, case.situation.day
    return all(today - timedelta(days=n) in known for n in range(1, _rest(case)[0] + 1))


def heat_wave(case: WorkCase) -> Check:
    """Care in and after a heat wave beyond the tree's limit that is ahead, or not over yet.

    Three days running (``heat.wave_d``); for as long as the rest that it will be owed if it is hurt.
    """
    rest, source = _rest(case)
    run = _wave(case, heat_runs_of(case.situation, case.state.tree.id), rest, ahead=True)
    if run is None:
        return case.check("pass", f"{case.row.text}: none before that day", unit="d", source=source)
    text = (
        f"{case.row.text}: {_span(run.first, run.last)} by the forecast; look at it after that, it wants"
        f" {rest} days without heavy work if it wilts or is scorched"
    )
    since = float(max((case.day - run.last).days, 0))
    return case.check("care", text, value=since, unit="d", limit=float(rest), source=source)


def _wave(case: WorkCase, record: HeatRecord, rest: int, *, ahead: bool) -> HeatRun | None:
    """Return the last heat wave, over or not (``ahead``), whose rest reaches the judged day."""
    least = round(case.situation.tables.limits.value("heat.wave_d", "d"))
    within = [
        run
        for run in record.runs
        if run.days >= least
        and (run.last >= case.situation.day) == ahead
        and run.first <= case.day
        and (case.day - run.last).days < rest
    ]
    return within[-1] if within else None


def _rest(case: WorkCase) -> tuple[int, str]:
    limits = case.situation.tables.limits
    return case.situation.once(
        "heat.rest_d", lambda: (round(limits.value("heat.rest_d", "d")), limits.source("heat.rest_d"))
    )


def _hurt(case: WorkCase, record: HeatRecord, rest: int) -> tuple[str, date, bool] | None:
    """Return the entry that tells of harm by heat, when that heat ended, and whether it recovered since."""
    found = []
    for entry in _HURT:
        ago = case.days_since(entry)
        if ago is None:
            continue
        logged = case.day - timedelta(days=ago)
        ends = [run.last for run in record.runs if run.first <= logged <= run.last + timedelta(days=1)]
        if not ends and logged in record.known:
            continue
        ended = min(max([logged, *ends]), case.day)
        recovered = case.days_since("recovered")
        if (case.day - ended).days < rest:
            found.append((ended, entry, recovered is not None and recovered <= ago))
    if not found:
        return None
    ended, entry, recovered_since = max(found, key=lambda one: (not one[2], one[0]))
    return entry, ended, recovered_since


def _after_wave(case: WorkCase, run: HeatRun, rest: int, source: str) -> Check:
    span, since = _span(run.first, run.last), float((case.day - run.last).days)
    looked = [ago for entry in _LOOKED_AT if (ago := case.days_since(entry)) is not None]
    if looked and case.day - timedelta(days=min(looked)) >= run.last:
        text = f"{case.row.text}: seen to have come through the heat of {span}"
        return case.check("pass", text, value=since, unit="d", limit=float(rest), source=source)
    text = (
        f"{case.row.text}: beyond its limit {span}, and not told how it came through; look at it and log"
        f" leaves-hard if it did, wilted or scorched if not ({rest} days without heavy work)"
    )
    return case.check("care", text, value=since, unit="d", limit=float(rest), source=source)


def _since(days: int) -> str:
    return {0: "which lasts", 1: "over for a day"}.get(days, f"over for {days} days")


@lru_cache(maxsize=256)
def _span(first: date, last: date) -> str:
    """``Sun 12 to Wed 15 Jul``."""
    if first == last:
        return f"{last:%a} {last.day} {last:%b}"
    month = "" if (first.year, first.month) == (last.year, last.month) else f" {first:%b}"
    return f"{first:%a} {first.day}{month} to {last:%a} {last.day} {last:%b}"
