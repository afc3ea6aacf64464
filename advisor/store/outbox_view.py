"""What waits in the outbox, what is in doubt and what went wrong: for health, the digest and the operator."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, cast

from advisor.errors import StoreError
from advisor.store.database import Row, Store
from advisor.store.stamps import stamp, stamp_text, utc_from

__all__ = [
    "LaneHold",
    "MessageState",
    "OutboxState",
    "counts",
    "delivered_at",
    "held_lanes",
    "last_sent",
    "messages_of_day",
    "next_due",
    "oldest_waiting",
    "resolve_unknown",
    "troubles",
]

OutboxState = Literal["pending", "leased", "sent", "unknown", "failed", "expired", "superseded"]


@dataclass(frozen=True, slots=True)
class MessageState:
    """Where one message stands. Addresses are whole here: mask them before they are shown or logged."""

    id: int
    dedupe_key: str
    message_id: str
    recipient: str
    kind: str
    day: date
    event: str
    lane: Literal["urgent", "routine"]
    state: OutboxState
    attempts: int
    payloads: int
    created_at_utc: datetime
    not_before_utc: datetime | None
    expires_at_utc: datetime
    finished_at_utc: datetime | None
    receipt: str
    last_error: str


@dataclass(frozen=True, slots=True)
class LaneHold:
    """A lane that is held because of a fault of the whole channel."""

    lane: Literal["urgent", "routine"]
    since_utc: datetime
    not_before_utc: datetime
    why: str


_COLUMNS = (
    "id, dedupe_key, message_id, recipient, kind, day, event, lane, state, attempts, payloads, created_at, "
    "not_before, expires_at, finished_at, receipt, last_error"
)


def counts(store: Store) -> dict[OutboxState, int]:
    """Return how many messages are in each state (states without any are left out)."""
    return dict(store.rows("SELECT state, count(*) FROM outbox GROUP BY state"))


def messages_of_day(store: Store, day: date, kind: str | None = None) -> tuple[MessageState, ...]:
    """Return the messages about a local day, oldest first."""
    rows = store.rows(
        f"SELECT {_COLUMNS} FROM outbox WHERE day = ? AND (? IS NULL OR kind = ?) ORDER BY id",  # noqa: S608
        (day.isoformat(), kind, kind),
    )
    return tuple(_message(row) for row in rows)


def troubles(store: Store, since_utc: datetime) -> tuple[MessageState, ...]:
    """Return every message in doubt, and those failed or expired since an instant; for the next digest."""
    rows = store.rows(
        f"SELECT {_COLUMNS} FROM outbox WHERE state = 'unknown' "  # noqa: S608 - fixed column names
        "OR (state IN ('failed', 'expired') AND finished_at >= ?) ORDER BY id",
        (stamp(since_utc),),
    )
    return tuple(_message(row) for row in rows)


def oldest_waiting(
    store: Store, lane: Literal["urgent", "routine"], now_utc: datetime
) -> MessageState | None:
    """Return the message of a lane that has been due longest (not held for quiet hours), or None."""
    now = stamp(now_utc)
    row = store.row(
        f"SELECT {_COLUMNS} FROM outbox WHERE lane = ? AND state IN ('pending', 'leased') "  # noqa: S608
        "AND (attempts > 0 OR not_before IS NULL OR not_before <= ?) ORDER BY created_at, id LIMIT 1",
        (lane, now),
    )
    return None if row is None else _message(row)


def next_due(store: Store) -> datetime | None:
    """Return the earliest instant at which a message may go (its creation when at once), or None.

    A message leased by a process that may have died counts: it wants settling.
    """
    row = store.row(
        "SELECT min(coalesce(not_before, created_at)) FROM outbox WHERE state IN ('pending', 'leased')"
    )
    return None if row is None else stamp_text(row[0])


def last_sent(store: Store, kind: str, now_utc: datetime) -> datetime | None:
    """Return when a message of a kind was last taken by the server at or before now, or None."""
    row = store.row(
        "SELECT max(finished_at) FROM outbox WHERE state = 'sent' AND kind = ? AND finished_at <= ?",
        (kind, stamp(now_utc)),
    )
    return None if row is None else stamp_text(row[0])


def delivered_at(store: Store, kind: str, day: date, now_utc: datetime) -> datetime | None:
    """Return when the message of a kind and day, not of an event, was first taken by a server, or None."""
    row = store.row(
        "SELECT min(finished_at) FROM outbox WHERE state = 'sent' AND kind = ? AND day = ? AND event = '' "
        "AND finished_at <= ?",
        (kind, day.isoformat(), stamp(now_utc)),
    )
    return None if row is None else stamp_text(row[0])


def held_lanes(store: Store, now_utc: datetime) -> tuple[LaneHold, ...]:
    """Return the lanes held at this instant."""
    now = stamp(now_utc)
    return tuple(
        LaneHold(cast("Literal['urgent', 'routine']", lane), utc_from(since), utc_from(until), why)
        for lane, since, until, why in store.rows(
            "SELECT lane, since, not_before, why FROM lane_hold WHERE since <= ? AND not_before > "
            "? ORDER BY lane DESC",
            (now, now),
        )
    )


def resolve_unknown(
    store: Store, message: int, decision: Literal["arrived", "resend", "drop"], now_utc: datetime
) -> None:
    """Settle a message in doubt as the operator decides.

    Raises
    ------
    StoreError
        The message is not in doubt (any more), or its text is no longer kept.
    """
    with store.transaction() as tx:
        if decision == "resend":
            changed = tx.run(
                "UPDATE outbox SET state = 'pending', finished_at = NULL, not_before = NULL "
                "WHERE id = ? AND state = 'unknown' AND length(raw) > 0",
                (message,),
            )
        else:
            changed = tx.run(
                "UPDATE outbox SET state = ?, finished_at = ?, receipt = ? WHERE id = ? AND state "
                "= 'unknown'",
                (
                    "sent" if decision == "arrived" else "failed",
                    stamp(now_utc),
                    "seen by the grower" if decision == "arrived" else "",
                    message,
                ),
            )
    if not changed:
        raise StoreError(f"{store.path}: message {message} is not in doubt; nothing was changed")


def _message(row: Row) -> MessageState:
    (id_, key, message_id, recipient, kind, day, event, lane, state, attempts, payloads) = row[:11]
    created, not_before, expires, finished, receipt, error = row[11:]
    return MessageState(
        id_,
        key,
        message_id,
        recipient,
        kind,
        date.fromisoformat(day),
        event,
        lane,
        state,
        attempts,
        payloads,
        utc_from(created),
        stamp_text(not_before),
        utc_from(expires),
        stamp_text(finished),
        receipt,
        error,
    )
