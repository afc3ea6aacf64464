"""What the advisor has learned (forecast errors, a tree's thirst) and files of weather stations."""

from __future__ import annotations

import json
import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Any

from advisor.store.database import Store, Transaction
from advisor.store.stamps import stamp, utc_from

__all__ = ["StationFile", "keep_learned", "keep_station_file", "learned", "station_file"]


def keep_learned(tx: Transaction, name: str, value: Any, now_utc: datetime) -> None:
    """Keep one learned value (anything JSON can hold, no NaN) under its name."""
    tx.run(
        "INSERT INTO learned VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value, "
        "learned_at = excluded.learned_at",
        (name, json.dumps(value, allow_nan=False), stamp(now_utc)),
    )


def learned(store: Store, name: str, now_utc: datetime) -> Any:
    """Return a learned value, or None when there is none from now or before."""
    row = store.row("SELECT value FROM learned WHERE name = ? AND learned_at <= ?", (name, stamp(now_utc)))
    return None if row is None else json.loads(row[0])


@dataclass(frozen=True, slots=True)
class StationFile:
    """A station's file as downloaded; ``status`` 404 remembers that there is none."""

    url: str
    fetched_at_utc: datetime
    status: int
    payload: bytes


def keep_station_file(store: Store, url: str, status: int, payload: bytes, now_utc: datetime) -> None:
    """Keep a downloaded file, or the answer that there is none; the newest replaces the earlier one."""
    with store.transaction() as tx:
        tx.run(
            "INSERT INTO station_file VALUES (?, ?, ?, ?) ON CONFLICT (url) DO UPDATE SET "
            "fetched_at = excluded.fetched_at, status = excluded.status, payload = excluded.payload",
            (url, stamp(now_utc), status, zlib.compress(payload, 6)),
        )


def station_file(store: Store, url: str, now_utc: datetime) -> StationFile | None:
    """Return a station's file fetched at or before now, or None when it was never asked for."""
    row = store.row(
        "SELECT fetched_at, status, payload FROM station_file WHERE url = ? AND fetched_at <= ?",
        (url, stamp(now_utc)),
    )
    return None if row is None else StationFile(url, utc_from(row[0]), row[1], zlib.decompress(row[2]))
