"""Work lines: what suits today and how, with the cautions that belong to it."""

from __future__ import annotations

import re

from advisor.message.parts.common import advice_section
from advisor.message.view import DigestInput, Line, Section

__all__ = ["build"]


def build(digest: DigestInput) -> Section | None:
    """Return the work section with one line of cautions per kind of work named in it."""
    section = advice_section(digest, "work", "Work")
    if section is None:
        return None
    tables = digest.situation.tables
    cautions: dict[str, str] = {}
    for line in section.lines:
        parts = re.split(r"[:/]", line.id)
        for work_id, rule in tables.works.items():
            if work_id in parts:
                for caution in rule.cautions:
                    cautions.setdefault(caution, tables.cautions[caution])
    extra = tuple(Line(f"Care: {text}", "", f"caution:{name}", "quiet") for name, text in cautions.items())
    return Section(section.id, section.title, section.lines + extra)
