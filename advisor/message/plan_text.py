"""``advisor plan`` in words: day by day, what to do, what to prepare, what closes, who rests and why."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Sequence
from datetime import date

from advisor.advice.model import Check, Situation
from advisor.advice.plan_model import Closing, Plan, PlannedSession, Waiting
from advisor.advice.readiness import until_texts
from advisor.advice.season import SeasonLast
from advisor.advice.season_climate import years_in_words
from advisor.message.climate import climate_line
from advisor.message.parts.foot import weather_line
from advisor.message.words import clock, list_of, plain, short_day, tree_names

__all__ = ["cautions_of", "grouped", "plan_text", "prepare_texts", "preparing"]

WIDTH = 78
_MOST_NAMES = 8
_VERDICTS = {"suits": "suits", "suits-with-care": "suits, with care"}


def _wrap(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(
        plain(text),
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,  # journal words have hyphens, and are to be typed
    )


def _point(text: str) -> str:
    return _wrap(text, "- ", "  ")


def _under(label: str, text: str) -> str:
    return _wrap(f"{label}: {text}", "  ", "    ")


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def grouped(sessions: Iterable[PlannedSession]) -> list[tuple[PlannedSession, ...]]:
    """Return sessions of the same day, hours, works, verdict and last day together: one entry of the plan."""
    found: dict[tuple[object, ...], list[PlannedSession]] = {}
    for one in sessions:
        last = one.last.day if one.last is not None else None
        key = (one.day, one.from_utc, one.until_utc, one.works, one.order, one.half.verdict, last)
        found.setdefault((*key, one.waiting), []).append(one)
    return [tuple(group) for group in found.values()]


def preparing(situation: Situation, session: PlannedSession) -> tuple[str, ...]:
    """Return what is made ready: everything for the first work, the tools for those that go with it.

    The day before; for a session of today what is left to do just before it.
    """
    rules = [situation.tables.works[work] for work in session.works]
    tools = [rule.day_before[0] for rule in rules[1:] if rule.day_before]
    if session.day == situation.day:
        return tuple(dict.fromkeys([*rules[0].prepare, *tools]))
    water = [rules[0].water_before] if rules[0].water_before else []
    return tuple(dict.fromkeys([*rules[0].day_before, *tools, *water]))


def cautions_of(situation: Situation, plan: Plan) -> dict[str, tuple[str, ...]]:
    """Return caution id -> kinds of work of the plan that it belongs to."""
    tables = situation.tables
    planned = {work for one in (*plan.sessions, *plan.also_ready) for work in one.works}
    found: dict[str, list[str]] = {}
    for rule in tables.works.values():
        for caution in rule.cautions if rule.id in planned else ():
            found.setdefault(caution, []).append(rule.name)
    return {caution: tuple(names) for caution, names in found.items()}


def _what(situation: Situation, session: PlannedSession) -> str:
    """``full stripping (big cuts and wiring may go with it)``; ``before it`` where the rules ask for that."""
    works, place = situation.tables.works, session.order.index(session.work)
    before = [work for work in session.works if work in session.order[:place]]
    beside = [work for work in session.works if work in session.order[place + 1 :]]
    text = works[session.work].name
    may = [
        f"{list_of([works[work].name for work in others])} may go {where} it"
        for others, where in ((before, "before"), (beside, "with"))
        if others
    ]
    return f"{text} ({', '.join(may)})" if may else text


def _reason(check: Check) -> str:
    _, colon, said = check.text.partition(": ")
    if check.gate == "tree" and check.check == "stage":
        return said
    text = check.text if colon else said or check.text
    return text[:1].lower() + text[1:]


def _why(session: PlannedSession) -> str:
    checks = session.half.checks
    measured = [check for check in checks if check.gate == "weather" and check.value is not None]
    chosen = [checks[0], *measured[:1]]
    return "; ".join(dict.fromkeys(_reason(check).split("; at ")[0] for check in chosen))


def _last(last: SeasonLast) -> str:
    sure = f"early enough {years_in_words(last.chance)}" if last.chance is not None else "estimate"
    return f"{short_day(last.day)} ({sure})"


def _names(situation: Situation, group: Sequence[PlannedSession]) -> str:
    return tree_names(situation, [one.tree_id for one in group], _MOST_NAMES)


def _entry(situation: Situation, group: Sequence[PlannedSession]) -> list[str]:
    one, zone = group[0], situation.holdings.garden.zone
    rule = situation.tables.works[one.work]
    hours = f"{clock(one.from_utc, zone)}-{clock(one.until_utc, zone)}"
    what = _capital(_what(situation, one))
    out = [_point(f"{what}: {_names(situation, group)}, {hours}; {_VERDICTS[one.half.verdict]}")]
    out.append(_under("why", _why(one)))
    until = until_texts(situation, rule, situation.states[one.tree_id], one.day)
    out += [_under("after", text.removesuffix(".")) for text in until]
    if one.last is not None:
        out.append(_under("last sensible day", _last(one.last)))
    waiting: dict[str, list[str]] = {}
    for other in one.waiting:
        waiting.setdefault(_until_then(other, situation.day), []).append(
            situation.tables.works[other.work].name
        )
    return out + [_under("must then wait", f"{list_of(names)}, {when}") for when, names in waiting.items()]


def _until_then(other: Waiting, today: date) -> str:
    if other.from_day is None:
        return "until that is over"
    year = f" {other.from_day.year}" if other.from_day.year != today.year else ""
    return f"until {short_day(other.from_day)}{year}" + ("" if other.this_season else ", so not this season")


def prepare_texts(situation: Situation, plan: Plan, day: date) -> tuple[str, ...]:
    """Return what to prepare on a day, a text for all trees that ask for the same."""
    by_text: dict[tuple[date, tuple[str, ...]], list[PlannedSession]] = {}
    for one in plan.prepared_on(day):
        texts = preparing(situation, one)
        if texts:
            by_text.setdefault((one.day, texts), []).append(one)
    out = []
    for (for_day, texts), sessions in by_text.items():
        when = "Prepare now" if for_day == day else f"Prepare for {short_day(for_day)}"
        works = list_of(list(dict.fromkeys(situation.tables.works[one.work].name for one in sessions)))
        out.append(f"{when}, {works} of {_names(situation, sessions)}: {' '.join(texts)}")
    return tuple(out)


def _closing(situation: Situation, closing: Sequence[Closing]) -> list[str]:
    by_season: dict[tuple[str, SeasonLast], dict[tuple[bool, str], list[str]]] = {}
    for one in closing:
        text = f"planned {short_day(one.planned)}" if one.planned is not None else one.hindered_by
        key = (one.planned is None, text)
        by_season.setdefault((one.work, one.last), {}).setdefault(key, []).append(one.tree_id)
    out = []
    for (work, last), trees in by_season.items():
        name = _capital(situation.tables.works[work].name)
        out.append(_point(f"{name}: last sensible day {_last(last)}; {last.why}"))
        for (open_yet, text), ids in sorted(trees.items(), key=lambda item: item[0][0]):
            decide = "no day suits without a but: " if open_yet else ""
            out.append(_under(tree_names(situation, ids, _MOST_NAMES), f"{decide}{text}"))
        if any(open_yet for open_yet, _ in trees):
            out.append("  Decide: take what stands against it, or leave it until next season.")
    return out


def plan_text(situation: Situation, plan: Plan) -> str:
    """Return the plan in words, at most 78 columns: day by day, then what holds for all of it once."""
    first, last = plan.days[0], plan.days[-1]
    out = [
        _wrap(f"{situation.holdings.garden.name}: plan, {short_day(first)} to {short_day(last)}"),
        _wrap(
            f"At most {plan.major_a_day} {'tree' if plan.major_a_day == 1 else 'trees'} a day for major work,"
            f" {plan.light_a_day} for light work."
        ),
    ]
    if situation.exposure is None:
        out.append(_wrap("No weather is known, so no day can be named."))
    elif not plan.sessions:
        out.append(_wrap("Nothing is proposed for these days."))
    for day in plan.days:
        lines = [line for group in grouped(plan.on(day)) for line in _entry(situation, group)]
        ready = [_point(text) for text in prepare_texts(situation, plan, day)]
        if lines or ready:
            out += ["", f"{'TODAY, ' if day == first else ''}{short_day(day).upper()}", *lines, *ready]
    if plan.also_ready:
        out += ["", "ALSO READY, BUT THE DAYS ARE FULL"]
        for group in grouped(plan.also_ready):
            what = _capital(_what(situation, group[0]))
            out.append(_point(f"{what}: {_names(situation, group)}; best day {short_day(group[0].day)}"))
    if plan.closing:
        out += ["", "CLOSES SOON", *_closing(situation, plan.closing)]
    if plan.resting:
        count = len(plan.resting)
        out += ["", "NOTHING FOR ONE TREE" if count == 1 else f"NOTHING FOR {count} TREES"]
        by_why: dict[str, list[str]] = {}
        for one in plan.resting:
            by_why.setdefault(one.why, []).append(one.tree_id)
        out += [_point(f"{tree_names(situation, ids, _MOST_NAMES)}: {why}") for why, ids in by_why.items()]
    works = {work: None for one in plan.sessions for work in one.works}
    if works:
        out += ["", "AFTERWARDS"]
        for work in works:
            rule = situation.tables.works[work]
            out += [_point(f"{_capital(rule.name)}: {' '.join(rule.afterwards)}")]
    cautions = cautions_of(situation, plan)
    if cautions:
        out.append("")
        out += [
            _wrap(f"Care with {list_of(names)}: {situation.tables.cautions[caution]}", "", "  ")
            for caution, names in cautions.items()
        ]
    out += ["", _wrap("Any other work, any other day: advisor suits WORK TREE --day DATE.")]
    out += [_wrap(weather_line(situation)), _wrap(climate_line(situation))]
    return "\n".join(out) + "\n"
