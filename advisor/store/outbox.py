"""Messages waiting to be sent, and what becomes of each: enqueue, claim, mark, settle.

A message is queued in the same transaction as the ledger row that settles it. Sending is a separate
step: a claim with a lease, a mark in a commit of its own just before the payload, a verdict. A crash
loses nothing; a copy is sent twice only when the process died or was cut off between the payload and
the note of the answer, only for messages that ask for it (``on_unknown="resend"``), and with the
same bytes, Date and Message-ID. Source: RFC 1047, RFC 5321 (from memory).
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from typing import Literal, cast

from advisor.errors import StoreError
from advisor.store.database import Row, Store, Transaction
from advisor.store.stamps import day_text, optional_stamp, stamp

__all__ = [
    "Claimed",
    "Lane",
    "LeaseLostError",
    "NewMessage",
    "OnUnknown",
    "SettledCounts",
    "claim",
    "enqueue_all",
    "forget_bytes",
    "mark_data_started",
    "settle",
    "supersede",
]

Lane = Literal["urgent", "routine"]
OnUnknown = Literal["resend", "hold"]


class LeaseLostError(StoreError):
    """The claim on a message has passed to another process; do not send it."""


@dataclass(frozen=True, slots=True)
class NewMessage:
    """A finished message, ready to be queued.

    Attributes
    ----------
    dedupe_key : str
        ``garden|day|kind|recipient|revision``: the same key is queued once for ever.
    message_id : str
        The Message-ID inside ``raw``.
    recipient, envelope_sender : str
        One address each.
    raw : bytes
        The message as it goes over the wire (CRLF).
    lane : {"urgent", "routine"}
        Urgent ones go first.
    on_unknown : {"resend", "hold"}
        What to do when it may or may not have arrived.
    created_at_utc, expires_at_utc : datetime
        When it was queued; when it is no longer worth sending.
    kind, day, event : str, date, str
        What it is about; ``event`` empty for none.
    not_before_utc : datetime or None
        Not to be sent earlier (quiet hours); None: at once.
    """

    dedupe_key: str
    message_id: str
    recipient: str
    envelope_sender: str
    raw: bytes
    lane: Lane
    on_unknown: OnUnknown
    created_at_utc: datetime
    expires_at_utc: datetime
    kind: str
    day: date
    event: str = ""
    not_before_utc: datetime | None = None


@dataclass(frozen=True, slots=True)
class Claimed:
    """A message that this process alone may send until its lease ends."""

    id: int
    claim: int
    attempts: int
    message_id: str
    recipient: str
    envelope_sender: str
    raw: bytes
    lane: Lane
    on_unknown: OnUnknown
    kind: str
    day: date
    event: str


def enqueue_all(tx: Transaction, messages: Iterable[NewMessage]) -> int:
    """Queue messages inside the caller's transaction and return how many were new.

    A dedupe key that stands in the outbox already, in whatever state, is left alone.

    Raises
    ------
    StoreError
        A Message-ID is used already under another dedupe key; nothing of the transaction is kept.
    """
    return sum(
        tx.run(
            "INSERT INTO outbox (dedupe_key, message_id, recipient, envelope_sender, raw, lane, "
            "on_unknown, kind, "
            "day, event, not_before, expires_at, created_at) VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?) "
            "ON CONFLICT (dedupe_key) DO NOTHING",
            (
                message.dedupe_key,
                message.message_id,
                message.recipient,
                message.envelope_sender,
                message.raw,
                message.lane,
                message.on_unknown,
                message.kind,
                day_text(message.day),
                message.event,
                optional_stamp(message.not_before_utc),
                stamp(message.expires_at_utc),
                stamp(message.created_at_utc),
            ),
        )
        for message in messages
    )


def supersede(tx: Transaction, kind: str, event: str, keep_keys: Iterable[str] = ()) -> int:
    """Take back waiting messages of a kind and event that a newer one replaces; return how many.

    Only messages never begun are taken back; what may have left is history.
    """
    kept = tuple(keep_keys)
    marks = ", ".join("?" for _ in kept)
    return tx.run(
        "UPDATE outbox SET state = 'superseded', finished_at = created_at "  # noqa: S608 - only question marks
        "WHERE kind = ? AND event = ? AND state = 'pending' AND payloads = 0 AND dedupe_key NOT IN "
        f"({marks})",
        (kind, event, *kept),
    )


@dataclass(frozen=True, slots=True)
class SettledCounts:
    """What ``settle`` found: leases of dead processes put back or held, messages past their time."""

    put_back: int
    held_unknown: int
    expired: int


def settle(store: Store, now_utc: datetime, *, alone: bool) -> SettledCounts:
    """Bring the outbox in order before sending.

    Leases that have run out are ended: never begun goes back to wait; begun goes back when the
    message asks to be resent, and is held as ``unknown`` otherwise. Then what is past its expiry
    expires.

    Parameters
    ----------
    alone : bool
        True only while the pass lock is held: every lease then belongs to a dead process and is
        ended at once, whatever its time.
    """
    now = stamp(now_utc)
    over = "state = 'leased'" if alone else "state = 'leased' AND lease_until <= :now"
    died = "last_error = 'the process ended after the payload had begun'"
    with store.transaction() as tx:
        put_back = _named(
            tx,
            "UPDATE outbox SET state = 'pending', lease_until = NULL, attempts = max(0, attempts - 1) "  # noqa: S608
            f"WHERE {over} AND data_started = 0",
            now,
        )
        held = _named(
            tx,
            f"UPDATE outbox SET state = 'unknown', lease_until = NULL, finished_at = :now, {died} "  # noqa: S608
            f"WHERE {over} AND data_started = 1 AND (on_unknown = 'hold' OR attempts >= "
            f"{store.rules.attempts})",
            now,
        )
        put_back += _named(
            tx,
            f"UPDATE outbox SET state = 'pending', lease_until = NULL, {died} "  # noqa: S608 - fixed texts
            f"WHERE {over} AND data_started = 1",
            now,
        )
        expired = _named(
            tx,
            "UPDATE outbox SET state = 'expired', finished_at = :now WHERE state = 'pending' AND "
            "expires_at <= :now",
            now,
        )
    return SettledCounts(put_back, held, expired)


def _named(tx: Transaction, sql: str, now: str) -> int:
    places = sql.count(":now")
    return tx.run(sql.replace(":now", "?"), (now,) * places)


def claim(store: Store, now_utc: datetime) -> Claimed | None:
    """Take the next message that may go now, urgent first, or None.

    One statement inside ``BEGIN IMMEDIATE``; committed before the caller talks to the network. A
    wait noted by a clock that has since gone back (``tried_at`` later than now) is over.
    """
    now = stamp(now_utc)
    with store.transaction() as tx:
        rows = tx.rows(
            "UPDATE outbox SET state = 'leased', lease_until = ?, data_started = 0, tried_at = ?, "
            "claims = claims + 1, attempts = attempts + 1 WHERE id = ("
            " SELECT id FROM outbox WHERE state = 'pending' AND expires_at > ?"
            " AND (not_before IS NULL OR not_before <= ? OR tried_at > ?)"
            " AND lane NOT IN (SELECT lane FROM lane_hold WHERE since <= ? AND not_before > ?)"
            " ORDER BY lane = 'urgent' DESC, id LIMIT 1) "
            "RETURNING id, claims, attempts, message_id, recipient, envelope_sender, raw, lane, "
            "on_unknown, kind, "
            "day, event",
            (stamp(now_utc + store.rules.lease), now, now, now, now, now, now),
        )
    return _claimed(rows[0]) if rows else None


def mark_data_started(store: Store, claimed: Claimed, now_utc: datetime) -> None:
    """Note, in a commit of its own, that the payload is about to go; the lease begins anew.

    Raises
    ------
    LeaseLostError
        The message is no longer this process's: do not send it.
    """
    with store.transaction() as tx:
        changed = tx.run(
            "UPDATE outbox SET data_started = 1, payloads = payloads + 1, lease_until = ? "
            "WHERE id = ? AND claims = ? AND state = 'leased'",
            (stamp(now_utc + store.rules.lease), claimed.id, claimed.claim),
        )
    if not changed:
        raise LeaseLostError(
            f"the claim on a {claimed.kind} message has passed to another process; it was not sent here"
        )


def forget_bytes(store: Store, now_utc: datetime) -> int:
    """Drop the text of messages finished long ago; the rows stay, so that nothing is queued again."""
    with store.transaction() as tx:
        return tx.run(
            "UPDATE outbox SET raw = x'' WHERE finished_at < ? AND state <> 'unknown' AND length(raw) > 0",
            (stamp(now_utc - store.rules.bytes_kept),),
        )


def _claimed(row: Row) -> Claimed:
    id_, claims, attempts, message_id, recipient, sender, raw, lane, on_unknown, kind, day, event = row
    return Claimed(
        id_,
        claims,
        attempts,
        message_id,
        recipient,
        sender,
        raw,
        cast("Lane", lane),
        cast("OnUnknown", on_unknown),
        kind,
        date.fromisoformat(day),
        event,
    )
