"""Half days inside working hours, each with its verdict for one kind of work on one tree."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache
from itertools import groupby
from zoneinfo import ZoneInfo

from advisor.advice.checks import GATES, LASTING, Rows, applying_rows, rows_apart, run_check
from advisor.advice.model import Check, Gate, HalfDay, Situation, Verdict
from advisor.advice.work_case import WorkCase
from advisor.garden.state_model import TreeState
from advisor.garden.tables import CheckRow, WorkRule

__all__ = [
    "VERDICT_ORDER",
    "Wanted",
    "best_half",
    "days_from",
    "half_days",
    "half_spans",
    "judge_half",
    "order_checks",
    "suitable_halves",
    "verdict_of",
]

VERDICT_ORDER: tuple[Verdict, ...] = ("suits", "suits-with-care", "cannot-tell", "does-not-suit")
"""Best first."""

_NOON_BREAK = time(13)
"""Morning ends and afternoon begins here (local; the half days of the working-hours rule)."""


def half_spans(situation: Situation, day: date) -> tuple[tuple[datetime, datetime], ...]:
    """Return (from, until) in UTC of the half days of a local day that are not past, cut at now."""
    garden, now = situation.holdings.garden, situation.now_utc
    spans = _working_halves(day, *garden.working_hours, garden.zone)
    return tuple((max(begin, now), end) for begin, end in spans if max(begin, now) < end)


@lru_cache(maxsize=512)
def _working_halves(
    day: date, begin: time, end: time, zone: ZoneInfo
) -> tuple[tuple[datetime, datetime], tuple[datetime, datetime]]:
    """Return morning and afternoon of a local day in UTC."""
    noon = min(max(_NOON_BREAK, begin), end)
    at = [datetime.combine(day, clock, zone).astimezone(UTC) for clock in (begin, noon, end)]
    return (at[0], at[1]), (at[1], at[2])


def verdict_of(checks: Sequence[Check]) -> Verdict:
    """Combine checks: fail > unknown (deciding ones only) > care > pass."""
    verdicts = {check.verdict for check in checks if check.verdict != "unknown" or check.deciding}
    if "fail" in verdicts:
        return "does-not-suit"
    if "unknown" in verdicts:
        return "cannot-tell"
    return "suits-with-care" if "care" in verdicts else "suits"


def order_checks(checks: Sequence[Check]) -> tuple[Check, ...]:
    """Return the deciding reason first, then the rest by gate: tree, weather, person."""
    speaks = {"does-not-suit": "fail", "cannot-tell": "unknown", "suits-with-care": "care"}.get(
        verdict_of(checks)
    )
    by_gate = sorted(checks, key=lambda check: GATES.index(check.gate))
    for check in by_gate:
        if check.verdict == speaks and (speaks != "unknown" or check.deciding):
            return (check, *(other for other in by_gate if other is not check))
    return tuple(by_gate)


def half_days(
    situation: Situation, rule: WorkRule, state: TreeState, day: date, *, brief: bool = False
) -> tuple[HalfDay, ...]:
    """Judge the half days of ``day`` that are not past, the tree in the stage expected on that day.

    With ``brief`` a half day is left at the first check that forbids the work.
    """
    found = []
    for from_utc, until_utc in half_spans(situation, day):
        checks = judge_half(situation, rule, state, day, (from_utc, until_utc), brief=brief)
        found.append(HalfDay(from_utc, until_utc, day, verdict_of(checks), order_checks(checks)))
    return tuple(found)


def judge_half(
    situation: Situation,
    rule: WorkRule,
    state: TreeState,
    day: date,
    span_utc: tuple[datetime, datetime],
    *,
    brief: bool = False,
    gates: Sequence[Gate] = GATES,
) -> tuple[Check, ...]:
    """Run every check that applies, gate by gate; with ``brief`` up to the first that fails."""
    checks: list[Check] = []
    state = state.on(day)
    for row in applying_rows(situation, rule, state):
        if row.gate not in gates:
            continue
        checks.append(run_check(WorkCase(situation, rule, row, state, day, *span_utc)))
        if brief and checks[-1].verdict == "fail":
            break
    return tuple(checks)


@dataclass(frozen=True, slots=True)
class Wanted:
    """Which half days are looked for where they are counted and not read: clear ones, and only the first."""

    most: int
    """That many are enough."""


def suitable_halves(
    situation: Situation, rule: WorkRule, state: TreeState, days: Sequence[date], *, with_care: bool = True
) -> Iterator[HalfDay]:
    """Go through the half days that suit, soonest first; those that suit with care only if asked.

    A half day is left at the first check that rules it out, its day where that check is of the whole day,
    and the search, up to the next change of stage, where it looks at the tree alone (``LASTING``). Trees
    of one kind in one place share what the weather says.
    """
    for stage, together in groupby(days, key=lambda day: state.on(day).stage):
        expected = state if stage is state.stage else replace(state, stage=stage)
        look = _Look(situation, rule, expected, rows_apart(situation, rule, expected), with_care)
        yield from _open_halves(look, situation, together)


def _open_halves(look: _Look, situation: Situation, days: Iterable[date]) -> Iterator[HalfDay]:
    """Half days of days on which the tree is in one stage."""
    for day in days:
        spans = half_spans(situation, day)
        if not spans:
            continue
        of_day = look.at(look.rows.of_day, day, spans[0])
        if isinstance(of_day, CheckRow):
            if of_day.kind in LASTING:
                return
            continue
        for span in spans:
            of_place = look.at_place(day, span)
            own = of_place if isinstance(of_place, CheckRow) else look.at(look.rows.own, day, span)
            if not isinstance(of_place, CheckRow) and not isinstance(own, CheckRow):
                found = of_day | of_place | own
                checks = [found[n] for n in range(len(look.rows.rows))]
                yield HalfDay(*span, day, verdict_of(checks), order_checks(checks))


@dataclass(frozen=True, slots=True)
class _Look:
    """A look for open half days: each part gives its checks by place of the row, or the row that bars."""

    situation: Situation
    rule: WorkRule
    state: TreeState
    rows: Rows
    with_care: bool

    def at(
        self, places: Sequence[int], day: date, span: tuple[datetime, datetime]
    ) -> dict[int, Check] | CheckRow:
        """Run the rows at these places until one rules the half day out."""
        found = {}
        for n in places:
            row = self.rows.rows[n]
            found[n] = run_check(WorkCase(self.situation, self.rule, row, self.state, day, *span))
            if self._rules_out(found[n]):
                return row
        return found

    def at_place(self, day: date, span: tuple[datetime, datetime]) -> dict[int, Check] | CheckRow:
        """Run the rows of weather and place, once for trees of one kind side by side."""
        tree, state = self.state.tree, self.state
        here = (tree.species_id, tree.group_id, state.place_id, state.extra_shade)
        asked = ("at_place", id(self.rows), day, span, here, self.with_care)
        return self.situation.once(asked, lambda: self.at(self.rows.of_place, day, span))

    def _rules_out(self, check: Check) -> bool:
        if check.verdict == "unknown":
            return check.deciding
        return check.verdict == "fail" or (check.verdict == "care" and not self.with_care)


def best_half(halves: Sequence[HalfDay]) -> HalfDay | None:
    """Return the half day with the best verdict, the earliest among equals with the fewest fails."""
    if not halves:
        return None

    def rank(half: HalfDay) -> tuple[int, int, datetime]:
        fails = sum(check.verdict == "fail" for check in half.checks)
        return VERDICT_ORDER.index(half.verdict), fails, half.from_utc

    return min(halves, key=rank)


def days_from(from_day: date, days: int) -> tuple[date, ...]:
    """Return ``days`` local days from ``from_day`` on."""
    return tuple(from_day + timedelta(days=ahead) for ahead in range(days))
