"""What became of a claimed message: the server's yes, a refusal, another try, doubt; and held lanes."""

from __future__ import annotations

import zlib
from datetime import datetime, timedelta
from typing import Literal

from advisor.store.database import Store
from advisor.store.outbox import Claimed
from advisor.store.rules import StoreRules
from advisor.store.stamps import optional_stamp, stamp

__all__ = [
    "hold_lanes",
    "record_permanent",
    "record_sent",
    "record_transient",
    "record_unknown",
    "release_lanes",
    "retry_wait",
]


def record_sent(store: Store, claimed: Claimed, receipt: str, now_utc: datetime) -> bool:
    """Note the server's yes; False when another process has taken the message over meanwhile."""
    return _finish(store, claimed, "sent", now_utc, receipt=receipt)


def record_permanent(store: Store, claimed: Claimed, why: str, now_utc: datetime) -> bool:
    """Note a refusal for good."""
    return _finish(store, claimed, "failed", now_utc, why=why)


def record_transient(
    store: Store, claimed: Claimed, why: str, now_utc: datetime, *, spend_attempt: bool = True
) -> Literal["waiting", "failed"]:
    """Put a message back to wait with growing, spread waits; give it up after the last try.

    ``spend_attempt=False`` for a fault of the whole channel: no try is counted and no wait is set on
    the message (hold the lanes instead).
    """
    if not spend_attempt:
        _put_back(store, claimed, why, None, attempts=claimed.attempts - 1)
        return "waiting"
    if claimed.attempts >= store.rules.attempts:
        _finish(store, claimed, "failed", now_utc, why=f"given up after {claimed.attempts} tries: {why}")
        return "failed"
    _put_back(store, claimed, why, now_utc + retry_wait(store.rules, claimed), attempts=claimed.attempts)
    return "waiting"


def record_unknown(
    store: Store, claimed: Claimed, why: str, now_utc: datetime
) -> Literal["waiting", "unknown"]:
    """Note that the message may or may not have arrived: wait to resend, or hold, as it asks."""
    if claimed.on_unknown == "resend" and claimed.attempts < store.rules.attempts:
        _put_back(store, claimed, why, now_utc + retry_wait(store.rules, claimed), attempts=claimed.attempts)
        return "waiting"
    _finish(store, claimed, "unknown", now_utc, why=why)
    return "unknown"


def retry_wait(rules: StoreRules, claimed: Claimed) -> timedelta:
    """Return the wait after this try: growing, capped, spread by a hash of the message (no chance)."""
    plain_s = rules.retry_first.total_seconds() * rules.retry_factor ** min(claimed.attempts - 1, 30)
    plain_s = min(plain_s, rules.retry_longest.total_seconds())
    spread = zlib.crc32(f"{claimed.message_id} {claimed.attempts}".encode()) / 2**32 * 2.0 - 1.0
    return timedelta(seconds=round(plain_s * (1.0 + rules.retry_jitter * spread)))


def hold_lanes(store: Store, now_utc: datetime, why: str) -> datetime:
    """Hold both lanes after a fault of the whole channel; return until when."""
    until = now_utc + store.rules.lane_hold
    with store.transaction() as tx:
        for lane in ("urgent", "routine"):
            tx.run(
                "INSERT INTO lane_hold VALUES (?, ?, ?, ?) ON CONFLICT (lane) DO UPDATE SET since "
                "= excluded.since, "
                "not_before = excluded.not_before, why = excluded.why",
                (lane, stamp(now_utc), stamp(until), why),
            )
    return until


def release_lanes(store: Store) -> None:
    """Let both lanes go at once: the channel works again, or its settings have changed."""
    if store.row("SELECT 1 FROM lane_hold LIMIT 1") is not None:
        with store.transaction() as tx:
            tx.run("DELETE FROM lane_hold")


def _finish(
    store: Store, claimed: Claimed, state: str, now_utc: datetime, *, receipt: str = "", why: str = ""
) -> bool:
    with store.transaction() as tx:
        return bool(
            tx.run(
                "UPDATE outbox SET state = ?, lease_until = NULL, finished_at = ?, receipt = ?, "
                "last_error = ? "
                "WHERE id = ? AND claims = ? AND state IN ('leased', 'pending', 'unknown', 'expired')",
                (state, stamp(now_utc), receipt, why, claimed.id, claimed.claim),
            )
        )


def _put_back(
    store: Store, claimed: Claimed, why: str, not_before: datetime | None, *, attempts: int
) -> None:
    with store.transaction() as tx:
        tx.run(
            "UPDATE outbox SET state = 'pending', lease_until = NULL, data_started = 0, attempts = ?, "
            "not_before = coalesce(?, not_before), last_error = ? WHERE id = ? AND claims = ? AND "
            "state = 'leased'",
            (attempts, optional_stamp(not_before), why, claimed.id, claimed.claim),
        )
