"""The life of a message: queued once, claimed by one, settled by its policy."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st
from store.messages import message

from advisor.errors import StoreError
from advisor.store import outbox, outbox_view
from advisor.store.database import Store
from advisor.store.outbox import Claimed, LeaseLostError, NewMessage, claim, settle
from advisor.store.outbox_verdicts import (
    hold_lanes,
    record_permanent,
    record_sent,
    record_transient,
    record_unknown,
    release_lanes,
    retry_wait,
)
from advisor.store.rules import StoreRules

MINUTE, HOUR, DAY = timedelta(minutes=1), timedelta(hours=1), timedelta(days=1)


def put(store: Store, *messages: NewMessage) -> int:
    with store.transaction() as tx:
        return outbox.enqueue_all(tx, messages)


def take(store: Store, now: datetime) -> Claimed:
    claimed = claim(store, now)
    assert claimed is not None
    return claimed


def test_same_key_is_queued_once_for_ever(store: Store, now: datetime) -> None:
    assert put(store, message("a", now), message("b", now), message("a", now)) == 2
    record_sent(store, take(store, now), "250", now)
    assert put(store, message("a", now), message("b", now)) == 0
    assert outbox_view.counts(store) == {"sent": 1, "pending": 1}


def test_message_id_used_twice_is_refused_whole(store: Store, now: datetime) -> None:
    put(store, message("a", now))
    with pytest.raises(StoreError, match="own rules"):
        put(store, message("c", now), message("b", now, message_id="<a@example.org>"))
    assert outbox_view.counts(store) == {"pending": 1}


def test_urgent_goes_first_then_in_order(store: Store, now: datetime) -> None:
    put(store, message("a", now), message("b", now), message("u", now, lane="urgent"), message("c", now))
    assert [take(store, now).message_id[1] for _ in range(4)] == ["u", "a", "b", "c"]
    assert claim(store, now) is None


def test_bytes_come_back_as_they_were(store: Store, now: datetime) -> None:
    raw = bytes(range(256)) * 3
    put(store, message("a", now, raw=raw))
    assert take(store, now).raw == raw


def test_message_waits_for_its_hour_and_dies_at_its_expiry(store: Store, now: datetime) -> None:
    put(store, message("a", now, not_before_utc=now + HOUR, expires_at_utc=now + 2 * HOUR))
    assert claim(store, now + HOUR - MINUTE) is None
    assert settle(store, now + HOUR, alone=False).expired == 0
    assert settle(store, now + 2 * HOUR, alone=False).expired == 1
    assert claim(store, now + 2 * HOUR) is None
    assert outbox_view.counts(store) == {"expired": 1}


def test_message_past_its_expiry_is_not_claimed_even_before_it_is_settled(
    store: Store, now: datetime
) -> None:
    put(store, message("a", now, expires_at_utc=now + HOUR))
    assert claim(store, now + HOUR) is None


def test_lease_that_ran_out_before_the_payload_goes_again_without_losing_a_try(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now))
    first = take(store, now)
    assert settle(store, now + rules.lease - MINUTE, alone=False).put_back == 0
    assert settle(store, now + rules.lease, alone=False).put_back == 1
    second = take(store, now + rules.lease)
    assert (second.attempts, second.claim) == (first.attempts, first.claim + 1)


@pytest.mark.parametrize(("policy", "wanted"), [("resend", "pending"), ("hold", "unknown")])
def test_lease_that_ran_out_after_the_payload_goes_by_policy(
    store: Store, now: datetime, rules: StoreRules, policy: str, wanted: str
) -> None:
    put(store, message("a", now, on_unknown=policy))
    outbox.mark_data_started(store, take(store, now), now)
    settle(store, now + rules.lease, alone=False)
    assert outbox_view.counts(store) == {wanted: 1}


def test_alone_under_the_pass_lock_dead_leases_end_at_once_even_from_the_future(
    store: Store, now: datetime
) -> None:
    put(store, message("a", now))
    take(store, now + 10 * HOUR)
    assert settle(store, now - 3 * HOUR, alone=False).put_back == 0
    assert settle(store, now - 3 * HOUR, alone=True).put_back == 1
    take(store, now - 3 * HOUR)


def test_lost_lease_stops_the_slow_one_before_the_payload(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now))
    slow = take(store, now)
    later = now + rules.lease
    settle(store, later, alone=False)
    quick = take(store, later)
    with pytest.raises(LeaseLostError):
        outbox.mark_data_started(store, slow, later)
    assert not record_sent(store, slow, "250 slow", later)
    record_transient(store, slow, "too late to matter", later)
    outbox.mark_data_started(store, quick, later)
    assert record_sent(store, quick, "250 quick", later)
    assert outbox_view.messages_of_day(store, now.date())[0].receipt == "250 quick"


def test_yes_that_arrives_after_the_row_was_settled_still_counts(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now))
    slow = take(store, now)
    outbox.mark_data_started(store, slow, now)
    settle(store, now + rules.lease, alone=False)
    assert outbox_view.counts(store) == {"unknown": 1}
    assert record_sent(store, slow, "250", now + rules.lease)
    assert outbox_view.counts(store) == {"sent": 1}


def test_waits_grow_to_their_longest_and_are_spread(rules: StoreRules) -> None:
    def waits(name: str) -> list[float]:
        return [
            retry_wait(
                rules, Claimed(1, n, n, name, "r", "s", b"", "routine", "hold", "k", date(2026, 7, 1), "")
            )
            / MINUTE
            for n in range(1, 30)
        ]

    plain = [2, 6, 18, 54, *[60] * 25]
    for name in ("<a>", "<b>", "<c>"):
        for found, wanted in zip(waits(name), plain, strict=True):
            assert 0.8 * wanted - 0.1 <= found <= 1.2 * wanted + 0.1
    assert waits("<a>") == waits("<a>")
    assert waits("<a>") != waits("<b>")


def test_transient_failure_waits_and_is_given_up_after_the_last_try(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now, expires_at_utc=now + 30 * DAY))
    at = now
    for _ in range(rules.attempts - 1):
        assert record_transient(store, take(store, at), "451 later", at) == "waiting"
        assert claim(store, at) is None
        at += 2 * HOUR
    assert record_transient(store, take(store, at), "451 later", at) == "failed"
    found = outbox_view.troubles(store, now)[0]
    assert (found.state, found.attempts) == ("failed", rules.attempts)
    assert "given up" in found.last_error


def test_wait_noted_by_a_clock_that_went_back_is_over(store: Store, now: datetime) -> None:
    put(store, message("a", now))
    record_transient(store, take(store, now + 10 * HOUR), "451", now + 10 * HOUR)
    assert claim(store, now + 9 * HOUR) is not None


def test_quiet_hours_hold_whatever_the_clock(store: Store, now: datetime) -> None:
    put(store, message("a", now, not_before_utc=now + HOUR))
    assert claim(store, now - 5 * HOUR) is None


def test_fault_of_the_channel_spends_no_try_and_holds_both_lanes(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now), message("u", now, lane="urgent"))
    claimed = take(store, now)
    until = hold_lanes(store, now, "535")
    record_transient(store, claimed, "535", now, spend_attempt=False)
    assert until == now + rules.lane_hold
    assert claim(store, until - MINUTE) is None
    assert [held.lane for held in outbox_view.held_lanes(store, now)] == ["urgent", "routine"]
    assert take(store, until).attempts == claimed.attempts
    hold_lanes(store, until, "535")
    release_lanes(store)
    assert claim(store, until) is not None


def test_hold_noted_by_a_clock_that_went_back_is_over(store: Store, now: datetime) -> None:
    put(store, message("a", now))
    hold_lanes(store, now + DAY, "535")
    assert claim(store, now) is not None


def test_refusal_is_final_and_does_not_block_the_next(store: Store, now: datetime) -> None:
    put(store, message("a", now), message("b", now))
    record_permanent(store, take(store, now), "550 no such user", now)
    assert take(store, now).message_id == "<b@example.org>"
    assert settle(store, now + 30 * DAY, alone=True).put_back == 1
    assert outbox_view.counts(store)["failed"] == 1


@pytest.mark.parametrize(("policy", "became"), [("resend", "waiting"), ("hold", "unknown")])
def test_doubt_goes_by_policy(store: Store, now: datetime, policy: str, became: str) -> None:
    put(store, message("a", now, on_unknown=policy))
    claimed = take(store, now)
    outbox.mark_data_started(store, claimed, now)
    assert record_unknown(store, claimed, "cut", now) == became


@pytest.mark.parametrize(
    ("decision", "wanted"), [("arrived", "sent"), ("resend", "pending"), ("drop", "failed")]
)
def test_operator_settles_a_doubt(store: Store, now: datetime, decision: str, wanted: str) -> None:
    put(store, message("a", now))
    record_unknown(store, take(store, now), "cut", now)
    number = outbox_view.troubles(store, now)[0].id
    outbox_view.resolve_unknown(store, number, decision, now)  # type: ignore[arg-type]
    assert outbox_view.counts(store) == {wanted: 1}
    with pytest.raises(StoreError, match="not in doubt"):
        outbox_view.resolve_unknown(store, number, decision, now)  # type: ignore[arg-type]


def test_newer_message_takes_back_what_waits_but_not_what_has_left(store: Store, now: datetime) -> None:
    frost = {"kind": "frost", "event": "f1"}
    put(store, message("sent", now, **frost))
    record_sent(store, take(store, now), "250", now)
    put(store, message("old", now, **frost), message("new", now, **frost), message("other", now))
    with store.transaction() as tx:
        assert outbox.supersede(tx, "frost", "f1", keep_keys=["new"]) == 1
    states = {found.dedupe_key: found.state for found in outbox_view.messages_of_day(store, now.date())}
    assert states == {"sent": "sent", "old": "superseded", "new": "pending", "other": "pending"}
    assert put(store, message("old", now, **frost)) == 0


def test_text_of_old_mail_goes_its_row_stays_and_doubt_keeps_its_text(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    put(store, message("a", now), message("b", now), message("c", now, expires_at_utc=now + 99 * DAY))
    record_sent(store, take(store, now), "250", now)
    record_unknown(store, take(store, now), "cut", now)
    assert outbox.forget_bytes(store, now + rules.bytes_kept) == 0
    assert outbox.forget_bytes(store, now + rules.bytes_kept + DAY) == 1
    assert outbox.forget_bytes(store, now + rules.bytes_kept + DAY) == 0
    lengths = dict(store.rows("SELECT dedupe_key, length(raw) > 0 FROM outbox"))
    assert lengths == {"a": 0, "b": 1, "c": 1}
    assert put(store, message("a", now)) == 0


def test_oldest_waiting_and_last_sent_tell_health(store: Store, now: datetime) -> None:
    put(
        store,
        message("u", now, lane="urgent"),
        message("q", now - DAY, lane="urgent", not_before_utc=now + HOUR),
    )
    found = outbox_view.oldest_waiting(store, "urgent", now + MINUTE)
    assert found is not None
    assert found.dedupe_key == "u"
    assert outbox_view.oldest_waiting(store, "routine", now) is None
    assert outbox_view.last_sent(store, "digest", now) is None
    record_sent(store, take(store, now), "250", now)
    assert outbox_view.last_sent(store, "digest", now) == now
    assert outbox_view.last_sent(store, "digest", now - MINUTE) is None


def test_dead_lease_alone_is_something_to_do(store: Store, now: datetime) -> None:
    assert outbox_view.next_due(store) is None
    put(store, message("a", now))
    take(store, now)
    assert outbox_view.next_due(store) == now
    settle(store, now, alone=True)
    record_sent(store, take(store, now), "250", now)
    assert outbox_view.next_due(store) is None


STEPS = st.lists(
    st.tuples(
        st.sampled_from(["claim", "mark", "sent", "transient", "unknown", "permanent", "die", "settle"]),
        st.integers(0, 40),
    ),
    max_size=40,
)


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(steps=STEPS, policy=st.sampled_from(["resend", "hold"]))
def test_whatever_happens_a_held_message_begins_once_and_nothing_is_lost(
    store: Store, now: datetime, rules: StoreRules, steps: list[tuple[str, int]], policy: str
) -> None:
    """Property: begun and not refused or answered means, under ``hold``, never begun again."""
    with store.transaction() as tx:
        tx.run("DELETE FROM outbox")
    put(store, message("a", now, on_unknown=policy, expires_at_utc=now + 900 * DAY))
    at, held, begun, in_doubt = now, None, False, False
    for step, minutes in steps:
        at += minutes * MINUTE
        if step == "claim" and held is None:
            held = claim(store, at)
            begun = False
        elif step == "settle":
            settle(store, at, alone=held is None)
        elif held is not None and step == "mark" and not begun:
            try:
                outbox.mark_data_started(store, held, at)
            except LeaseLostError:
                held = None
                continue
            assert not (in_doubt and policy == "hold")
            begun = in_doubt = True
        elif held is not None and step in ("sent", "transient", "unknown", "permanent"):
            if step == "sent" and not begun:
                continue
            if step == "sent":
                record_sent(store, held, "250", at)
            elif step == "permanent":
                record_permanent(store, held, "550", at)
            elif step == "transient":
                record_transient(store, held, "451", at)
                in_doubt = in_doubt and not begun
            elif begun:
                record_unknown(store, held, "cut", at)
            else:
                continue
            held = None
        elif step == "die":
            held = None
    settle(store, at + 2 * rules.lease, alone=True)
    ((state, number),) = outbox_view.counts(store).items()
    assert number == 1
    assert state in {"pending", "sent", "unknown", "failed"}


def test_rules_are_read_from_the_shipped_table(rules: StoreRules) -> None:
    assert replace(rules, attempts=3).attempts == 3
    assert rules.host_waits == (15 * MINUTE, HOUR, 6 * HOUR)
    assert (rules.forecast_full, rules.ensemble_full, rules.weight_share) == (60 * DAY, 7 * DAY, 0.8)
