"""Why nothing is proposed: what stands in the way of a work on a tree in the coming days, in a few words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from advisor.advice.checks_hazard import stopped_by
from advisor.advice.model import Check, HalfDay, Situation
from advisor.advice.plan_sessions import Candidate
from advisor.advice.windows import half_days
from advisor.garden.state_model import TreeState

__all__ = ["Hindrance", "hindrance"]


@dataclass(frozen=True, slots=True)
class Hindrance:
    """What stands in the way. ``tree`` and ``over``: nothing that could change in these days."""

    kind: Literal["tree", "over", "care", "weather", "warning", "no-weather"]
    text: str


def hindrance(situation: Situation, state: TreeState, one: Candidate, days: Sequence[date]) -> Hindrance:
    """Say what stands in the way of a told work that has no half day without a but.

    The tree itself, if it forbids the work on every day; else, of the days without a warning, what a day
    asks care for before what forbids one, whichever is named most often.
    """
    if one.last is not None and one.last.day < situation.day:
        return Hindrance("over", f"the season for {one.rule.name} is over")
    halves = [
        half
        for day in days
        if one.told <= day <= one.closes
        for half in half_days(situation, one.rule, state, day, brief=True)
    ]
    bars = [_bar(one, half) for half in halves]
    if bars and bars[0] is not None and all(bars):
        return Hindrance("tree", _words(state, bars[0]))
    if situation.exposure is None:
        return Hindrance("no-weather", "no weather is known")
    stopped = [stopped_by(situation, one.rule, state.tree.id, half.day) for half in halves]
    free = [
        half for half, bar, event in zip(halves, bars, stopped, strict=True) if bar is None and event is None
    ]
    cares = [check for half in free for check in _buts(one, half)]
    if cares:
        return Hindrance("care", f"only with care ({_words(state, _most_named(cares))})")
    fails = [half.checks[0] for half in free if half.verdict == "does-not-suit"]
    if fails:
        return Hindrance("weather", _words(state, _most_named(fails)))
    hazards = [event.hazard for event in stopped if event is not None]
    text = f"the {hazards[0]} stands in the way" if hazards else "no working hours are left"
    return Hindrance("warning", text)


def _bar(one: Candidate, half: HalfDay) -> Check | None:
    """Return what of the tree itself forbids it: to be looked at first, or its work of the season is done."""
    first = half.checks[0]
    if half.verdict in {"does-not-suit", "cannot-tell"} and first.gate == "tree":
        return first
    had = {row.id for row in one.rule.checks if row.kind == "major-works"}
    return next((check for check in half.checks if check.check in had and check.verdict == "care"), None)


def _buts(one: Candidate, half: HalfDay) -> list[Check]:
    """What a half day asks care for, the first of it, or what is not known of it; the season is no but."""
    if half.verdict == "cannot-tell":
        return [half.checks[0]]
    if half.verdict != "suits-with-care":
        return []
    season = {row.id for row in one.rule.checks if row.kind == "season"}
    return [check for check in half.checks if check.verdict == "care" and check.check not in season][:1]


def _most_named(checks: Sequence[Check]) -> Check:
    named = Counter(check.check for check in checks).most_common(1)[0][0]
    return next(check for check in checks if check.check == named)


def _words(state: TreeState, check: Check) -> str:
    """The check in few words: without the limit, and of what the tree goes through only that."""
    flag = state.flag(check.value) if check.check == "flags" and isinstance(check.value, str) else None
    if flag is not None:
        return f"{flag.rule.name}, day {flag.day_n}"
    text = check.text.split("; at least")[0].split("; at most")[0]
    _, colon, said = text.partition(": ")
    if check.check == "stage" and "; " in said:
        return said.rpartition("; ")[2]
    _, after, done = said.partition(", after ")
    if check.check == "major-works" and after:
        return f"had its major work of the season: {done}"
    return said if colon and check.check == "spacing" else text[:1].lower() + text[1:]
