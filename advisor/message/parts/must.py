"""Must-do lines, at most three.

First what costs a tree when left, then what to prepare for a hazard that begins tomorrow, then what must
be carried today.
"""

from __future__ import annotations

from datetime import timedelta

from advisor.advice.model import Advice
from advisor.message.view import DigestInput, Line, Section
from advisor.message.words import why_text

__all__ = ["MOST", "build", "chosen"]

LIKELY = 0.5
"""Chance from which on a move that is no must stands above the fold: more likely than not."""
MOST = 3
"""Lines above the fold of a phone."""


def chosen(digest: DigestInput) -> tuple[Advice, ...]:
    """Return the advice that the must-do lines carry; other parts leave it out."""
    today = [
        advice for advice in digest.advice if advice.urgency in {"now", "today"} and advice.kind != "due"
    ]
    must = [advice for advice in today if advice.must]
    moves = [
        advice
        for advice in today
        if not advice.must
        and advice.kind in {"shade", "shelter"}
        and (advice.chance is None or advice.chance >= LIKELY)
    ]
    tomorrow = digest.situation.day + timedelta(days=1)
    prepare = [event.advice[0] for event in digest.events if event.first_day == tomorrow and event.advice]
    return tuple([*must, *prepare, *moves][:MOST])


def build(digest: DigestInput) -> Section | None:
    """Return the must-do section, or None when nothing must be done."""
    lines = tuple(
        Line(advice.do, why_text(advice, digest.situation, changes=True), advice.id, "must")
        for advice in chosen(digest)
    )
    return Section("must", "Must do", lines) if lines else None
