"""The answer to ``suits`` for one tree in words: verdict, what is in the way, when instead, what it asks."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import timedelta

from advisor.advice.model import Check, HalfDay, Situation, WorkJudgement
from advisor.advice.season_climate import years_in_words
from advisor.advice.work import WINDOW_DAYS
from advisor.message.words import day_and_clock, list_of, plain, short_day

__all__ = ["VERDICT_WORDS", "gate_line", "journal_lines", "judgement_lines", "settled_by"]

WIDTH = 78
VERDICT_WORDS = {
    "suits": "suits",
    "suits-with-care": "suits, with care",
    "does-not-suit": "does not suit",
    "cannot-tell": "cannot tell",
}
_MARKS = {"pass": "fine", "care": "care", "fail": "against", "unknown": "not known"}
_GATES = {"tree": "the tree", "weather": "the weather", "person": "you"}
_MOST = 4
TIME_LEFT = "time-left"
"""The check of the person that other hours mend, and nothing else."""
TO_END = "to-end"
"""The check of what the work would end."""
_GOOD = {"suits", "suits-with-care"}


def _wrap(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(
        plain(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False
    )


def _check_line(check: Check) -> str:
    source = f" [{check.source}]" if check.source else ""
    return _wrap(f"{_MARKS[check.verdict]}, {_GATES[check.gate]}: {check.text}{source}", "  - ", "    ")


def _when(situation: Situation, half: HalfDay) -> str:
    zone = situation.holdings.garden.zone
    return f"{day_and_clock(half.from_utc, zone, situation.day)}-{half.until_utc.astimezone(zone):%H:%M}"


def _wait(situation: Situation, judgement: WorkJudgement) -> str:
    """``wait until tomorrow 08:00-13:00``, or why no half day ahead is offered."""
    if judgement.next_window is not None:
        return f"wait until {_when(situation, judgement.next_window)}"
    if not _closes_soon(judgement) or judgement.last_sensible_day is None:
        return "no half day of the coming ten days is better"
    last = short_day(judgement.last_sensible_day)
    if judgement.last_sensible_day < situation.day:
        return f"its last sensible day was {last}: next season"
    if judgement.last_sensible_day <= judgement.day:
        return f"its last sensible day is {last}: next season"
    return f"no half day before its last sensible day, {last}, is better: next season"


def _closes_soon(judgement: WorkJudgement) -> bool:
    """True where the season closes within the days in which half days are looked for."""
    last = judgement.last_sensible_day
    return last is not None and last < judgement.day + timedelta(days=WINDOW_DAYS)


def gate_line(situation: Situation, judgement: WorkJudgement) -> str:
    """Say which gate is shut and what that means: not mended today, waited out, or other hours for you."""
    if judgement.verdict != "does-not-suit":
        return ""
    fails = [check for check in judgement.checks if check.verdict == "fail"]
    if judgement.impossible:
        return "This species cannot have it."
    of_tree = {check.check for check in fails if check.gate == "tree"}
    if of_tree == {TO_END}:
        return "Nothing is left for it to do."
    if of_tree:
        return "The tree itself is against it: that cannot be mended today."
    named = ["the weather"] if any(check.gate == "weather" for check in fails) else []
    persons = {check.check for check in fails if check.gate == "person"}
    named += ["the time left today"] if TIME_LEFT in persons else []
    named += ["your own safety"] if persons - {TIME_LEFT} else []
    text, verb = list_of(named), "are" if len(named) > 1 else "is"
    open_facts = any(
        check.gate == "tree" and check.verdict == "unknown" and check.deciding for check in judgement.checks
    )
    if open_facts:
        return f"{text[:1].upper()}{text[1:]} {verb} against it, and what is not known must be settled first."
    only = f"Only {text}" if len(named) == 1 else f"{text[:1].upper()}{text[1:]}"
    return f"{only} {verb} against it: {_wait(situation, judgement)}."


def settled_by(situation: Situation, judgement: WorkJudgement) -> tuple[str, ...]:
    """Return what would settle an answer that cannot be told: a word to log, or when to ask again."""
    if judgement.verdict != "cannot-tell":
        return ()
    open_checks = [check for check in judgement.checks if check.verdict == "unknown" and check.deciding]
    found = [check.text for check in open_checks if check.gate == "tree"]
    if any(check.gate != "tree" for check in open_checks):
        found.append(_when_known(situation, judgement, open_checks))
    return tuple(found)


def _when_known(situation: Situation, judgement: WorkJudgement, open_checks: Sequence[Check]) -> str:
    if situation.weather is None:
        return "ask again when there is weather"
    until, zone = situation.weather.covers_until_utc, situation.holdings.garden.zone
    if until is not None:
        last = until.astimezone(zone).date()
        from_day = judgement.day - (last - situation.day) + timedelta(days=1)
        if judgement.day >= last and from_day > situation.day:
            reach = f"the forecast reaches to {day_and_clock(until, zone, situation.day)}"
            return f"{reach}: ask again from {short_day(from_day)} on"
    names = ", ".join(dict.fromkeys(check.check for check in open_checks if check.gate != "tree"))
    return f"the forecast lacks what {names} want: ask again at its next run"


def journal_lines(situation: Situation, judgement: WorkJudgement) -> tuple[str, ...]:
    """Return the lines of the tree's journal that do not fit one another, in words."""
    state = situation.states.get(judgement.tree_id)
    return () if state is None else state.contradictions


def _best(halves: Sequence[HalfDay]) -> list[HalfDay]:
    """Return the best half days, in order of time: those without a but come before those with care."""
    ranked = sorted(halves, key=lambda half: (half.verdict != "suits", half.from_utc))
    return sorted(ranked[:_MOST], key=lambda half: half.from_utc)


def _season(situation: Situation, judgement: WorkJudgement) -> str:
    if judgement.barred_why:
        return f"Not this season any more: {judgement.barred_why}."
    last = judgement.last_sensible_day
    if last is None:
        return ""
    verb = " was" if last < situation.day else ":"
    often = judgement.last_sensible_chance
    enough = f", early enough {years_in_words(often)}" if often is not None else ", by an estimate"
    year = f" {last.year}" if last.year != situation.day.year else ""
    text = (
        f"Last sensible day this season{verb} {short_day(last)}{year}{enough}. {judgement.last_sensible_why}"
    )
    if judgement.windows and _closes_soon(judgement):
        text += "; later half days are left out"
    return f"{text}."


def _says_none(situation: Situation, judgement: WorkJudgement) -> bool:
    """True where the first sentence says already that no half day is offered."""
    return _wait(situation, judgement) in gate_line(situation, judgement)


def judgement_lines(situation: Situation, judgement: WorkJudgement) -> list[str]:
    """Return the answer for one tree, wrapped."""
    name = situation.holdings.tree(judgement.tree_id).name
    out = [_wrap(f"{name}: {VERDICT_WORDS[judgement.verdict]}. {gate_line(situation, judgement)}")]
    out += [_check_line(check) for check in judgement.checks]
    out += [_wrap(f"To settle it: {text}.", "  ", "    ") for text in settled_by(situation, judgement)]
    out += [_wrap(f"Journal: {text}.", "  ", "    ") for text in journal_lines(situation, judgement)]
    if judgement.windows:
        spans = [
            _when(situation, half) + (" with care" if half.verdict == "suits-with-care" else "")
            for half in _best(judgement.windows)
        ]
        out.append(_wrap(f"Half days that suit best: {'; '.join(spans)}.", "  ", "  "))
    elif (
        judgement.verdict != "cannot-tell"
        and not judgement.impossible
        and not _says_none(situation, judgement)
    ):
        out.append("  No half day of the coming ten days suits.")
    season = _season(situation, judgement)
    if season:
        out.append(_wrap(season, "  ", "  "))
    if judgement.verdict in _GOOD:
        out += [_wrap(f"Before: {text}", "  ", "    ") for text in judgement.prepare]
        out += [_wrap(f"After: {text}", "  ", "    ") for text in judgement.afterwards]
    return out
