"""Recovery lines: trees under way, day n of about N, what ends it, and the question that is due."""

from __future__ import annotations

from advisor.advice.model import Situation
from advisor.garden.state_model import Flag, TreeState
from advisor.message.parts.must import chosen
from advisor.message.view import DigestInput, Line, Section
from advisor.message.words import list_of, short_day, why_text

__all__ = ["build", "flag_text"]

MOST_TREES = 12
"""Trees named one by one; beyond that they are gathered by what they recover from."""


def flag_text(flag: Flag) -> str:
    """``bare after stripping, day 9, new leaves expected 4 Jul to 22 Jul``."""
    text = f"{flag.rule.name}, day {flag.day_n}"
    early, late = flag.expected_end
    if flag.phase == "open":
        return text
    if flag.phase == "overdue":
        return f"{text}, was due by {short_day(late)} and not reported"
    if early == late:
        return f"{text}, ends about {short_day(late)}"
    return f"{text}, ends {short_day(early)} to {short_day(late)}"


def _tree_line(state: TreeState) -> Line:
    flags = list_of([flag_text(flag) for flag in state.flags])
    return Line(f"{state.tree.name}: {flags}.", "", f"recovery:{state.tree.id}")


def _gathered(states: list[TreeState], situation: Situation) -> list[Line]:
    by_flag: dict[str, list[str]] = {}
    for state in states:
        for flag in state.flags:
            by_flag.setdefault(flag.rule.name, []).append(state.tree.name)
    del situation
    return [Line(f"{name}: {list_of(trees)}.", "", f"recovery:{name}") for name, trees in by_flag.items()]


def build(digest: DigestInput) -> Section | None:
    """Return the recovery section: states under way, then the questions that are due."""
    situation = digest.situation
    states = [state for state in situation.states.values() if state.flags]
    lines = (
        [_tree_line(state) for state in states] if len(states) <= MOST_TREES else _gathered(states, situation)
    )
    taken = {advice.id for advice in chosen(digest)}
    lines += [
        Line(advice.do, why_text(advice, situation, 1), advice.id)
        for advice in digest.advice
        if advice.kind == "due" and advice.id not in taken
    ]
    return Section("recovery", "Recovery", tuple(lines)) if lines else None
