"""What is due on which local day, and into the outbox with it: digest, alerts, standing measures.

Asks only "which messages of local day D are not in the ledger and may go now?"; there is no
next-fire-time arithmetic, so clock changes, sleep and restarts need no special case.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from advisor.advice.alert_again import ToldEvent, belongs, lasting_until, step
from advisor.advice.alert_heat import hot_days
from advisor.advice.model import AlertEvent as Hazard
from advisor.advice.model import Situation
from advisor.garden.model import Garden
from advisor.service.compose import (
    Envelope,
    Rendered,
    alert_messages,
    digest_rendered,
    failure_view,
    messages_of,
)
from advisor.service.evaluate import Evaluation
from advisor.service.told_moves import keep_told_moves
from advisor.service.told_watering import keep_told
from advisor.store.database import Store
from advisor.store.ledger import (
    AlertEvent,
    LedgerRow,
    close_event,
    event_by_id,
    open_events,
    record_event,
    stretch_event,
    tell_standing,
    write_ledger,
)
from advisor.store.outbox import enqueue_all, supersede
from advisor.weather.days import day_bounds_utc

__all__ = ["queue_alerts", "queue_digest", "queue_failure"]

HAZARDS = ("heat", "frost", "gale", "hail", "dry")


def queue_digest(
    store: Store,
    evaluation: Evaluation,
    envelope: Envelope,
    now_utc: datetime,
    notices: Sequence[str],
    quiet_notes: Sequence[str],
) -> Rendered:
    """Queue the digest of the evaluation's day; ledger, outbox and what was told, in one transaction."""
    situation = evaluation.situation
    rendered = digest_rendered(
        evaluation, notices, quiet_notes, attached=envelope.attached, with_work=envelope.with_work
    )
    end = day_bounds_utc(situation.day, situation.holdings.garden.zone)[1]
    messages = messages_of(
        rendered.view,
        envelope,
        now_utc,
        revision=0,
        event="",
        lane="routine",
        on_unknown="hold",
        expires_utc=end,
        attachments=rendered.attachments,
    )
    key = situation.day.isoformat()
    with store.transaction() as tx:
        if write_ledger(tx, LedgerRow("digest", key, situation.day, "queued", now_utc)):
            enqueue_all(tx, messages)
            for piece in evaluation.advice:
                if piece.hazard == "standing":
                    tell_standing(tx, piece.id, now_utc, piece.do)
            keep_told(tx, store, situation, now_utc)
            keep_told_moves(tx, store, situation, evaluation.advice, now_utc)
    return rendered


def queue_failure(
    store: Store, garden: Garden, day: date, envelope: Envelope, now_utc: datetime, notices: Sequence[str]
) -> None:
    """Queue the mail that says no advice could be worked out; the digest itself stays due."""
    view = failure_view(garden.name, day, notices)
    end = day_bounds_utc(day, garden.zone)[1]
    messages = messages_of(
        view,
        envelope,
        now_utc,
        revision=0,
        event="failure",
        lane="routine",
        on_unknown="hold",
        expires_utc=end,
    )
    with store.transaction() as tx:
        if write_ledger(tx, LedgerRow("digest-failure", day.isoformat(), day, "queued", now_utc)):
            enqueue_all(tx, messages)


def _told(event: AlertEvent, garden: Garden) -> ToldEvent:
    told_day = event.told_at_utc.astimezone(garden.zone).date()
    return ToldEvent(event.first_day, event.last_day, event.trees, told_day, event.grade, event.told_until)


def _quiet(now_utc: datetime, garden: Garden, quiet: tuple[time, time]) -> bool:
    at = now_utc.astimezone(garden.zone).time()
    begin, end = quiet
    if begin == end:
        return False
    return begin <= at < end if begin < end else at >= begin or at < end


def queue_alerts(
    store: Store,
    evaluation: Evaluation,
    envelope: Envelope,
    now_utc: datetime,
    quiet: tuple[time, time],
    notices: Sequence[str],
) -> tuple[str, ...]:
    """Queue what is worth a mail between digests, once an event; return the ids of what was queued.

    Quiet hours hold a message back unless a tree would be lost; the next pass after them asks again.
    """
    situation = evaluation.situation
    garden, today, limits = situation.holdings.garden, situation.day, situation.tables.limits
    queued = []
    matched: set[str] = set()
    _carry_on_heat(store, situation, now_utc)
    for hazard in evaluation.events:
        known = open_events(store, hazard.hazard, now_utc)
        told = next((event for event in known if belongs(_told(event, garden), hazard)), None)
        if told is not None:
            matched.add(told.event)
            if hazard.last_day > told.last_day and hazard.hazard != "heat":
                with store.transaction() as tx:
                    stretch_event(tx, told.event, hazard.last_day)
        if now_utc < hazard.send_from_utc or now_utc >= hazard.expires_utc:
            continue
        if _quiet(now_utc, garden, quiet) and not hazard.may_break_quiet_hours:
            continue
        what = step(None if told is None else _told(told, garden), hazard, today, limits)
        if what == "silent":
            continue
        over = told if what == "open" else None
        event = _event_of(store, told if over is None else None, hazard, today, now_utc)
        matched.add(event.event)
        messages = alert_messages(hazard, event.event, event.revision, evaluation, notices, envelope, now_utc)
        key = f"{event.event}/{event.revision}"
        with store.transaction() as tx:
            if write_ledger(tx, LedgerRow(hazard.hazard, key, today, "queued", now_utc)):
                supersede(tx, hazard.hazard, event.event, [message.dedupe_key for message in messages])
                if over is not None:
                    close_event(tx, over.event, now_utc)
                record_event(tx, event)
                enqueue_all(tx, messages)
                queued.append(key)
    _close_past(store, today, matched, now_utc)
    return tuple(queued)


def _event_of(
    store: Store, told: AlertEvent | None, hazard: Hazard, today: date, now_utc: datetime
) -> AlertEvent:
    """What the ledger keeps of a mail. Heat lasts until the days go by without: see ``_carry_on_heat``.

    An event that is over is never told again, so a new one that begins on the same day has a name of its own.
    """
    last_day = hazard.first_day if hazard.hazard == "heat" else hazard.last_day
    if told is None:
        name = f"{hazard.hazard}-{hazard.first_day.isoformat()}"
        return AlertEvent(
            name if event_by_id(store, name) is None else f"{name}-told-{today.isoformat()}",
            hazard.hazard,
            hazard.first_day,
            last_day,
            hazard.trees,
            now_utc,
            grade=hazard.grade,
            told_until=hazard.last_day,
        )
    begun = told.first_day <= today
    return AlertEvent(
        told.event,
        told.hazard,
        min(told.first_day, hazard.first_day) if begun else hazard.first_day,
        max(told.last_day, last_day),
        tuple(dict.fromkeys([*told.trees, *hazard.trees])),
        now_utc,
        told.revision + 1,
        grade=max(told.grade, hazard.grade),
        told_until=max(told.told_until or hazard.last_day, hazard.last_day),
    )


def _carry_on_heat(store: Store, situation: Situation, now_utc: datetime) -> None:
    """Let a told spell last while there is heat or heat is foreseen close by; close it when it is over."""
    garden, quiet_d = situation.holdings.garden, round(situation.tables.limits.value("heat.quiet_d", "d"))
    for event in open_events(store, "heat", now_utc):
        hot = hot_days(situation, event.first_day)
        if hot is None:
            continue
        last = lasting_until(_told(event, garden), hot, quiet_d)
        with store.transaction() as tx:
            if last > event.last_day:
                stretch_event(tx, event.event, last)
            if (situation.day - last).days > quiet_d:
                close_event(tx, event.event, now_utc)


def _close_past(store: Store, today: date, matched: set[str], now_utc: datetime) -> None:
    for name in HAZARDS:
        for event in open_events(store, name, now_utc) if name != "heat" else ():
            if event.last_day < today - timedelta(days=1) and event.event not in matched:
                with store.transaction() as tx:
                    close_event(tx, event.event, now_utc)
