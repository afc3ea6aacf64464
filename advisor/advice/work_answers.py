"""What the rows of a kind of work say of one tree, each asked once, however many lists and half days ask."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import date, datetime

from advisor.advice.checks import LASTING, Rows, rows_apart, run_check, says_the_same
from advisor.advice.model import Check, Situation
from advisor.advice.work_case import WorkCase
from advisor.garden.state_model import TreeState
from advisor.garden.tables import WorkRule

__all__ = ["Answers", "Span", "answers_on", "stages_begun"]

Span = tuple[datetime, datetime]
"""From and until of a half day, UTC."""


@dataclass(frozen=True, slots=True)
class Answers:
    """The answers of the rows of one kind of work for one tree in one stage, by place of the row.

    ``still`` holds the answers that are the same every day, None for rows of the day that move; ``own`` and
    ``beside`` those of each row by the day or half day. Trees of one kind side by side share ``beside``: what
    the weather and the place say.

    The situation keeps them, so they hold no situation: two that hold one another stay in memory, with all
    their weather, until Python looks for such rings.
    """

    rule: WorkRule
    state: TreeState
    rows: Rows
    still: dict[int, Check | None]
    own: dict[Hashable, Check]
    beside: dict[Hashable, Check]

    def check(self, situation: Situation, n: int, day: date, span_utc: Span) -> Check:
        """Return the answer of a row for a half day of a day; ``situation`` is the one that keeps them."""
        scope, case = self.rows.scopes[n], None
        if scope == "day":
            if n not in self.still:
                case = self._case(situation, n, day, span_utc)
                self.still[n] = run_check(case) if says_the_same(case) else None
            still = self.still[n]
            if still is not None:
                return still
            asked: Hashable = (n, day)
        else:
            asked = (n, day, span_utc)
        answers = self.beside if scope == "place" else self.own
        found = answers.get(asked)
        if found is None:
            found = answers[asked] = run_check(case or self._case(situation, n, day, span_utc))
        return found

    def lasts(self, n: int) -> bool:
        """True for a row whose no of today is its no of every later day in the stage; it was asked before."""
        return self.still.get(n) is not None or self.rows.rows[n].kind in LASTING

    def _case(self, situation: Situation, n: int, day: date, span_utc: Span) -> WorkCase:
        return WorkCase(situation, self.rule, self.rows.rows[n], self.state, day, *span_utc)


def answers_on(situation: Situation, rule: WorkRule, state: TreeState, day: date) -> Answers:
    """Return the answers for a tree in the stage expected of it on a day."""
    ahead = stages_begun(state, day)
    if situation.states.get(state.tree.id) is not state:
        return _answers(situation, rule, state.on(day))  # only supposed: nothing is kept of it
    asked = ("answers_on", rule.id, state.tree.id, ahead)
    return situation.once(asked, lambda: _answers(situation, rule, state.on(day) if ahead else state))


def stages_begun(state: TreeState, day: date) -> int:
    """Return how many of the stages ahead have begun by a day."""
    return sum(first <= day for first, _ in state.stages_ahead) if state.stages_ahead else 0


def _answers(situation: Situation, rule: WorkRule, state: TreeState) -> Answers:
    rows = rows_apart(situation, rule, state)
    asked = ("answers_beside", id(rows), state.place_id, state.extra_shade)
    beside: dict[Hashable, Check] = situation.once(asked, dict)
    return Answers(rule, state, rows, {}, {}, beside)
