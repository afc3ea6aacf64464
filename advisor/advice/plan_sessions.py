"""What a tree is ready for in the coming days, and which of it goes together in one session."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date, datetime, timedelta

from advisor.advice.checks import applying_rows, run_check
from advisor.advice.model import HalfDay, Situation
from advisor.advice.plan_model import PlannedSession, Waiting
from advisor.advice.readiness import (
    flags_raised,
    is_big,
    last_day,
    never,
    season_checks,
    told_from,
    told_in_stage,
)
from advisor.advice.season import SeasonLast
from advisor.advice.windows import VERDICT_ORDER, suitable_halves
from advisor.advice.work_case import WorkCase
from advisor.garden.state_model import Flag, TreeState
from advisor.garden.tables import WorkRule

__all__ = ["Candidate", "ReadySession", "day_choices", "session_of", "told_works"]

_OF_EARLIER_WORK = frozenset({"spacing", "flags", "leaf-left"})
"""Kinds of check that look at what was done to the tree before."""


@dataclass(frozen=True, slots=True)
class Candidate:
    """A kind of work that is told for a tree; ``halves`` are the half days that suit without a but.

    ``due`` where a state of the tree asks for it: it ends what was begun and is no major work anew.
    """

    rule: WorkRule
    told: date
    last: SeasonLast | None
    halves: tuple[HalfDay, ...]
    due: bool

    @property
    def closes(self) -> date:
        """Last sensible day, or the end of time."""
        return self.last.day if self.last is not None else date.max

    def on(self, day: date) -> tuple[HalfDay, ...]:
        """Return its half days of a day."""
        return tuple(half for half in self.halves if half.day == day)


def told_works(situation: Situation, state: TreeState, days: Sequence[date]) -> tuple[Candidate, ...]:
    """Return the kinds of work told for a tree, in the order of the rules, with their half days.

    None after the last sensible day.
    """
    found = []
    for rule in situation.tables.works.values():
        told = told_from(rule, state, situation.day)
        if told is None or never(rule, state) is not None:
            continue
        last = last_day(situation, rule, state, situation.day)
        open_days = [day for day in days if told <= day and (last is None or day <= last.day)]
        but = season_checks(rule)
        halves = tuple(suitable_halves(situation, rule, state, open_days, care_in=but))
        found.append(Candidate(rule, told, last, halves, not told_in_stage(rule, state)))
    return tuple(found)


# --- what goes together ---------------------------------------------------------------------------


def _as_if_done(
    situation: Situation, state: TreeState, rule: WorkRule, day: date
) -> tuple[Situation, TreeState]:
    """Return situation and state as they would be with the work done on ``day``."""
    at_utc = situation.now_utc
    begun = tuple(
        Flag(flag, day, at_utc, 1, None, (day + timedelta(days=1), date.max), "running", "planned", None)
        for flag in flags_raised(situation, rule, state)
        if "new-tree" not in flag.keeps
    )
    last = {**state.last, rule.entry: day, **({"big-cut": day} if is_big(rule) else {})}
    done = replace(state, flags=(*state.flags, *begun), last=last)
    return replace(situation, states={**situation.states, state.tree.id: done}), done


def _may_follow(situation: Situation, state: TreeState, later: WorkRule, earlier: WorkRule) -> bool:
    """True where the rules let ``later`` follow ``earlier`` in the same session."""
    day, now = situation.day, situation.now_utc
    then, done = _as_if_done(situation, state, earlier, day)
    return all(
        run_check(WorkCase(then, later, row, done, day, now, now)).verdict == "pass"
        for row in applying_rows(then, later, done)
        if row.kind in _OF_EARLIER_WORK
    )


def _together(
    situation: Situation, state: TreeState, main: Candidate, others: Sequence[Candidate]
) -> list[Candidate]:
    """Return the main work and those that may go with it, in an order in which each may follow."""
    session = [main]
    for other in others:
        for place in range(len(session), -1, -1):
            before, after = session[:place], session[place:]
            if all(_may_follow(situation, state, other.rule, one.rule) for one in before) and all(
                _may_follow(situation, state, one.rule, other.rule) for one in after
            ):
                session.insert(place, other)
                break
    return session


def _waiting(situation: Situation, state: TreeState, main: Candidate, other: Candidate, day: date) -> Waiting:
    """Say from when the other work may follow the main one."""
    keys = [main.rule.entry, *(["big-cut"] if is_big(main.rule) else [])]
    now = situation.now_utc
    free = []
    for row in applying_rows(situation, other.rule, state):
        if row.kind == "spacing":
            case = WorkCase(situation, other.rule, row, state, day, now, now)
            free += [
                _rested_from(case, number.value) for key in keys if (number := case.number(key)) is not None
            ]
    if not free:
        return Waiting(other.rule.id, None, True)
    return Waiting(other.rule.id, max(free), max(free) <= other.closes)


def _rested_from(case: WorkCase, wanted: float) -> date:
    """Return the first day on which a rest of ``wanted`` days, begun on the day of the case, is over."""
    days = int(wanted)
    while (counted := replace(case, day=case.day + timedelta(days=days)).rested(days, wanted)) < wanted:
        days += max(1, int(wanted - counted))
    return case.day + timedelta(days=days)


@dataclass(frozen=True, slots=True)
class _Choice:
    """A day for a session: its best half day, and what suits with it."""

    half: HalfDay
    works: tuple[str, ...]
    from_utc: datetime
    until_utc: datetime


@dataclass(frozen=True, slots=True)
class ReadySession:
    """A tree's session before it has a day: its choices, best first."""

    state: TreeState
    main: Candidate
    order: tuple[str, ...]
    waiting: tuple[Candidate, ...]
    choices: tuple[_Choice, ...]

    @property
    def major(self) -> bool:
        """True where it costs the tree a season."""
        return self.main.rule.effort == "major"

    def on(self, situation: Situation, day: date) -> PlannedSession:
        """Return the session as planned for one of its days."""
        choice = next(choice for choice in self.choices if choice.half.day == day)
        return PlannedSession(
            tree_id=self.state.tree.id,
            works=choice.works,
            order=tuple(work for work in self.order if work in choice.works),
            half=choice.half,
            from_utc=choice.from_utc,
            until_utc=choice.until_utc,
            major=self.major,
            last=self.main.last,
            waiting=tuple(_waiting(situation, self.state, self.main, other, day) for other in self.waiting),
        )


def day_choices(session: ReadySession, days: Sequence[date]) -> tuple[int, ...]:
    """Return the places in ``days`` that suit the session, best first."""
    return tuple(days.index(choice.half.day) for choice in session.choices)


def session_of(
    situation: Situation, state: TreeState, told: Sequence[Candidate], *, major_allowed: bool
) -> ReadySession | None:
    """Return the one session that the tree is ready for; None without any.

    A major work comes before light ones; among equals that whose season closes first, then the order of
    the rules. What the rules let follow, or go before, in the same session may go with it on days that
    suit both; the rest waits.
    """
    usable = [one for one in told if one.halves and (major_allowed or one.due or one.rule.effort != "major")]
    if not usable:
        return None
    ids = {one.rule.id for one in usable}
    main = min(
        usable,
        key=lambda one: (one.rule.effort != "major", bool(ids & {*one.rule.alternative_to}), one.closes),
    )
    others = [one for one in usable if one is not main and not ids & {*one.rule.alternative_to}]
    session = _together(situation, state, main, others)
    inside = {one.rule.id for one in session}
    waiting = tuple(
        one for one in usable if one.rule.id not in inside and not inside & {*one.rule.alternative_to}
    )
    choices = [_choice(main, session, day) for day in sorted({half.day for half in main.halves})]
    choices.sort(key=lambda one: (VERDICT_ORDER.index(one.half.verdict), one.half.day))
    return ReadySession(state, main, tuple(one.rule.id for one in session), waiting, tuple(choices))


def _choice(main: Candidate, session: Sequence[Candidate], day: date) -> _Choice:
    """Return the best half day of a day, the one with more works among equals, and what suits with it."""

    def works(half: HalfDay) -> tuple[str, ...]:
        others = (one for one in session if one is not main)
        fit = (one.rule.id for one in others if any(half.from_utc == own.from_utc for own in one.on(day)))
        return (main.rule.id, *fit)

    halves = main.on(day)
    best = min(halves, key=lambda half: (VERDICT_ORDER.index(half.verdict), -len(works(half)), half.from_utc))
    alike = [half for half in halves if half.verdict == best.verdict and works(half) == works(best)]
    begin, end = min(half.from_utc for half in alike), max(half.until_utc for half in alike)
    return _Choice(best, works(best), begin, end)
