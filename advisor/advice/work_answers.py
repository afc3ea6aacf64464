"""What the rows of a kind of work say of one tree, each asked once, however many lists and half days ask."""

from __future__ import annotations

from collections.abc import Hashable
from dataclasses import dataclass
from datetime import date, datetime

from advisor.advice.checks import LASTING, STILL, Rows, rows_apart, run_check
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

    ``still`` holds the answers that are the same every day, None for rows known to move; ``found`` those
    of each row by the day or half day. Trees of one kind side by side share the stores of what the weather
    and the place say.
    """

    situation: Situation
    rule: WorkRule
    state: TreeState
    rows: Rows
    still: dict[int, Check | None]
    found: tuple[dict[Hashable, Check], ...]

    def same_every_day(self, n: int, day: date, span_utc: Span) -> Check | None:
        """Return the answer of a row that is the same from today on; None where it moves with the days."""
        if n not in self.still:
            nothing_moves = STILL.get(self.rows.rows[n].kind)
            case = self._case(n, day, span_utc)
            held = nothing_moves is not None and nothing_moves(case)
            self.still[n] = run_check(case) if held else None
        return self.still[n]

    def check(self, n: int, day: date, span_utc: Span) -> Check:
        """Return the answer of a row for a half day of a day."""
        still = self.same_every_day(n, day, span_utc)
        if still is not None:
            return still
        asked = day if n in self.rows.of_day else (day, span_utc)
        answers = self.found[n]
        if asked not in answers:
            answers[asked] = run_check(self._case(n, day, span_utc))
        return answers[asked]

    def lasts(self, n: int) -> bool:
        """True for a row which rules out every later day that it asks of in the same stage."""
        return self.still.get(n) is not None or self.rows.rows[n].kind in LASTING

    def _case(self, n: int, day: date, span_utc: Span) -> WorkCase:
        return WorkCase(self.situation, self.rule, self.rows.rows[n], self.state, day, *span_utc)


def answers_on(situation: Situation, rule: WorkRule, state: TreeState, day: date) -> Answers:
    """Return the answers for a tree in the stage expected of it on a day."""
    ahead = stages_begun(state, day)
    if situation.states.get(state.tree.id) is not state:
        return _answers(situation, rule, state.on(day))  # only supposed: nothing is kept of it
    asked = ("answers_on", rule.id, state.tree.id, ahead)
    return situation.once(asked, lambda: _answers(situation, rule, state.on(day) if ahead else state))


def stages_begun(state: TreeState, day: date) -> int:
    """Return how many of the stages ahead have begun by a day."""
    return sum(first <= day for first, _ in state.stages_ahead)


def _answers(situation: Situation, rule: WorkRule, state: TreeState) -> Answers:
    rows = rows_apart(situation, rule, state)
    beside = ("answers_beside", id(rows), state.place_id, state.extra_shade)
    shared: tuple[dict[Hashable, Check], ...] = situation.once(beside, lambda: tuple({} for _ in rows.rows))
    found = tuple(shared[n] if n in rows.of_place else {} for n in range(len(rows.rows)))
    return Answers(situation, rule, state, rows, {}, found)
