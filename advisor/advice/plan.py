"""The plan of the coming ten days: what the trees are ready for, the best day for it, what is about to close.

One working session a tree, no more a day than the grower's setting, nothing after its last sensible day.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from datetime import date, timedelta

from advisor.advice.grouping import bench_order
from advisor.advice.model import Situation
from advisor.advice.plan_days import assign_days
from advisor.advice.plan_model import Closing, Plan, PlannedSession, Resting
from advisor.advice.plan_sessions import Candidate, ReadySession, day_choices, session_of, told_works
from advisor.advice.plan_why import hindrance
from advisor.advice.readiness import a_day, is_big
from advisor.advice.windows import VERDICT_ORDER, days_from
from advisor.garden.state_model import TreeState
from advisor.garden.tables import WorkRule

__all__ = ["PLAN_DAYS", "plan"]

PLAN_DAYS = 10
"""Local days from today on (the length of the forecast)."""


def plan(situation: Situation) -> Plan:
    """Plan the coming days.

    Parameters
    ----------
    situation : Situation
        Everything known at this pass.

    Returns
    -------
    Plan
        Sessions are given days in this order: that whose season closes first, the better verdict, the
        order of the rules, bench order. Without weather there are none.

    Source: common practice (growers): one major work a tree and season, one session one event.
    """
    days = days_from(situation.day, PLAN_DAYS)
    major, light = a_day(situation)
    benches = bench_order(situation, situation.states)
    told = {tree: told_works(situation, situation.states[tree], days) for tree in benches}
    begun = {tree: _session_begun(situation, situation.states[tree]) for tree in benches}
    ready = {}
    for tree in benches:
        found = session_of(situation, situation.states[tree], told[tree], major_allowed=not begun[tree])
        if found is not None:
            ready[tree] = found
    planned: dict[str, PlannedSession] = {}
    for effort, most in ((True, major), (False, light)):
        free = [most] * len(days)
        free[0] = max(0, most - _done_today(situation, major=effort))
        queue = _in_turn(situation, [one for one in ready.values() if one.major == effort])
        placed = assign_days([day_choices(one, days) for one in queue], free)
        for one, place in zip(queue, placed, strict=True):
            if place is not None:
                planned[one.state.tree.id] = one.on(situation, days[place])
    works, order = list(situation.tables.works), {tree: place for place, tree in enumerate(benches)}
    sessions = sorted(
        planned.values(),
        key=lambda one: (one.day, not one.major, works.index(one.work), order[one.tree_id]),
    )
    also = tuple(
        one.on(situation, one.choices[0].half.day) for tree, one in ready.items() if tree not in planned
    )
    return Plan(
        days=days,
        major_a_day=major,
        light_a_day=light,
        sessions=tuple(sessions),
        also_ready=also,
        closing=_closing(situation, told, planned, also, days),
        resting=tuple(
            Resting(tree, _why(situation, tree, told[tree], days, begun[tree]))
            for tree in benches
            if tree not in ready
        ),
    )


def _in_turn(situation: Situation, ready: Sequence[ReadySession]) -> list[ReadySession]:
    works = list(situation.tables.works)
    return sorted(
        ready,
        key=lambda one: (
            one.main.closes,
            VERDICT_ORDER.index(one.choices[0].half.verdict),
            works.index(one.main.rule.id),
        ),
    )


# --- what was done ----------------------------------------------------------------------------------


def _entry_of(rule: WorkRule) -> str:
    """The entry of ``TreeState.last`` that records this work."""
    return "big-cut" if is_big(rule) else rule.entry


def _proposable(rule: WorkRule) -> bool:
    return any(
        row.kind == "stage" and (row.options.get("tell") or row.options.get("tell_due"))
        for row in rule.checks
    )


def _session_begun(situation: Situation, state: TreeState) -> str:
    """Say which major work was begun so lately that what follows belongs to it; empty for none."""
    session = timedelta(days=situation.tables.phenology.value("session.days", "d"))
    entries = {_entry_of(rule) for rule in situation.tables.works.values() if rule.effort == "major"}
    lately = [
        (day, entry)
        for entry, day in state.last.items()
        if entry in entries and situation.day - session < day <= situation.day
    ]
    if not lately:
        return ""
    day, entry = max(lately)
    return f"{entry.replace('-', ' ')} on {day.day} {day:%B}: its session is under way"


def _done_today(situation: Situation, *, major: bool) -> int:
    """Trees on which major, or only light, work was logged today."""
    works = situation.tables.works.values()
    majors = {_entry_of(rule) for rule in works if rule.effort == "major"}
    lights = {_entry_of(rule) for rule in works if rule.effort == "light" and _proposable(rule)}
    count = 0
    for state in situation.states.values():
        today = {entry for entry, day in state.last.items() if day == situation.day}
        count += bool(today & majors) if major else bool(today & lights and not today & majors)
    return count


# --- what closes, and who rests ---------------------------------------------------------------------


def _closing(
    situation: Situation,
    told: Mapping[str, Sequence[Candidate]],
    planned: Mapping[str, PlannedSession],
    also: Sequence[PlannedSession],
    days: Sequence[date],
) -> tuple[Closing, ...]:
    notice = situation.tables.limits.value("plan.closing_d", "d")
    full = {one.tree_id: one for one in also}
    found = []
    for tree, candidates in told.items():
        for one in candidates:
            if one.last is None or not 0 <= (one.last.day - situation.day).days <= notice:
                continue
            session = planned.get(tree)
            inside = session is not None and one.rule.id in session.works
            by = ""
            if session is not None and not inside:
                by = f"{situation.tables.works[session.work].name} is planned instead"
                if not one.halves:
                    why = hindrance(situation, situation.states[tree], one, days)
                    by = "" if why.kind == "tree" else why.text
            elif tree in full:
                by = "the days are full"
            elif session is None and not one.halves:
                why = hindrance(situation, situation.states[tree], one, days)
                by = "" if why.kind == "tree" else why.text
            if inside or by:
                day = session.day if session is not None and inside else None
                found.append(Closing(one.rule.id, tree, one.last, day, by))
    works = list(situation.tables.works)
    found.sort(key=lambda one: (one.last.day, works.index(one.work)))
    return tuple(found)


def _why(
    situation: Situation,
    tree: str,
    told: Sequence[Candidate],
    days: Sequence[date],
    begun: str,
) -> str:
    state = situation.states[tree]
    if not told:
        return f"{state.stage.stage.label}: no work is proposed in this stage"
    if begun and any(one.halves for one in told):
        return begun
    first = min(told, key=lambda one: (one.last is not None and one.last.day < situation.day, one.closes))
    return hindrance(situation, state, first, days).text
