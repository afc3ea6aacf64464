"""When a host may be asked again, and what its limits allow."""

from __future__ import annotations

import json
import math
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from advisor.store.backoff import may_ask, pause, record_failure, record_success, spend, spent
from advisor.store.database import Store

CASES = json.loads((Path(__file__).parent / "waiting_cases.json").read_text())
SECOND = timedelta(seconds=1)


@pytest.mark.parametrize("case", CASES["ladder"])
def test_wait_after_failures_in_a_row(store: Store, now: datetime, case: dict[str, Any]) -> None:
    for _ in range(case["failures"] - 1):
        record_failure(store, "h", now, None, "HTTP 503")
    until = record_failure(store, "h", now, case["retry_after_s"], "HTTP 503")
    wait = timedelta(seconds=case["wait_s"])
    assert until == now + wait
    assert not may_ask(store, "h", now + wait - SECOND)
    assert may_ask(store, "h", now + wait)
    assert may_ask(store, "other", now)


def test_success_forgets(store: Store, now: datetime) -> None:
    for _ in range(3):
        record_failure(store, "h", now, None, "timeout")
    record_success(store, "h")
    assert may_ask(store, "h", now)
    assert record_failure(store, "h", now, None, "timeout") == now + timedelta(minutes=15)


@pytest.mark.parametrize("asked", [math.inf, math.nan, -5.0, 1e12])
def test_absurd_retry_after_does_not_stop_us_for_ever(store: Store, now: datetime, asked: float) -> None:
    assert record_failure(store, "h", now, asked, "x") <= now + timedelta(days=1)


def test_failure_noted_by_a_clock_that_went_back_counts_for_nothing(store: Store, now: datetime) -> None:
    for _ in range(3):
        record_failure(store, "h", now + timedelta(days=900), None, "x")
    assert may_ask(store, "h", now)
    assert record_failure(store, "h", now, None, "x") == now + timedelta(minutes=15)
    found = pause(store, "h", now)
    assert found is not None
    assert (found.failures, found.why) == (1, "x")


def test_weight_stops_at_the_share_of_the_limits(store: Store) -> None:
    case = CASES["weight"]
    for step in case["spends"]:
        at = datetime.fromisoformat(step["at"])
        assert (spend(store, "h", at, step["weight"], case["limits"]) is None) is step["allowed"], step
    assert spent(store, "h", "day", datetime.fromisoformat("2026-07-01T23:00:00+00:00")) == 400 + 80 + 480
    assert spent(store, "h", "day", datetime.fromisoformat("2026-07-02T00:00:00+00:00")) == 0
    assert spent(store, "other", "day", datetime.fromisoformat("2026-07-01T23:00:00+00:00")) == 0


def test_refused_weight_counts_in_no_window(store: Store, now: datetime) -> None:
    limits: Any = {"minute": 600, "day": 100}
    assert spend(store, "h", now, 81, limits) == "day"
    assert spent(store, "h", "minute", now) == 0
    assert spend(store, "h", now, 80, limits) is None
    assert spent(store, "h", "minute", now) == 80


def test_day_of_quarter_hours_never_passes_the_share(store: Store, now: datetime) -> None:
    taken = 0.0
    for quarter in range(96):
        if (
            spend(store, "h", now.replace(hour=0) + quarter * timedelta(minutes=15), 150.0, {"day": 10_000})
            is None
        ):
            taken += 150
    assert taken <= 8000 < taken + 150
