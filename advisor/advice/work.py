"""Does today suit the work? The answer for a tree, a kind of work and a day, with every reason."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta
from itertools import islice

from advisor.advice.checks import rows_apart
from advisor.advice.model import (
    Advice,
    Check,
    HalfDay,
    Reason,
    Situation,
    Verdict,
    WorkAhead,
    WorkJudgement,
)
from advisor.advice.readiness import (
    a_day,
    last_day,
    never,
    season_checks,
    told_in_stage,
    until_texts,
    without_a_but,
)
from advisor.advice.season import SeasonLast
from advisor.advice.windows import (
    best_half,
    clear_spans,
    days_from,
    half_days,
    judge_half,
    order_checks,
    suitable_halves,
    verdict_of,
)
from advisor.advice.work_answers import answers_on
from advisor.advice.work_case import date_words
from advisor.errors import SettingsError
from advisor.garden.state_model import TreeState
from advisor.garden.tables import WorkRule

__all__ = ["WINDOW_DAYS", "judge", "judge_all", "verdict_today", "windows", "work_advice", "work_ahead"]

WINDOW_DAYS = 10
"""Days ahead in which the next suitable half day is sought (the length of the forecast)."""

_LINES = 3
"""The digest has room for three lines of work (trade rule)."""

_GOOD = ("suits", "suits-with-care")


def judge(situation: Situation, work_id: str, tree_id: str, day: date) -> WorkJudgement:
    """Judge one kind of work on one tree for one local day.

    Parameters
    ----------
    situation : Situation
        Everything known at this pass.
    work_id, tree_id : str
        A kind of work of config/work.toml and a tree of the garden.
    day : date
        Today or later.

    Returns
    -------
    WorkJudgement
        Verdict of the day's best remaining half day, deciding reason first. Half days ahead end with
        the last sensible day.

    Raises
    ------
    SettingsError
        Unknown kind of work or tree, or a day that is past.
    """
    rule, state = _rule(situation, work_id), _state(situation, tree_id)
    if day < situation.day:
        raise SettingsError(f"day {day} is past; ask for {situation.day} or later")
    barred_always = never(rule, state)
    if barred_always is not None:
        return WorkJudgement(
            work_id,
            tree_id,
            day,
            "does-not-suit",
            (barred_always,),
            (),
            None,
            None,
            "",
            (),
            (),
            (),
            impossible=True,
        )
    today = half_days(situation, rule, state, day)
    checks, verdict = _of_day(situation, rule, state, day, today)
    last = last_day(situation, rule, state, day)
    barred = "" if last is None else _barred(situation, rule, state, last.day)
    coming = _before_its_end(days_from(day + timedelta(days=1), WINDOW_DAYS), last)
    last = None if barred else last
    ahead = tuple(suitable_halves(situation, rule, state, coming))
    return WorkJudgement(
        work=work_id,
        tree_id=tree_id,
        day=day,
        verdict=verdict,
        checks=checks,
        windows=(*(half for half in today if half.verdict in _GOOD), *ahead),
        next_window=ahead[0] if ahead else None,
        last_sensible_day=None if last is None else last.day,
        last_sensible_why="" if last is None else last.why,
        last_sensible_chance=None if last is None else last.chance,
        barred_why=barred,
        cautions=tuple(situation.tables.cautions[name] for name in rule.cautions),
        prepare=rule.prepare,
        afterwards=(*rule.afterwards, *until_texts(situation, rule, state, day)),
    )


def _of_day(
    situation: Situation, rule: WorkRule, state: TreeState, day: date, halves: Sequence[HalfDay]
) -> tuple[tuple[Check, ...], Verdict]:
    """Return the checks and the verdict of the best half day; of tree and person where none is left."""
    best = best_half(halves)
    if best is not None:
        return best.checks, best.verdict
    now = situation.now_utc
    found = judge_half(situation, rule, state, day, (now, now), gates=("tree", "person"))
    checks = order_checks(tuple(check for check in found if check.gate == "tree" or check.verdict == "fail"))
    return checks, verdict_of(checks)


def _before_its_end(days: Sequence[date], last: SeasonLast | None) -> list[date]:
    """Return the days up to the last sensible one: what comes later is for the next season."""
    return [one for one in days if last is None or one <= last.day]


def work_ahead(
    situation: Situation, work_id: str, tree_id: str, *, most: int, closing_d: float
) -> WorkAhead | None:
    """Count what ``judge`` says of today and the coming days, without the reasons.

    Parameters
    ----------
    situation, work_id, tree_id
        As of ``judge``.
    most : int
        No more clear half days than these are looked for.
    closing_d : float
        A last sensible day further away [d] is left out.

    Returns
    -------
    WorkAhead or None
        None for work that the species cannot have.
    """
    rule, state = _rule(situation, work_id), _state(situation, tree_id)
    rows = rows_apart(situation, rule, state)
    asked = ("work_ahead", id(rows), state.place_id, state.extra_shade)
    found = situation.once(asked, lambda: _days_ahead(situation, rule, state))
    if found is None:
        return None
    day, (days, last) = situation.day, found
    clear = islice(clear_spans(situation, rule, state, days), most)
    closes = None
    if last is not None and 0 <= (last.day - day).days <= closing_d:
        today = half_days(situation, rule, state, day, brief=True)
        _, verdict = _of_day(situation, rule, state, day, today)
        if verdict != "does-not-suit" and not _barred(situation, rule, state, last.day):
            closes = last.day
    return WorkAhead(work_id, tree_id, tuple((one, *span) for one, span in clear), closes)


def _days_ahead(
    situation: Situation, rule: WorkRule, state: TreeState
) -> tuple[list[date], SeasonLast | None] | None:
    """Return the days to look at and the last sensible one, of trees of a kind side by side; None: never."""
    if never(rule, state) is not None:
        return None
    day = situation.day
    last = last_day(situation, rule, state, day)
    return [day, *_before_its_end(days_from(day + timedelta(days=1), WINDOW_DAYS), last)], last


def judge_all(
    situation: Situation, work_ids: Sequence[str], tree_ids: Sequence[str], day: date
) -> tuple[WorkJudgement, ...]:
    """Judge several kinds of work on several trees, work by work in the order given."""
    return tuple(judge(situation, work, tree, day) for work in work_ids for tree in tree_ids)


def windows(
    situation: Situation, work_id: str, tree_id: str, from_day: date, days: int = WINDOW_DAYS
) -> tuple[HalfDay, ...]:
    """Return every half day of the coming ``days`` with its verdict, soonest first; past ones left out."""
    rule, state = _rule(situation, work_id), _state(situation, tree_id)
    if never(rule, state) is not None:
        return ()
    return tuple(
        half
        for day in days_from(from_day, days)
        for half in half_days(situation, rule, state, day, brief=True)
    )


def verdict_today(situation: Situation, work_id: str, tree_id: str) -> Verdict | None:
    """Return today's verdict; None where the tree cannot have the work or no half day is left."""
    rule, state = _rule(situation, work_id), _state(situation, tree_id)
    if never(rule, state) is not None:
        return None
    best = best_half(half_days(situation, rule, state, situation.day, brief=True))
    return None if best is None else best.verdict


def _rule(situation: Situation, work_id: str) -> WorkRule:
    try:
        return situation.tables.works[work_id]
    except KeyError:
        raise SettingsError(
            f"no kind of work {work_id!r}; one of {', '.join(situation.tables.works)}"
        ) from None


def _state(situation: Situation, tree_id: str) -> TreeState:
    try:
        return situation.states[tree_id]
    except KeyError:
        raise SettingsError(f"no tree {tree_id!r}; one of {', '.join(situation.states)}") from None


_STAYS = frozenset({"spacing", "strength", "practice", "major-works"})
"""Kinds of checks that only time, or nothing, mends."""


def _barred(situation: Situation, rule: WorkRule, state: TreeState, last: date) -> str:
    """Say what in the tree still forbids the work on the last sensible day; empty where waiting may help."""
    if last < situation.day:
        return ""
    now = situation.now_utc
    answers = answers_on(situation, rule, state, situation.day)
    for n, row in enumerate(answers.rows.rows):
        if row.kind in _STAYS:
            check = answers.check(situation, n, last, (now, now))
            if check.verdict == "fail":
                text = check.text[:1].lower() + check.text[1:]
                return f"on its last sensible day, {date_words(last, situation.day)}, still {text}"
    return ""


# --- the digest -----------------------------------------------------------------------------------


def work_advice(situation: Situation) -> tuple[Advice, ...]:
    """Return at most three lines of work that today suits, each grouped over trees.

    Told is what makes sense in the tree's stage (option ``tell`` of the stage row) and suits without a
    but; where the season closes within two weeks, a but of the season alone is no hindrance. Windows that
    close come first, then the order of config/work.toml.
    """
    lines: list[tuple[int, int, Advice]] = []
    for place, rule in enumerate(situation.tables.works.values()):
        fit: list[tuple[TreeState, HalfDay, SeasonLast | None]] = []
        for tree in situation.holdings.trees:
            state = situation.states.get(tree.id)
            if state is None:
                continue
            if not told_in_stage(rule, state) or never(rule, state) is not None:
                continue
            today, but = (situation.day,), season_checks(rule)
            if next(suitable_halves(situation, rule, state, today, care_in=but), None) is None:
                continue  # the best half day would have a but as well
            best = best_half(half_days(situation, rule, state, situation.day, brief=True))
            if best is not None and without_a_but(rule, best):
                fit.append((state, best, last_day(situation, rule, state, situation.day)))
        if fit:
            notice = situation.tables.limits.value("plan.closing_d", "d")
            left = min(((last.day - situation.day).days for _, _, last in fit if last), default=-1)
            closing = 0 <= left <= notice
            lines.append((0 if closing else 1, place, _line(situation, rule, fit, closing=closing)))
    lines.sort(key=lambda line: line[:2])
    return tuple(advice for _, _, advice in lines[:_LINES])


def _names(
    situation: Situation, rule: WorkRule, fit: Sequence[tuple[TreeState, HalfDay, SeasonLast | None]]
) -> str:
    """Name no more trees than the grower works on in a day, what closes first; count the rest."""
    major, light = a_day(situation)
    most = major if rule.effort == "major" else light
    first = sorted(fit, key=lambda one: one[2].day if one[2] else date.max)[:most]
    names = ", ".join(one[0].tree.name for one in fit if one in first)
    more = len(fit) - len(first)
    return f"{names} and {more} more, another day (advisor plan)" if more else names


def _line(
    situation: Situation,
    rule: WorkRule,
    fit: Sequence[tuple[TreeState, HalfDay, SeasonLast | None]],
    *,
    closing: bool,
) -> Advice:
    zone = situation.holdings.garden.zone
    state, best, last = min(fit, key=lambda one: one[2].day if one[2] else date.max)
    ids = tuple(one.tree.id for one, _, _ in fit)
    begin, end = min(half.from_utc for _, half, _ in fit), max(half.until_utc for _, half, _ in fit)
    hours = f"{begin.astimezone(zone):%H:%M}–{end.astimezone(zone):%H:%M}"
    do = f"Use today for {rule.name} if you plan it: {_names(situation, rule, fit)} ({hours})"
    if closing and last is not None:
        do += f"; last sensible day {last.day.day} {last.day:%B}"
    reasons = tuple(
        Reason(
            check.check,
            check.value if isinstance(check.value, float) else None,
            check.unit,
            check.limit if isinstance(check.limit, float) else None,
            check.at_utc,
            check.text,
            check.source,
        )
        for check in best.checks
    )
    care = any(half.verdict == "suits-with-care" for _, half, _ in fit)
    return Advice(
        id=f"work/{rule.id}/{'+'.join(ids)}",
        kind="work",
        urgency="today" if closing else "note",
        trees=ids,
        do=do,
        from_utc=begin,
        until_utc=end,
        reasons=reasons,
        sure=f"stage {state.stage.text}" + ("; with care, see the reasons" if care else ""),
        changes_if=f"ask: advisor suits {rule.id} {state.tree.id}",
    )
