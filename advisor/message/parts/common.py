"""What several parts share: a section made of the advice of one kind."""

from __future__ import annotations

from advisor.advice.model import Kind
from advisor.message.parts.must import chosen
from advisor.message.view import DigestInput, Line, Section
from advisor.message.words import why_text

__all__ = ["advice_section"]


def advice_section(digest: DigestInput, kind: Kind, title: str) -> Section | None:
    """Return a section of the advice of ``kind``, leaving out what the must-do lines carry."""
    taken = {advice.id for advice in chosen(digest)}
    lines = tuple(
        Line(
            advice.do,
            why_text(advice, digest.situation),
            advice.id,
            "quiet" if advice.urgency == "note" else "plain",
        )
        for advice in digest.advice
        if advice.kind == kind and advice.id not in taken
    )
    return Section(kind, title, lines) if lines else None
