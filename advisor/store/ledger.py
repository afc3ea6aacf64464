"""What has been said: messages by local day, hazards as events, standing measures.

The ledger looks at no clock when it answers "has this been said?": if the clock goes back, nothing
that stands here is said again.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, cast

from advisor.errors import StoreError
from advisor.store.database import Row, Store, Transaction
from advisor.store.stamps import day_text, optional_stamp, stamp, stamp_text, utc_from

__all__ = [
    "AlertEvent",
    "LedgerRow",
    "LedgerState",
    "close_event",
    "event_by_id",
    "events_between",
    "ledger_rows",
    "not_in_ledger",
    "open_events",
    "record_event",
    "standing_told",
    "stretch_event",
    "tell_standing",
    "write_ledger",
]

LedgerState = Literal["queued", "merged", "skipped", "told"]


@dataclass(frozen=True, slots=True)
class LedgerRow:
    """One thing that is settled for a local day.

    Attributes
    ----------
    kind, key : str
        What it is; the pair stands once for ever, for example ``digest`` and ``2026-07-01``.
    day : date
        Local day of the garden.
    state : {"queued", "merged", "skipped", "told"}
        ``queued`` for delivery, ``merged`` into a later message, ``skipped`` with the reason in detail,
        ``told`` by other means.
    created_at_utc : datetime
        When it was settled.
    detail : str
        Why, in words.
    """

    kind: str
    key: str
    day: date
    state: LedgerState
    created_at_utc: datetime
    detail: str = ""


def write_ledger(tx: Transaction, row: LedgerRow) -> bool:
    """Settle one thing; False when it was settled before (then nothing changes: queue nothing)."""
    return bool(
        tx.run(
            "INSERT INTO ledger (kind, key, day, state, created_at, detail) VALUES (?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (kind, key) DO NOTHING",
            (row.kind, row.key, day_text(row.day), row.state, stamp(row.created_at_utc), row.detail),
        )
    )


def not_in_ledger(store: Store, wanted: Iterable[tuple[str, str]]) -> tuple[tuple[str, str], ...]:
    """Return those (kind, key) pairs that are not settled yet, in the order given."""
    return tuple(
        (kind, key)
        for kind, key in wanted
        if store.row("SELECT 1 FROM ledger WHERE kind = ? AND key = ?", (kind, key)) is None
    )


def ledger_rows(store: Store, first_day: date, last_day: date | None = None) -> tuple[LedgerRow, ...]:
    """Return what is settled for a local day, or for the days from first to last."""
    rows = store.rows(
        "SELECT kind, key, day, state, created_at, detail FROM ledger WHERE day BETWEEN ? AND ? "
        "ORDER BY day, id",
        (day_text(first_day), day_text(last_day or first_day)),
    )
    return tuple(
        LedgerRow(kind, key, date.fromisoformat(day), cast("LedgerState", state), utc_from(at), detail)
        for kind, key, day, state, at, detail in rows
    )


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """One spell of one hazard that the grower has been told about.

    Attributes
    ----------
    event : str
        Stable id, also in the mail's ``event=``.
    hazard : str
        For example ``heat``, ``frost``, ``gale``, ``official``.
    first_day, last_day : date
        Local days it covers.
    trees : tuple of str
        Trees named so far.
    told_at_utc : datetime
        When the newest revision was queued.
    revision : int
        0 for the first message, counting up with each update.
    closed_at_utc : datetime or None
        When it was over.
    grade : int
        Highest class of the hazard told so far.
    told_until : date or None
        Last local day that its messages spoke of; None in rows of older versions.
    """

    event: str
    hazard: str
    first_day: date
    last_day: date
    trees: tuple[str, ...]
    told_at_utc: datetime
    revision: int = 0
    closed_at_utc: datetime | None = None
    grade: int = 0
    told_until: date | None = None


_EVENT = "event, hazard, first_day, last_day, trees, told_at, revision, closed_at, grade, told_until"


def record_event(tx: Transaction, event: AlertEvent) -> bool:
    """Note that an event has been told, in the same transaction as its message.

    Returns False, changing nothing, when this or a later revision is noted already.
    """
    return bool(
        tx.run(
            f"INSERT INTO alert_event ({_EVENT}) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "  # noqa: S608 - fixed names
            "ON CONFLICT (event) DO UPDATE SET first_day = excluded.first_day, last_day = excluded.last_day, "
            "trees = excluded.trees, told_at = excluded.told_at, revision = excluded.revision, "
            "closed_at = excluded.closed_at, grade = excluded.grade, told_until = excluded.told_until "
            "WHERE excluded.revision > alert_event.revision",
            (
                event.event,
                event.hazard,
                day_text(event.first_day),
                day_text(event.last_day),
                json.dumps(list(event.trees)),
                stamp(event.told_at_utc),
                event.revision,
                optional_stamp(event.closed_at_utc),
                event.grade,
                None if event.told_until is None else day_text(event.told_until),
            ),
        )
    )


def stretch_event(tx: Transaction, event: str, last_day: date) -> None:
    """Let a told event reach to ``last_day`` without a new message: consecutive days are one event."""
    tx.run("UPDATE alert_event SET last_day = max(last_day, ?) WHERE event = ?", (day_text(last_day), event))


def close_event(tx: Transaction, event: str, now_utc: datetime) -> None:
    """Note that an event is over; closing it twice keeps the first instant.

    Raises
    ------
    StoreError
        There is no such event.
    """
    if not tx.run(
        "UPDATE alert_event SET closed_at = coalesce(closed_at, ?) WHERE event = ?", (stamp(now_utc), event)
    ):
        raise StoreError(f"{tx.store.path}: no alert event {event!r} to close")


def open_events(store: Store, hazard: str, now_utc: datetime) -> tuple[AlertEvent, ...]:
    """Return the events of a hazard that are not over, oldest first.

    An event closed later than ``now_utc`` counts as open. Events told "later than now", because the
    clock went back, count too: they have been said.
    """
    rows = store.rows(
        f"SELECT {_EVENT} FROM alert_event WHERE hazard = ? AND (closed_at IS NULL OR closed_at > ?) "  # noqa: S608
        "ORDER BY first_day, event",
        (hazard, stamp(now_utc)),
    )
    return tuple(_event(row) for row in rows)


def event_by_id(store: Store, event: str) -> AlertEvent | None:
    """Return one event, open or closed, or None."""
    row = store.row(f"SELECT {_EVENT} FROM alert_event WHERE event = ?", (event,))  # noqa: S608 - fixed names
    return None if row is None else _event(row)


def events_between(store: Store, first_day: date, last_day: date) -> tuple[AlertEvent, ...]:
    """Return every event, open or closed, that touches the days from first to last."""
    rows = store.rows(
        f"SELECT {_EVENT} FROM alert_event WHERE last_day >= ? AND first_day <= ? "  # noqa: S608 - fixed names
        "ORDER BY first_day, event",
        (day_text(first_day), day_text(last_day)),
    )
    return tuple(_event(row) for row in rows)


def _event(row: Row) -> AlertEvent:
    event, hazard, first, last, trees, told, revision, closed, grade, until = row
    return AlertEvent(
        event,
        hazard,
        date.fromisoformat(first),
        date.fromisoformat(last),
        tuple(json.loads(trees)),
        utc_from(told),
        revision,
        stamp_text(closed),
        grade,
        None if until is None else date.fromisoformat(until),
    )


def tell_standing(tx: Transaction, key: str, now_utc: datetime, detail: str = "") -> bool:
    """Note that a standing measure has been said; False when it had been said before."""
    return bool(
        tx.run(
            "INSERT INTO standing_measure VALUES (?, ?, ?) ON CONFLICT (key) DO NOTHING",
            (key, stamp(now_utc), detail),
        )
    )


def standing_told(store: Store) -> dict[str, datetime]:
    """Return every standing measure said so far and when."""
    return {
        key: utc_from(at) for key, at in store.rows("SELECT key, told_at FROM standing_measure ORDER BY key")
    }
