"""Work lines: what suits today and how, what to prepare for tomorrow, the cautions that belong to it."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import timedelta

from advisor.message.parts.common import advice_section
from advisor.message.plan_text import prepare_texts
from advisor.message.view import DigestInput, Line, Section

__all__ = ["build"]


def build(digest: DigestInput) -> Section | None:
    """Return the work section with one line of cautions per kind of work named in it."""
    section = advice_section(digest, "work", "Work")
    ready = _for_tomorrow(digest)
    if section is None:
        return Section("work", "Work", ready) if ready else None
    tables = digest.situation.tables
    cautions: dict[str, str] = {}
    for line in section.lines:
        parts = re.split(r"[:/]", line.id)
        for work_id, rule in tables.works.items():
            if work_id in parts:
                for caution in rule.cautions:
                    cautions.setdefault(caution, tables.cautions[caution])
    extra = tuple(Line(f"Care: {text}", "", f"caution:{name}", "quiet") for name, text in cautions.items())
    return Section(section.id, section.title, section.lines + ready + extra)


def _for_tomorrow(digest: DigestInput) -> tuple[Line, ...]:
    """Return one line on what the plan asks to prepare today for tomorrow; none where it asks nothing."""
    plan = digest.plan
    if plan is None:
        return ()
    day = digest.situation.day + timedelta(days=1)
    tomorrow = replace(plan, sessions=plan.on(day))
    texts = prepare_texts(digest.situation, tomorrow, digest.situation.day)
    more = f" And for {len(texts) - 1} more: advisor plan." if len(texts) > 1 else ""
    return (Line(f"{texts[0]}{more}", "", f"prepare:{day}", "plain"),) if texts else ()
