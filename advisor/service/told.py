"""What digests said, kept row by row with the day of each, and whether and when it was delivered.

A digest that waits, was refused, came too late or may or may not have arrived has told nothing that anybody
is known to have read.
"""

from __future__ import annotations

from collections.abc import Iterator
from datetime import date, datetime, timedelta
from typing import Any

from advisor.store.database import Store, Transaction
from advisor.store.learned import keep_learned, learned
from advisor.store.outbox_view import delivered_at
from advisor.store.stamps import utc_from
from advisor.units import NumberTable

__all__ = ["heard", "keep_said", "said"]


def said(store: Store, name: str, now_utc: datetime) -> list[dict[str, Any]]:
    """Return all rows kept under a name, oldest first, delivered or not."""
    kept = learned(store, name, now_utc)
    return [] if kept is None else [row for row in kept if "day" in row]


def keep_said(
    tx: Transaction, store: Store, name: str, row: dict[str, Any], now_utc: datetime, back: timedelta
) -> None:
    """Keep a row, with the ``day`` of its digest, beside those of the days ``back``."""
    oldest = (now_utc - back).date().isoformat()
    recent = [one for one in said(store, name, now_utc) if one["day"] >= oldest]
    keep_learned(tx, name, [*recent, row], now_utc)


def heard(
    store: Store | None, name: str, now_utc: datetime, numbers: NumberTable
) -> Iterator[tuple[dict[str, Any], datetime]]:
    """Go through the rows of delivered digests, oldest first, each with the moment from which it counts."""
    if store is None:
        return
    for row in said(store, name, now_utc):
        at_utc = _heard_at(store, row, now_utc, numbers)
        if at_utc is not None:
            yield row, at_utc


def _heard_at(store: Store, row: dict[str, Any], now_utc: datetime, numbers: NumberTable) -> datetime | None:
    """Return from when on a row counts as told: None while its digest has not been delivered to anybody.

    What arrives soon (``service.told_soon`` of config/operation.toml, ``numbers``) counts from when it was
    written.
    """
    delivered = delivered_at(store, "digest", date.fromisoformat(row["day"]), now_utc)
    if delivered is None:
        return None
    written_utc = utc_from(row["from"])
    soon = timedelta(hours=numbers.value("service.told_soon", "h"))
    return written_utc if delivered - written_utc <= soon else delivered
