"""One round of delivery in one process: order, faults, time, and what is told."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from advisor.delivery.envelope import Envelope
from advisor.errors import DeliveryError, StoreError
from advisor.service.deliver import DeliveryOutcome, deliver_due
from advisor.store import outbox, outbox_view
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.rules import StoreRules

NOW = datetime(2026, 7, 1, 4, 0, tzinfo=UTC)


@pytest.fixture
def store(tmp_path: Path) -> Iterator[Store]:
    rules = replace(StoreRules.from_numbers(load_tables().operation), busy_wait_s=0.2)
    with Store.open(tmp_path / "state", NOW, "given", rules=rules) as opened:
        yield opened


def put(store: Store, *keys: str, **more: Any) -> None:
    values: dict[str, Any] = {
        "envelope_sender": "advisor@example.org",
        "raw": b"x\r\n",
        "lane": "routine",
        "on_unknown": "hold",
        "created_at_utc": NOW,
        "expires_at_utc": NOW + timedelta(hours=18),
        "kind": "digest",
        "day": NOW.date(),
    } | more
    with store.transaction() as tx:
        outbox.enqueue_all(
            tx,
            [
                outbox.NewMessage(
                    dedupe_key=key, message_id=f"<{key}@x>", recipient=f"{key}@example.org", **values
                )
                for key in keys
            ],
        )


class Channel:
    """A channel that does what it is told for each recipient."""

    def __init__(self, **faults: BaseException) -> None:
        self.faults, self.sent = faults, []  # type: ignore[var-annotated]
        self.begin_first = True

    def __call__(self, envelope: Envelope, on_payload: Callable[[], None]) -> str:
        name = envelope.recipient.partition("@")[0]
        fault = self.faults.get(name)
        if fault is not None and not (isinstance(fault, DeliveryError) and fault.verdict == "unknown"):
            raise fault
        on_payload()
        if fault is not None:
            raise fault
        self.sent.append(name)
        return f"250 {name}"


class Ticks:
    """A clock that goes forward by a step at each look."""

    def __init__(self, step_s: float = 0.0) -> None:
        self.at_s, self.step_s = 100.0, step_s

    def __call__(self) -> float:
        self.at_s += self.step_s
        return self.at_s


def go(store: Store, channel: Any, now: datetime = NOW, **more: Any) -> DeliveryOutcome:
    return deliver_due(store, channel, now, more.pop("time_left_s", 60), more.pop("clock", Ticks()), **more)


def test_one_failing_message_does_not_keep_the_others_back(store: Store) -> None:
    put(store, "a", "b", "c", "d", "e")
    channel = Channel(
        a=DeliveryError("550 no such user", verdict="permanent"),
        b=DeliveryError("451 later", verdict="transient"),
        c=DeliveryError("cut", verdict="unknown"),
        d=ZeroDivisionError("b@example.org broke"),
    )
    outcome = go(store, channel)
    assert channel.sent == ["e"]
    assert (outcome.sent, outcome.failed, outcome.waiting, outcome.unknown, outcome.held) == (1, 1, 2, 1, 0)
    assert not outcome.clean
    assert len(outcome.messages) == 4
    assert not [line for line in outcome.messages if "b@example.org" in line and "...@" not in line]
    assert outbox_view.counts(store) == {"failed": 1, "pending": 2, "unknown": 1, "sent": 1}


def test_channel_that_breaks_after_the_payload_leaves_a_doubt(store: Store) -> None:
    put(store, "a", "b")

    def broken(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        on_payload()
        raise ZeroDivisionError

    outcome = go(store, broken)
    assert (outcome.unknown, outcome.waiting) == (2, 0)


def test_wrong_password_stops_the_round_and_costs_no_message_a_try(store: Store) -> None:
    put(store, "a", "b", "c")
    channel = Channel(a=DeliveryError("535 no", verdict="transient", lane_fault=True))
    outcome = go(store, channel)
    assert (outcome.sent, outcome.held, outcome.waiting) == (0, 2, 1)
    assert channel.sent == []
    assert "held until" in outcome.messages[-1]
    assert {found.attempts for found in outbox_view.messages_of_day(store, NOW.date())} == {0}
    assert go(store, Channel(), NOW + timedelta(minutes=29)).sent == 0
    assert go(store, Channel(), NOW + timedelta(minutes=30)).sent == 3
    assert outbox_view.held_lanes(store, NOW + timedelta(minutes=30)) == ()


def test_running_it_twice_changes_nothing(store: Store) -> None:
    put(store, "a")
    assert go(store, Channel()).sent == 1
    assert go(store, Channel()) == DeliveryOutcome()
    assert go(store, Channel(), NOW + timedelta(days=40)) == DeliveryOutcome()


def test_no_message_is_begun_when_the_time_is_used_up(store: Store) -> None:
    put(store, *"abcdefgh")
    outcome = go(store, Channel(), time_left_s=10, clock=Ticks(step_s=1.0))
    assert 0 < outcome.sent < 8
    assert go(store, Channel(), time_left_s=0).sent == 0
    assert outbox_view.counts(store)["pending"] == 8 - outcome.sent


def test_stop_ends_the_round_between_messages(store: Store) -> None:
    put(store, *"abcd")
    channel = Channel()
    assert go(store, channel, stop=lambda: len(channel.sent) >= 2).sent == 2
    assert outbox_view.counts(store) == {"sent": 2, "pending": 2}


def test_late_message_is_told_and_not_sent(store: Store) -> None:
    put(store, "a", expires_at_utc=NOW + timedelta(hours=1))
    outcome = go(store, Channel(), NOW + timedelta(hours=1))
    assert (outcome.sent, outcome.expired) == (0, 1)
    assert "past their time" in outcome.messages[0]


def test_frost_tonight_goes_before_the_digest_and_is_sent_again_in_doubt(store: Store) -> None:
    put(store, "digest")
    put(store, "frost", lane="urgent", on_unknown="resend", kind="frost")
    doubtful = Channel(frost=DeliveryError("cut", verdict="unknown"))
    assert go(store, doubtful).waiting == 1
    sure = Channel()
    assert go(store, sure, NOW + timedelta(minutes=15)).sent == 1
    assert sure.sent == ["frost"]


def test_store_that_cannot_note_the_answer_ends_the_round_loudly(store: Store) -> None:
    put(store, "a", "b")

    def full(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        on_payload()
        pages = store.rows("PRAGMA page_count")[0][0]
        store.rows(f"PRAGMA max_page_count = {pages}")
        return "250 " + "x" * 500_000

    with pytest.raises(StoreError, match="full"):
        go(store, full)
    store.rows("PRAGMA max_page_count = 1000000")
    assert outbox_view.counts(store) == {"leased": 1, "pending": 1}
    outcome = go(store, Channel(), alone=True)
    assert (outcome.sent, outcome.unknown) == (1, 1)
    assert outbox_view.counts(store) == {"unknown": 1, "sent": 1}


def test_message_taken_over_meanwhile_is_left_alone(store: Store) -> None:
    put(store, "a")

    def slow(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        later = NOW + store.rules.lease
        outbox.settle(store, later, alone=False)
        assert outbox.claim(store, later) is not None
        on_payload()
        raise AssertionError("the payload was begun without a lease")

    outcome = go(store, slow)
    assert outcome.sent == 0
    assert "another process" in outcome.messages[0]


def test_lease_runs_on_the_service_clock_plus_what_has_passed(store: Store) -> None:
    put(store, "a")
    seen: list[str] = []

    def look(envelope: Envelope, on_payload: Callable[[], None]) -> str:
        seen.append(store.rows("SELECT lease_until FROM outbox")[0][0])
        on_payload()
        seen.append(store.rows("SELECT lease_until FROM outbox")[0][0])
        return "250"

    go(store, look, clock=Ticks(step_s=5.0), time_left_s=999)
    assert seen[0] < seen[1]
    assert seen[0].startswith("2026-07-01T04:15")
