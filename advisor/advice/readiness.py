"""What is asked of a kind of work before any half day: can the tree have it, is it told, until when."""

from __future__ import annotations

from datetime import date, timedelta

from advisor.advice.checks import rows_apart
from advisor.advice.model import Check, HalfDay, Situation
from advisor.advice.season import SeasonLast, last_sensible
from advisor.advice.work_case import WorkCase, date_words, matches, option_words
from advisor.garden.state_model import TreeState
from advisor.garden.tables import FlagRule, WorkRule

__all__ = [
    "a_day",
    "ends_something",
    "flags_raised",
    "is_big",
    "last_day",
    "never",
    "season_checks",
    "told_from",
    "told_in_stage",
    "until_texts",
    "without_a_but",
]


def a_day(situation: Situation) -> tuple[int, int]:
    """Return how many trees a day the grower wants major, and light, work proposed for."""
    garden, limits = situation.holdings.garden, situation.tables.limits
    major = garden.works_per_day or round(limits.value("plan.major_a_day", "count"))
    light = garden.light_works_per_day or round(major * limits.value("plan.light_factor", "1"))
    return major, light


def never(rule: WorkRule, state: TreeState) -> Check | None:
    """Return the check that says why this work does not exist for the tree; None where it does.

    A key of ``not_for`` is a selector; with ``!`` in front it means trees that it does not match.
    """
    for word, why in rule.not_for.items():
        named = matches(word.removeprefix("!"), state.group, state.tree.species_id)
        if named != word.startswith("!"):
            text = f"{rule.name} on {state.group.name}: {why}"
            return Check(
                "tree", "species", "fail", state.group.name, "", None, None, "common practice: growers", text
            )
    return None


def told_in_stage(rule: WorkRule, state: TreeState) -> bool:
    """True where the work is proposed unasked in the tree's stage (option ``tell`` of the stage row)."""
    stage = state.stage.stage.name
    return any(stage in option_words(row, "tell") for row in rule.checks if row.kind == "stage")


def ends_something(rule: WorkRule) -> bool:
    """True for work that ends a state of the tree (wire off, layer separated): nothing to do without it."""
    return any(row.kind == "stage" and option_words(row, "tell_due") for row in rule.checks)


def told_from(rule: WorkRule, state: TreeState, day: date) -> date | None:
    """Return the day from which the work is proposed unasked; None where it is not.

    Today by the tree's stage, else the early end of a state that asks for the work (option ``tell_due``).
    """
    if told_in_stage(rule, state):
        return day
    if not state.flags:
        return None
    wanted = {word for row in rule.checks if row.kind == "stage" for word in option_words(row, "tell_due")}
    due = [max(day, flag.expected_end[0]) for flag in state.flags if flag.id in wanted]
    return min(due) if due else None


def last_day(situation: Situation, rule: WorkRule, state: TreeState, day: date) -> SeasonLast | None:
    """Return the last sensible day of this season, the earliest of what the rule's season rows say.

    Trees of one kind side by side have the same.
    """
    rows = rows_apart(situation, rule, state)
    if not rows.seasons:
        return None

    def work() -> SeasonLast | None:
        now = situation.now_utc
        cases = (WorkCase(situation, rule, row, state, day, now, now) for row in rows.seasons)
        found = [last for case in cases if (last := last_sensible(case)) is not None]
        return min(found, key=lambda one: one.day) if found else None

    return situation.once(("last_day", id(rows), state.place_id, state.extra_shade, day), work)


def season_checks(rule: WorkRule) -> frozenset[str]:
    """Return the names of the checks that look at how near the season's end is."""
    return frozenset(row.id for row in rule.checks if row.kind == "season")


def without_a_but(rule: WorkRule, half: HalfDay) -> bool:
    """True where a half day suits, or asks for care only because the season nears its end."""
    season = season_checks(rule)
    return half.verdict == "suits" or (
        half.verdict == "suits-with-care"
        and all(check.check in season for check in half.checks if check.verdict == "care")
    )


def is_big(rule: WorkRule) -> bool:
    """True where the rule spaces itself from an earlier big cut of its own kind."""
    return any(
        row.kind == "spacing" and rule.entry == "cut" and "big-cut" in row.numbers for row in rule.checks
    )


def flags_raised(situation: Situation, rule: WorkRule, state: TreeState) -> tuple[FlagRule, ...]:
    """Return the states that the work would begin now, on this tree or on the one that comes of it."""
    other = "not-in-leaf" if state.stage.stage.in_leaf else "in-leaf"
    return tuple(
        flag
        for flag in situation.tables.flags.values()
        if rule.entry in flag.starts and other not in flag.keeps and ("big" not in flag.keeps or is_big(rule))
    )


def until_texts(situation: Situation, rule: WorkRule, state: TreeState, day: date) -> tuple[str, ...]:
    """Say until when the tree will ask for its aftercare, counted from ``day``."""
    found = []
    for flag in flags_raised(situation, rule, state):
        if "days" not in flag.numbers:
            continue
        off = state.group.traits.get("wire_off_d") if "wire" in flag.keeps else None
        days = flag.numbers["days"] if off is None else off
        first, last = (
            day + timedelta(days=int(days.value if end is None else end)) for end in (days.low, days.high)
        )
        span = " to ".join(date_words(one, situation.day) for one in (first, last))
        found.append(f"{flag.name}: until about {span}.")
    return tuple(found)
