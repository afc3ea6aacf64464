"""Half days inside working hours, each with its verdict for one kind of work on one tree."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterable, Iterator, Mapping, Sequence
from datetime import UTC, date, datetime, time, timedelta
from functools import lru_cache, partial
from zoneinfo import ZoneInfo

from advisor.advice.checks import GATES
from advisor.advice.model import Check, CheckVerdict, Gate, HalfDay, Situation, Verdict
from advisor.advice.work_answers import Answers, Span, answers_on, stages_begun
from advisor.garden.state_model import TreeState
from advisor.garden.tables import WorkRule

__all__ = [
    "VERDICT_ORDER",
    "best_half",
    "clear_spans",
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


def half_spans(situation: Situation, day: date) -> tuple[Span, ...]:
    """Return (from, until) in UTC of the half days of a local day that are not past, cut at now."""
    return situation.once(("half_spans", day), lambda: _half_spans(situation, day))


def _half_spans(situation: Situation, day: date) -> tuple[Span, ...]:
    garden, now = situation.holdings.garden, situation.now_utc
    spans = _working_halves(day, *garden.working_hours, garden.zone)
    return tuple((max(begin, now), end) for begin, end in spans if max(begin, now) < end)


@lru_cache(maxsize=512)
def _working_halves(day: date, begin: time, end: time, zone: ZoneInfo) -> tuple[Span, Span]:
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
    by_gate = sorted(checks, key=lambda check: GATES.index(check.gate))
    return _deciding_first(by_gate, verdict_of(checks))


_SPEAKS: Mapping[Verdict, CheckVerdict] = {
    "does-not-suit": "fail",
    "cannot-tell": "unknown",
    "suits-with-care": "care",
}


def _deciding_first(checks: Sequence[Check], verdict: Verdict) -> tuple[Check, ...]:
    speaks = _SPEAKS.get(verdict)
    for place, check in enumerate(checks):
        if check.verdict == speaks and (speaks != "unknown" or check.deciding):
            return (check, *checks[:place], *checks[place + 1 :])
    return tuple(checks)


def half_days(
    situation: Situation, rule: WorkRule, state: TreeState, day: date, *, brief: bool = False
) -> tuple[HalfDay, ...]:
    """Judge the half days of ``day`` that are not past, the tree in the stage expected on that day.

    With ``brief`` a half day is left at the first check that forbids the work.
    """
    found = []
    for from_utc, until_utc in half_spans(situation, day):
        checks = judge_half(situation, rule, state, day, (from_utc, until_utc), brief=brief)
        found.append(_half_day(day, (from_utc, until_utc), checks))
    return tuple(found)


def _half_day(day: date, span_utc: Span, checks: Sequence[Check]) -> HalfDay:
    """Return a half day with its verdict; its checks come gate by gate."""
    verdict = verdict_of(checks)
    return HalfDay(*span_utc, day, verdict, _deciding_first(checks, verdict))


def judge_half(
    situation: Situation,
    rule: WorkRule,
    state: TreeState,
    day: date,
    span_utc: Span,
    *,
    brief: bool = False,
    gates: Sequence[Gate] = GATES,
) -> tuple[Check, ...]:
    """Run every check that applies, gate by gate; with ``brief`` up to the first that fails."""
    checks: list[Check] = []
    answers = answers_on(situation, rule, state, day)
    for n, row in enumerate(answers.rows.rows):
        if row.gate not in gates:
            continue
        checks.append(answers.check(situation, n, day, span_utc))
        if brief and checks[-1].verdict == "fail":
            break
    return tuple(checks)


def suitable_halves(
    situation: Situation,
    rule: WorkRule,
    state: TreeState,
    days: Iterable[date],
    *,
    care_in: Collection[str] | None = None,
) -> Iterator[HalfDay]:
    """Go through the half days that suit, soonest first.

    ``care_in`` names the checks in which a half day may ask for care; None: in all.
    """
    for answers, day, span in _open_halves(situation, rule, state, days, care_in):
        checks = [answers.check(situation, n, day, span) for n in range(len(answers.rows.rows))]
        yield _half_day(day, span, checks)


def clear_spans(
    situation: Situation, rule: WorkRule, state: TreeState, days: Iterable[date]
) -> Iterator[tuple[date, Span]]:
    """Go through the half days that suit without any care, soonest first, without their checks."""
    for _, day, span in _open_halves(situation, rule, state, days, ()):
        yield day, span


def _open_halves(
    situation: Situation,
    rule: WorkRule,
    state: TreeState,
    days: Iterable[date],
    care_in: Collection[str] | None,
) -> Iterator[tuple[Answers, date, Span]]:
    """Go through the half days that no row rules out.

    They are the same in whatever order the rows are asked. So a row that says the same every day is asked
    once for each stage, and the row that ruled out the last day is asked first of the next.
    """
    begun = closed = -1
    for day in days:
        spans, stage = half_spans(situation, day), stages_begun(state, day)
        if not spans or stage == closed:
            continue
        if stage != begun:
            begun, answers = stage, answers_on(situation, rule, state, day)
            of_day, of_half = list(answers.rows.of_day), list(answers.rows.of_half)
        asked = partial(answers.check, situation)
        if _ruled_out(asked, of_day, day, spans[0], care_in):
            if answers.lasts(of_day[0]):
                closed = stage
                if stage == len(state.stages_ahead):
                    return
            continue
        of_day = [n for n in of_day if answers.still[n] is None]
        for span in spans:
            if not _ruled_out(asked, of_half, day, span, care_in):
                yield answers, day, span


def _ruled_out(
    asked: Callable[[int, date, Span], Check],
    rows: list[int],
    day: date,
    span: Span,
    care_in: Collection[str] | None,
) -> bool:
    """True where one of the rows rules the half day out; it then goes to the front of them."""
    for place, n in enumerate(rows):
        if _rules_out(asked(n, day, span), care_in):
            rows.insert(0, rows.pop(place))
            return True
    return False


def _rules_out(check: Check, care_in: Collection[str] | None) -> bool:
    if check.verdict == "unknown":
        return check.deciding
    return check.verdict == "fail" or (
        check.verdict == "care" and care_in is not None and check.check not in care_in
    )


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
