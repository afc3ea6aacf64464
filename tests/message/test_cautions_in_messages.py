"""The usual cautions stand with every kind of work in the mail and in the calendar, as in ``suits``."""

from __future__ import annotations

from datetime import timedelta

import pytest
from advice.work_builders import situation_of
from advice.work_contexts import CONTEXTS
from icalendar import Calendar

from advisor.advice.model import Advice, Reason
from advisor.advice.work import work_ahead
from advisor.message import calendar
from advisor.message.calendar import calendar_bytes
from advisor.message.digest import digest_view
from advisor.message.text import render_text
from advisor.message.view import DigestInput
from advisor.store.config_files import load_tables

TABLES = load_tables()


def digest_of(work: str) -> DigestInput:
    """A morning on which one kind of work suits one tree."""
    situation, _ = situation_of(CONTEXTS[work])
    ahead = work_ahead(situation, work, "t1", most=3, closing_d=14)
    assert ahead is not None
    assert ahead.clear
    now = situation.now_utc
    line = Advice(
        f"work/{work}/t1", "work", "today", ("t1",), f"Use today for {TABLES.works[work].name}", now,
        now + timedelta(hours=8), (Reason("stage", None, "", None, None, "as told", "common practice"),),
    )  # fmt: skip
    return DigestInput(situation=situation, advice=(line,), events=(), work_ahead={(work, "t1"): ahead})


def flat(text: str) -> str:
    return " ".join(text.split())


@pytest.mark.parametrize("work", CONTEXTS)
def test_mail_prints_the_cautions_of_the_work_it_names_and_no_others(work: str) -> None:
    text = flat(render_text(digest_view(digest_of(work))))
    for name, caution in TABLES.cautions.items():
        assert (flat(caution) in text) is (name in TABLES.works[work].cautions), name


@pytest.mark.parametrize("work", CONTEXTS)
def test_calendar_prints_the_cautions_with_every_window(work: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(
        calendar, "told_from", lambda _rule, _state, day: day
    )  # as if wire and layer were due
    events = [
        event
        for event in Calendar.from_ical(calendar_bytes(digest_of(work))).walk("VEVENT")
        if TABLES.works[work].name in str(event["summary"])
    ]
    assert events
    for event in events:
        for name in TABLES.works[work].cautions:
            assert flat(TABLES.cautions[name]) in flat(str(event["description"]))
