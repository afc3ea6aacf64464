"""Forecasts are kept by rule, and nothing of the future is read."""

from __future__ import annotations

import json
from datetime import datetime, timedelta
from pathlib import Path

import pytest

from advisor.errors import StoreError
from advisor.store.database import Store
from advisor.store.weather_archive import (
    first_of_days,
    newest,
    newest_first,
    newest_spans,
    payload_of,
    prune,
    put_forecast,
)

KEEPING = json.loads((Path(__file__).parent / "waiting_cases.json").read_text())["keeping"]
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def put(
    store: Store, at: datetime, kind: str = "forecast", source: str = "open-meteo", **more: object
) -> None:
    values = {
        "covers_from_utc": at,
        "covers_until_utc": at + 10 * DAY,
        "payload": at.isoformat().encode(),
    } | more
    put_forecast(
        store,
        source,
        kind,
        fetched_at_utc=at,
        issued_at_utc=None,
        **values,  # type: ignore[arg-type]
    )


def test_newest_comes_first_and_the_future_is_not_read(store: Store, now: datetime) -> None:
    for hours in (-3, -1, 0, 2):
        put(store, now + hours * HOUR)
    put(store, now - 2 * HOUR, kind="ensemble")
    assert [found.fetched_at_utc - now for found in newest(store, "forecast", now, 9)] == [
        0 * HOUR,
        -HOUR,
        -3 * HOUR,
    ]
    assert [found.kind for found in newest_first(store, now)] == [
        "forecast",
        "forecast",
        "ensemble",
        "forecast",
    ]
    assert len(newest_first(store, now, limit=2)) == 2
    assert newest(store, "forecast", now - 4 * HOUR) == ()
    assert newest(store, "forecast", now)[0].payload == now.isoformat().encode()


def test_answers_without_their_bytes_are_the_same_ones_and_give_the_same_bytes(
    store: Store, now: datetime
) -> None:
    for hours in (-30, -3, -1, 0, 2):
        put(store, now + hours * HOUR)
    whole = newest(store, "forecast", now, 3)
    spans = newest_spans(store, "forecast", now, 3)
    assert [(span.source, span.kind, span.fetched_at_utc, span.covers_from_utc) for span in spans] == [
        (found.source, found.kind, found.fetched_at_utc, found.covers_from_utc) for found in whole
    ]
    assert [payload_of(store, span) for span in spans] == [found.payload for found in whole]
    first = first_of_days(store, now - 2 * DAY, now)
    assert [payload_of(store, span).decode() for span in first] == [
        (now + hours * HOUR).isoformat() for hours in (-30, -3)
    ]


def test_same_answer_twice_is_kept_once(store: Store, now: datetime) -> None:
    put(store, now)
    put(store, now, payload=b"again")
    assert [found.payload for found in newest_first(store, now)] == [b"again"]


def test_empty_span_is_refused(store: Store, now: datetime) -> None:
    with pytest.raises(StoreError, match="covers nothing"):
        put(store, now, covers_until_utc=now)


def test_compact_and_whole(store: Store, now: datetime) -> None:
    payload = b"20.1,20.3,NaN," * 20_000
    put(store, now, payload=payload)
    assert newest(store, "forecast", now)[0].payload == payload
    assert store.rows("SELECT length(payload) FROM weather")[0][0] < len(payload) / 50


def test_damaged_answer_is_named(store: Store, now: datetime) -> None:
    put(store, now)
    with store.transaction() as tx:
        tx.run("UPDATE weather SET payload = x'00'")
    with pytest.raises(StoreError, match="forecast of open-meteo"):
        newest(store, "forecast", now)


def test_keeping_rule_case_by_case(store: Store) -> None:
    at = datetime.fromisoformat(KEEPING["now"])
    for row in KEEPING["rows"]:
        put(store, datetime.fromisoformat(row["fetched_at"]), kind=row["kind"])
    gone = prune(store, at)
    left = {(found.kind, found.fetched_at_utc) for found in newest_first(store, at + 99 * DAY)}
    wanted = {
        (row["kind"], datetime.fromisoformat(row["fetched_at"])) for row in KEEPING["rows"] if row["kept"]
    }
    assert left == wanted
    assert gone == len(KEEPING["rows"]) - len(wanted) > 0
    assert prune(store, at) == 0


def test_year_files_of_one_day_are_not_taken_for_one(store: Store, now: datetime) -> None:
    for year in range(6):
        put(store, now, kind="history", source="meteostat", covers_from_utc=now - (year + 2) * 365 * DAY)
    put(store, now, source="met-norway")
    put(store, now, source="us-nws")
    assert prune(store, now + 200 * DAY) == 0


def test_a_year_of_quarter_hours_leaves_one_a_day(store: Store, now: datetime) -> None:
    """Pruned every few days over half a year: 60 days whole, before that one a day."""
    for step in range(180 * 4):
        put(store, now + step * 6 * HOUR)
        if step % 40 == 0:
            prune(store, now + step * 6 * HOUR)
    end = now + 180 * 4 * 6 * HOUR
    prune(store, end)
    per_day: dict[str, int] = {}
    for found in newest_first(store, end, limit=9999):
        per_day[found.fetched_at_utc.date().isoformat()] = (
            per_day.get(found.fetched_at_utc.date().isoformat(), 0) + 1
        )
    days = [number for _, number in sorted(per_day.items())]
    assert len(days) in {180, 181}
    assert set(days[:119]) == {1}
    assert set(days[-59:-1]) == {4}
