"""Files of weather stations: the last good one of each, and what was answered when it was last asked for.

A failed or refused refresh never touches the good file; that there is no file is an answer, kept too.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from advisor.errors import StoreError
from advisor.store.database import Store
from advisor.store.stamps import stamp, utc_from

__all__ = [
    "Answer",
    "Asked",
    "StationFile",
    "asked",
    "files_kept",
    "keep_answer",
    "keep_file",
    "station_file",
]

Answer = Literal["new", "same", "none", "bad"]
"""A new file; unchanged since; there is none; what came could not be used."""


@dataclass(frozen=True, slots=True)
class StationFile:
    """The last good file as downloaded; ``fetched_at_utc`` is when these bytes came."""

    url: str
    fetched_at_utc: datetime
    payload: bytes


@dataclass(frozen=True, slots=True)
class Asked:
    """The last answer for an address.

    Attributes
    ----------
    asked_at_utc : datetime
        When it was answered.
    answer : str
        ``new``, ``same``, ``none`` or ``bad``.
    etag, modified : str
        Of the file that is kept, for a conditional request; may be empty.
    """

    asked_at_utc: datetime
    answer: Answer
    etag: str = ""
    modified: str = ""


def keep_file(
    store: Store, url: str, payload: bytes, now_utc: datetime, *, etag: str = "", modified: str = ""
) -> None:
    """Keep a good file in place of the earlier one, and note the answer with its validators."""
    with store.transaction() as tx:
        tx.run(
            "INSERT INTO station_file VALUES (?, ?, 200, ?) ON CONFLICT (url) DO UPDATE SET "
            "fetched_at = excluded.fetched_at, status = excluded.status, payload = excluded.payload",
            (url, stamp(now_utc), zlib.compress(payload, 6)),
        )
        tx.run(
            "INSERT INTO station_asked VALUES (?, ?, 'new', ?, ?) ON CONFLICT (url) DO UPDATE SET "
            "asked_at = excluded.asked_at, answer = excluded.answer, etag = excluded.etag, "
            "modified = excluded.modified",
            (url, stamp(now_utc), etag, modified),
        )


def keep_answer(store: Store, url: str, answer: Literal["same", "none", "bad"], now_utc: datetime) -> None:
    """Note an answer that brought no new file; file and validators stay as they are."""
    with store.transaction() as tx:
        tx.run(
            "INSERT INTO station_asked VALUES (?, ?, ?, '', '') ON CONFLICT (url) DO UPDATE SET "
            "asked_at = excluded.asked_at, answer = excluded.answer",
            (url, stamp(now_utc), answer),
        )


def asked(store: Store, url: str, now_utc: datetime) -> Asked | None:
    """Return the last answer for ``url`` from now or before, None where it was never asked for."""
    row = store.row(
        "SELECT asked_at, answer, etag, modified FROM station_asked WHERE url = ? AND asked_at <= ?",
        (url, stamp(now_utc)),
    )
    return None if row is None else Asked(utc_from(row[0]), row[1], row[2], row[3])


def files_kept(store: Store, part_of_url: str, now_utc: datetime) -> tuple[int, datetime | None]:
    """How many good files with such an address are kept, and when the newest of them came."""
    row = store.row(
        "SELECT COUNT(*), MAX(fetched_at) FROM station_file "
        "WHERE instr(url, ?) > 0 AND fetched_at <= ? AND status = 200",
        (part_of_url, stamp(now_utc)),
    )
    return (0, None) if row is None or not row[0] else (int(row[0]), utc_from(row[1]))


def station_file(store: Store, url: str, now_utc: datetime) -> StationFile | None:
    """Return the last good file fetched at or before now, or None.

    Raises
    ------
    StoreError
        The bytes in the store are damaged.
    """
    row = store.row(
        "SELECT fetched_at, payload FROM station_file WHERE url = ? AND fetched_at <= ? AND status = 200",
        (url, stamp(now_utc)),
    )
    if row is None:
        return None
    try:
        payload = zlib.decompress(row[1])
    except zlib.error as error:
        raise StoreError(
            f"{store.path}: the station file {url} is damaged ({error}); restore the last backup"
        ) from error
    return StationFile(url, utc_from(row[0]), payload)
