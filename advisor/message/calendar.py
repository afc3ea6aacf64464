"""The calendar file: work windows and due checks (RFC 5545, stable UIDs)."""

from __future__ import annotations

import hashlib
from datetime import date, datetime, timedelta
from typing import TYPE_CHECKING

from advisor.advice.model import WorkAhead
from advisor.advice.readiness import ends_something, told_from
from advisor.garden.state_model import Question
from advisor.message.view import DigestInput
from advisor.message.words import plain, tree_names

if TYPE_CHECKING:
    from icalendar import Event

__all__ = ["MOST_WINDOWS", "calendar_bytes"]

MOST_WINDOWS = 3
"""Half days of one kind of work and tree that go into the calendar; the rest is a question away."""


def _worth_a_line(digest: DigestInput, ahead: WorkAhead) -> tuple[tuple[date, datetime, datetime], ...]:
    """Half days that suit without a but, at most ``MOST_WINDOWS``.

    None of work that ends a state of the tree before that asks for it (wire to take off, a layer to
    separate).
    """
    rule, state = digest.situation.tables.works[ahead.work], digest.situation.states[ahead.tree_id]
    if not ahead.clear or (ends_something(rule) and told_from(rule, state, digest.situation.day) is None):
        return ()
    return ahead.clear[:MOST_WINDOWS]


def _uid(*parts: str) -> str:
    return f"{hashlib.sha256('|'.join(parts).encode()).hexdigest()[:32]}@garden-advisor.invalid"


def calendar_bytes(digest: DigestInput) -> bytes:
    """Return an iCalendar file of the judged work windows and of the questions that are due.

    Windows of one kind of work in the same half day are one event over all its trees.
    """
    from icalendar import Calendar, Event

    situation = digest.situation
    calendar = Calendar()
    calendar.add("prodid", "-//growing-season-advisor//garden//EN")
    calendar.add("version", "2.0")
    calendar.add("method", "PUBLISH")
    windows: dict[tuple[str, datetime, datetime], list[str]] = {}
    days = {}
    for (work_id, tree_id), ahead in digest.work_ahead.items():
        for day, from_utc, until_utc in _worth_a_line(digest, ahead):
            key = (work_id, from_utc, until_utc)
            days[key] = day
            windows.setdefault(key, []).append(tree_id)
    for key in sorted(windows, key=lambda item: (item[1], item[0])):
        (work_id, from_utc, until_utc), trees = key, windows[key]
        rule = situation.tables.works[work_id]
        event = Event()
        # the UID names the half day by its local day and part, not by a span that shrinks through the day
        local = until_utc.astimezone(situation.holdings.garden.zone)
        event.add("uid", _uid("work", work_id, days[key].isoformat(), f"{local:%H:%M}"))
        event.add("dtstamp", situation.now_utc)
        event.add("dtstart", from_utc)
        event.add("dtend", until_utc)
        event.add("summary", plain(f"{rule.name}: {tree_names(situation, trees, 8)}"))
        words = [f"{situation.holdings.tree(tree).name}: suits" for tree in trees]
        cautions = [situation.tables.cautions[name] for name in rule.cautions]
        event.add("description", plain("\n".join([*words, *cautions])))
        event.add("transp", "TRANSPARENT")
        calendar.add_component(event)
    for state in situation.states.values():
        for question in state.questions:
            calendar.add_component(_question_event(digest, state.tree.id, state.tree.name, question))
    return bytes(calendar.to_ical())


def _question_event(digest: DigestInput, tree_id: str, name: str, question: Question) -> Event:
    from icalendar import Event

    event = Event()
    event.add("uid", _uid("due", tree_id, question.id, question.due.isoformat()))
    event.add("dtstamp", digest.now_utc)
    event.add("dtstart", question.due)
    event.add("dtend", question.due + timedelta(days=1))
    event.add("summary", plain(f"{name}: {question.text}"))
    answers = " or ".join(f"advisor log {tree_id} {answer}" for answer in question.answers)
    event.add("description", plain(f"{question.why} Answer: {answers}".strip()))
    event.add("transp", "TRANSPARENT")
    return event
