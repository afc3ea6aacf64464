"""Whether today's digest is due. Light: a pass with nothing to do imports no more than this."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date, datetime, time, timedelta

from advisor.garden.model import Garden
from advisor.store.database import Store
from advisor.store.ledger import LedgerRow, not_in_ledger, write_ledger
from advisor.units import NumberTable
from advisor.weather.days import at_local

__all__ = ["DigestDue", "digest_state", "skip_digest"]


@dataclass(frozen=True, slots=True)
class DigestDue:
    """Whether today's digest may go now, and what happened to it otherwise."""

    day: date
    due: bool
    too_late: bool


def digest_state(
    store: Store, garden: Garden, at: time, now_utc: datetime, numbers: NumberTable
) -> DigestDue:
    """Return whether the digest of the local day is due, still to come, settled or too late."""
    day = now_utc.astimezone(garden.zone).date()
    begin = at_local(day, at, garden.zone)
    late = begin + timedelta(hours=numbers.value("service.digest_late_until", "h"))
    open_still = bool(not_in_ledger(store, [("digest", day.isoformat())])) and now_utc >= begin
    return DigestDue(day, open_still and now_utc < late, open_still and now_utc >= late)


def skip_digest(store: Store, due: DigestDue, now_utc: datetime) -> None:
    """Settle a digest that is too late: the ledger says why, tomorrow's mail mentions it."""
    with store.transaction() as tx:
        write_ledger(
            tx,
            LedgerRow(
                "digest",
                due.day.isoformat(),
                due.day,
                "skipped",
                now_utc,
                "the advisor was not running in time",
            ),
        )
