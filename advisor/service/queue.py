"""What is due on which local day, and into the outbox with it: digest, alerts, standing measures.

Asks only "which messages of local day D are not in the ledger and may go now?"; there is no
next-fire-time arithmetic, so clock changes, sleep and restarts need no special case.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta

from advisor.advice.model import AlertEvent as Hazard
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
from advisor.service.told_watering import keep_told, told_watering
from advisor.store.database import Store
from advisor.store.ledger import (
    AlertEvent,
    LedgerRow,
    close_event,
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
        evaluation, notices, quiet_notes, pictures=envelope.pictures, with_work=envelope.with_work
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
            keep_told(tx, told_watering(store, now_utc), situation, now_utc)
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


def _same(told: AlertEvent, hazard: Hazard) -> bool:
    """Spells that touch or are a day apart are one event."""
    day = timedelta(days=1)
    return hazard.first_day <= told.last_day + day and hazard.last_day >= told.first_day - day


def _worth_an_update(told: AlertEvent, hazard: Hazard, today: date, told_day: date) -> bool:
    """Another tree in danger, or the beginning moved by a day while it had not begun; once a day at most."""
    if told_day >= today:
        return False
    if set(hazard.trees) - set(told.trees):
        return True
    begun = told.first_day <= today
    return not begun and hazard.first_day != told.first_day


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
    garden, today = situation.holdings.garden, situation.day
    queued = []
    matched: set[str] = set()
    for hazard in evaluation.events:
        told = next(
            (event for event in open_events(store, hazard.hazard, now_utc) if _same(event, hazard)), None
        )
        if told is not None:
            matched.add(told.event)
            if hazard.last_day > told.last_day:
                with store.transaction() as tx:
                    stretch_event(tx, told.event, hazard.last_day)
        if now_utc < hazard.send_from_utc or now_utc >= hazard.expires_utc:
            continue
        if _quiet(now_utc, garden, quiet) and not hazard.may_break_quiet_hours:
            continue
        if told is None:
            event = AlertEvent(
                f"{hazard.hazard}-{hazard.first_day.isoformat()}",
                hazard.hazard,
                hazard.first_day,
                hazard.last_day,
                hazard.trees,
                now_utc,
            )
        elif _worth_an_update(told, hazard, today, told.told_at_utc.astimezone(garden.zone).date()):
            event = AlertEvent(
                told.event,
                told.hazard,
                min(told.first_day, hazard.first_day) if told.first_day <= today else hazard.first_day,
                max(told.last_day, hazard.last_day),
                tuple(dict.fromkeys([*told.trees, *hazard.trees])),
                now_utc,
                told.revision + 1,
            )
        else:
            continue
        matched.add(event.event)
        messages = alert_messages(hazard, event.event, event.revision, evaluation, notices, envelope, now_utc)
        key = f"{event.event}/{event.revision}"
        with store.transaction() as tx:
            if write_ledger(tx, LedgerRow(hazard.hazard, key, today, "queued", now_utc)):
                supersede(tx, hazard.hazard, event.event, [message.dedupe_key for message in messages])
                record_event(tx, event)
                enqueue_all(tx, messages)
                queued.append(key)
    _close_past(store, today, matched, now_utc)
    return tuple(queued)


def _close_past(store: Store, today: date, matched: set[str], now_utc: datetime) -> None:
    for name in HAZARDS:
        for event in open_events(store, name, now_utc):
            if event.last_day < today - timedelta(days=1) and event.event not in matched:
                with store.transaction() as tx:
                    close_event(tx, event.event, now_utc)
