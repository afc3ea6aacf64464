"""Why nothing is proposed: what stands in the way of a work on a tree in the coming days, in a few words."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date
from typing import Literal

from advisor.advice.model import AlertEvent, Check, Situation
from advisor.advice.plan_sessions import Candidate
from advisor.advice.windows import half_days
from advisor.garden.state_model import TreeState

__all__ = ["Hindrance", "hindrance"]


@dataclass(frozen=True, slots=True)
class Hindrance:
    """What stands in the way. ``kind`` says who could change it: the tree cannot, not in these days."""

    kind: Literal["tree", "over", "care", "weather", "warning", "no-weather"]
    text: str


def hindrance(
    situation: Situation, state: TreeState, one: Candidate, days: Sequence[date], events: Sequence[AlertEvent]
) -> Hindrance:
    """Say what stands in the way of a told work that has no half day without a but."""
    if one.last is not None and one.last.day < situation.day:
        return Hindrance("over", f"the season for {one.rule.name} is over")
    season = {row.id for row in one.rule.checks if row.kind == "season"}
    fails: list[Check] = []
    cares: list[Check] = []
    for day in days:
        if day < one.told or day > one.closes:
            continue
        for half in half_days(situation, one.rule, state, day, brief=True):
            wrong = half.checks[0]
            if half.verdict == "does-not-suit":
                fails.append(wrong)
            elif half.verdict == "suits-with-care":
                cares += [
                    check for check in half.checks if check.verdict == "care" and check.check not in season
                ][:1]
            elif half.verdict == "cannot-tell":
                cares.append(wrong)
    tree = [check for check in (*fails, *cares) if check.gate == "tree" and check.verdict != "care"]
    if tree and len(tree) == len(fails) + len(cares):
        return Hindrance("tree", _words(tree[0]))
    if situation.exposure is None:
        return Hindrance("no-weather", "no weather is known")
    if cares:
        told = Counter(check.check for check in cares).most_common(1)[0][0]
        first = next(check for check in cares if check.check == told)
        return Hindrance("care", f"only with care: {_words(first)}")
    if not fails:
        return Hindrance("warning", _warning(state, events))
    seen = [check for check in fails if check.gate != "tree"] or fails
    told = Counter(check.check for check in seen).most_common(1)[0][0]
    first = next(check for check in seen if check.check == told)
    return Hindrance("weather", _words(first))


def _warning(state: TreeState, events: Sequence[AlertEvent]) -> str:
    told = [event.hazard for event in events if state.tree.id in event.trees]
    return f"the {told[0]} stands in the way" if told else "no working hours are left"


def _words(check: Check) -> str:
    """The check in few words: without the limit, and of what the tree went through only that."""
    text = check.text.split("; at least")[0].split("; at most")[0]
    _, colon, said = text.partition(": ")
    return said if colon and check.check in {"flags", "spacing"} else text[:1].lower() + text[1:]
