"""What the weather services said, and when we asked: kept for the forecast, for replay, for learning."""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from datetime import datetime
from typing import Literal, cast

from advisor.errors import StoreError
from advisor.store.database import Row, Store
from advisor.store.stamps import optional_stamp, stamp, stamp_text, utc_from

__all__ = [
    "StoredSpan",
    "StoredWeather",
    "WeatherKind",
    "first_of_days",
    "newest",
    "newest_first",
    "newest_spans",
    "payload_of",
    "prune",
    "put_forecast",
]

WeatherKind = Literal["forecast", "history", "ensemble"]

_COLUMNS = "source, kind, fetched_at, issued_at, covers_from, covers_until, payload"
_SPAN = "id, source, kind, fetched_at, covers_from"


@dataclass(frozen=True, slots=True)
class StoredWeather:
    """One answer of a weather service.

    Attributes
    ----------
    source : str
        Id of the source.
    kind : {"forecast", "history", "ensemble"}
        What it is.
    fetched_at_utc : datetime
        When we asked; ages count from here.
    issued_at_utc : datetime or None
        When the service says it was made.
    covers_from_utc, covers_until_utc : datetime
        Span of its hours, end exclusive.
    payload : bytes
        As it was put in.
    """

    source: str
    kind: WeatherKind
    fetched_at_utc: datetime
    issued_at_utc: datetime | None
    covers_from_utc: datetime
    covers_until_utc: datetime
    payload: bytes


@dataclass(frozen=True, slots=True)
class StoredSpan:
    """One answer without its bytes, for choosing among many; ``payload_of`` gives them.

    Attributes
    ----------
    row_id : int
        Of the row in the store.
    source, kind, fetched_at_utc, covers_from_utc
        As of ``StoredWeather``.
    """

    row_id: int
    source: str
    kind: WeatherKind
    fetched_at_utc: datetime
    covers_from_utc: datetime


def put_forecast(
    store: Store,
    source: str,
    kind: WeatherKind,
    *,
    fetched_at_utc: datetime,
    issued_at_utc: datetime | None,
    covers_from_utc: datetime,
    covers_until_utc: datetime,
    payload: bytes,
) -> None:
    """Keep one answer, compressed; the same answer put twice is kept once.

    Raises
    ------
    StoreError
        The disk refused, or the span is empty.
    """
    if covers_from_utc >= covers_until_utc:
        raise StoreError(
            f"{kind} of {source} covers nothing ({covers_from_utc} to {covers_until_utc}); not kept"
        )
    with store.transaction() as tx:
        tx.run(
            f"INSERT INTO weather ({_COLUMNS}) VALUES (?, ?, ?, ?, ?, ?, ?) "  # noqa: S608 - fixed column names
            "ON CONFLICT (source, kind, fetched_at, covers_from, covers_until) "
            "DO UPDATE SET issued_at = excluded.issued_at, payload = excluded.payload",
            (
                source,
                kind,
                stamp(fetched_at_utc),
                optional_stamp(issued_at_utc),
                stamp(covers_from_utc),
                stamp(covers_until_utc),
                zlib.compress(payload, 6),
            ),
        )


def newest(store: Store, kind: WeatherKind, now_utc: datetime, limit: int = 1) -> tuple[StoredWeather, ...]:
    """Return the newest answers of one kind fetched at or before ``now_utc``, newest first."""
    rows = store.rows(
        f"SELECT {_COLUMNS} FROM weather WHERE kind = ? AND fetched_at <= ? "  # noqa: S608 - fixed column names
        "ORDER BY fetched_at DESC, id DESC LIMIT ?",
        (kind, stamp(now_utc), limit),
    )
    return tuple(_stored(row, store) for row in rows)


def newest_spans(store: Store, kind: WeatherKind, now_utc: datetime, limit: int) -> tuple[StoredSpan, ...]:
    """Return what ``newest`` returns, without the bytes."""
    rows = store.rows(
        f"SELECT {_SPAN} FROM weather WHERE kind = ? AND fetched_at <= ? "  # noqa: S608 - fixed column names
        "ORDER BY fetched_at DESC, id DESC LIMIT ?",
        (kind, stamp(now_utc), limit),
    )
    return tuple(_span(row) for row in rows)


def payload_of(store: Store, span: StoredSpan) -> bytes:
    """Return the bytes of an answer.

    Raises
    ------
    StoreError
        They are damaged, or the answer is no longer kept.
    """
    row = store.row("SELECT payload FROM weather WHERE id = ?", (span.row_id,))
    if row is None:
        raise StoreError(f"{store.path}: the {span.kind} of {span.source} is gone; run a tick again")
    return _unpacked(row[0], store, span.kind, span.source, stamp(span.fetched_at_utc))


def newest_first(store: Store, now_utc: datetime, limit: int = 100) -> tuple[StoredWeather, ...]:
    """Return answers of every kind fetched at or before ``now_utc``, newest first."""
    rows = store.rows(
        f"SELECT {_COLUMNS} FROM weather WHERE fetched_at <= ? "  # noqa: S608 - fixed column names
        "ORDER BY fetched_at DESC, id DESC LIMIT ?",
        (stamp(now_utc), limit),
    )
    return tuple(_stored(row, store) for row in rows)


def first_of_days(store: Store, since_utc: datetime, now_utc: datetime) -> tuple[StoredSpan, ...]:
    """Return the first forecast of each UTC day and source fetched from ``since_utc`` to now, oldest first.

    These are the ones that ``prune`` keeps for good.
    """
    rows = store.rows(
        f"SELECT {_SPAN} FROM ("  # noqa: S608 - fixed column names
        f" SELECT {_SPAN}, row_number() OVER ("
        "   PARTITION BY source, substr(fetched_at, 1, 10) ORDER BY fetched_at, id) AS place"
        "  FROM weather WHERE kind = 'forecast' AND fetched_at >= ? AND fetched_at <= ?)"
        " WHERE place = 1 ORDER BY fetched_at, id",
        (stamp(since_utc.replace(hour=0, minute=0, second=0, microsecond=0)), stamp(now_utc)),
    )
    return tuple(_span(row) for row in rows)


def prune(store: Store, now_utc: datetime) -> int:
    """Drop what need not be kept and return how many answers went.

    Forecasts and histories stay whole for the full time, then the first of each UTC day stays (per
    source, histories also per span); ensembles go after theirs. Running it again changes nothing.
    """
    full = stamp(now_utc - store.rules.forecast_full)
    ensemble = stamp(now_utc - store.rules.ensemble_full)
    with store.transaction() as tx:
        gone = tx.run("DELETE FROM weather WHERE kind = 'ensemble' AND fetched_at < ?", (ensemble,))
        gone += tx.run(
            "DELETE FROM weather WHERE kind <> 'ensemble' AND fetched_at < ? AND id NOT IN ("
            " SELECT id FROM ("
            "  SELECT id, row_number() OVER ("
            "   PARTITION BY source, kind, substr(fetched_at, 1, 10),"
            "    CASE kind WHEN 'history' THEN covers_from ELSE '' END"
            "   ORDER BY fetched_at, id) AS place FROM weather WHERE kind <> 'ensemble')"
            " WHERE place = 1)",
            (full,),
        )
    return gone


def _span(row: Row) -> StoredSpan:
    row_id, source, kind, fetched, covers_from = row
    return StoredSpan(row_id, source, cast("WeatherKind", kind), utc_from(fetched), utc_from(covers_from))


def _unpacked(payload: bytes, store: Store, kind: str, source: str, fetched: str) -> bytes:
    try:
        return zlib.decompress(payload)
    except zlib.error as error:
        raise StoreError(
            f"{store.path}: the {kind} of {source} fetched at {fetched} is damaged ({error}); "
            "restore the last backup"
        ) from error


def _stored(row: Row, store: Store) -> StoredWeather:
    source, kind, fetched, issued, covers_from, covers_until, payload = row
    return StoredWeather(
        source,
        cast("WeatherKind", kind),
        utc_from(fetched),
        stamp_text(issued),
        utc_from(covers_from),
        utc_from(covers_until),
        _unpacked(payload, store, kind, source, fetched),
    )
