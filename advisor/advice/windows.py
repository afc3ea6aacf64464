"""Half days inside working hours, each with its verdict for one kind of work on one tree."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import UTC, date, datetime, time, timedelta

from advisor.advice.checks import applies, run_check
from advisor.advice.model import Check, HalfDay, Situation, Verdict
from advisor.advice.work_case import WorkCase
from advisor.garden.state_model import TreeState
from advisor.garden.tables import WorkRule

__all__ = [
    "VERDICT_ORDER",
    "best_half",
    "days_from",
    "half_days",
    "half_spans",
    "judge_half",
    "order_checks",
    "verdict_of",
]

VERDICT_ORDER: tuple[Verdict, ...] = ("suits", "suits-with-care", "cannot-tell", "does-not-suit")
"""Best first."""

_NOON_BREAK = time(13)
"""Morning ends and afternoon begins here (local; the half days of the working-hours rule)."""

_GATES = ("tree", "weather", "person")


def half_spans(situation: Situation, day: date) -> tuple[tuple[datetime, datetime], ...]:
    """Return (from, until) in UTC of the half days of a local day that are not past, cut at now."""
    garden = situation.holdings.garden
    begin, end = garden.working_hours
    noon = min(max(_NOON_BREAK, begin), end)
    spans = []
    for first, last in ((begin, noon), (noon, end)):
        from_utc = datetime.combine(day, first, garden.zone).astimezone(UTC)
        until_utc = datetime.combine(day, last, garden.zone).astimezone(UTC)
        from_utc = max(from_utc, situation.now_utc)
        if from_utc < until_utc:
            spans.append((from_utc, until_utc))
    return tuple(spans)


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
    by_gate = sorted(checks, key=lambda check: _GATES.index(check.gate))
    for check in by_gate:
        if check.verdict == speaks and (speaks != "unknown" or check.deciding):
            return (check, *(other for other in by_gate if other is not check))
    return tuple(by_gate)


def half_days(
    situation: Situation, rule: WorkRule, state: TreeState, day: date, *, brief: bool = False
) -> tuple[HalfDay, ...]:
    """Judge the half days of ``day`` that are not past.

    With ``brief`` the weather is not looked at where the tree itself already forbids the work.
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
    gates: Sequence[str] = _GATES,
) -> tuple[Check, ...]:
    """Run every check that applies, gate by gate."""
    checks: list[Check] = []
    for gate in gates:
        if brief and any(check.verdict == "fail" for check in checks):
            break
        for row in rule.checks:
            if row.gate == gate:
                case = WorkCase(situation, rule, row, state, day, *span_utc)
                if applies(case):
                    checks.append(run_check(case))
    return tuple(checks)


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
