"""What has been said is said once, whatever the clock does."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta

import pytest
from store.messages import message

from advisor.errors import StoreError
from advisor.store import ledger, outbox, outbox_view
from advisor.store.database import Store
from advisor.store.ledger import AlertEvent, LedgerRow

DAY = timedelta(days=1)


def settle_day(store: Store, day: date, at: datetime, *, fail: bool = False) -> bool:
    with store.transaction() as tx:
        new = ledger.write_ledger(tx, LedgerRow("digest", day.isoformat(), day, "queued", at))
        if new:
            outbox.enqueue_all(tx, [message(day.isoformat(), at, day=day)])
        if fail:
            raise KeyError
    return new


def test_day_is_open_until_it_is_settled_and_then_for_ever_closed(store: Store, now: datetime) -> None:
    wanted = [("digest", "2026-07-01"), ("digest", "2026-07-02")]
    assert ledger.not_in_ledger(store, wanted) == tuple(wanted)
    assert settle_day(store, date(2026, 7, 1), now)
    assert ledger.not_in_ledger(store, wanted) == (("digest", "2026-07-02"),)
    assert not settle_day(store, date(2026, 7, 1), now)
    assert outbox_view.counts(store) == {"pending": 1}


def test_clock_set_back_says_nothing_again(store: Store, now: datetime) -> None:
    settle_day(store, date(2026, 7, 1), now)
    for back in (timedelta(hours=1), DAY, 400 * DAY):
        assert not settle_day(store, date(2026, 7, 1), now - back)
    assert outbox_view.counts(store) == {"pending": 1}


def test_ledger_row_and_message_are_kept_together_or_not_at_all(store: Store, now: datetime) -> None:
    with pytest.raises(KeyError):
        settle_day(store, date(2026, 7, 1), now, fail=True)
    assert ledger.ledger_rows(store, date(2026, 7, 1)) == ()
    assert outbox_view.counts(store) == {}


def test_rows_of_days_come_back_as_written(store: Store, now: datetime) -> None:
    rows = [
        LedgerRow("digest", f"2026-07-0{n}", date(2026, 7, n), "skipped", now, "down until noon")
        for n in (1, 2, 3)
    ]
    with store.transaction() as tx:
        for row in rows:
            ledger.write_ledger(tx, row)
    assert ledger.ledger_rows(store, date(2026, 7, 2)) == (rows[1],)
    assert ledger.ledger_rows(store, date(2026, 7, 2), date(2026, 7, 9)) == tuple(rows[1:])


def spell(now: datetime, **more: object) -> AlertEvent:
    return replace(
        AlertEvent("heat-2026-07-03", "heat", date(2026, 7, 3), date(2026, 7, 6), ("ember",), now),
        **more,  # type: ignore[arg-type]
    )


def record(store: Store, event: AlertEvent) -> bool:
    with store.transaction() as tx:
        return ledger.record_event(tx, event)


def test_event_is_told_once_and_updated_by_a_later_revision_only(store: Store, now: datetime) -> None:
    assert record(store, spell(now))
    assert not record(store, spell(now + DAY))
    assert record(store, spell(now + DAY, trees=("ember", "moss"), revision=1))
    assert not record(store, spell(now + DAY, trees=("x",), revision=0))
    assert ledger.open_events(store, "heat", now) == (spell(now + DAY, trees=("ember", "moss"), revision=1),)
    assert ledger.open_events(store, "frost", now) == ()


def test_event_keeps_the_class_and_the_last_day_it_was_told_with(store: Store, now: datetime) -> None:
    record(store, spell(now, grade=1))
    until = date(2026, 7, 8)
    record(store, spell(now + DAY, grade=2, revision=1, told_until=until))
    assert [(each.grade, each.told_until) for each in ledger.open_events(store, "heat", now)] == [(2, until)]


def test_closed_event_is_over_but_open_again_to_a_clock_that_went_back(store: Store, now: datetime) -> None:
    record(store, spell(now))
    with store.transaction() as tx:
        ledger.close_event(tx, "heat-2026-07-03", now + 5 * DAY)
        ledger.close_event(tx, "heat-2026-07-03", now + 6 * DAY)
    assert ledger.open_events(store, "heat", now + 5 * DAY) == ()
    assert len(ledger.open_events(store, "heat", now + 4 * DAY)) == 1
    found = ledger.event_by_id(store, "heat-2026-07-03")
    assert found is not None
    assert found.closed_at_utc == now + 5 * DAY
    assert len(ledger.events_between(store, date(2026, 7, 6), date(2026, 7, 9))) == 1
    assert ledger.events_between(store, date(2026, 7, 7), date(2026, 7, 9)) == ()


def test_event_told_by_a_clock_in_the_future_has_been_told(store: Store, now: datetime) -> None:
    record(store, spell(now + 9 * DAY))
    assert len(ledger.open_events(store, "heat", now)) == 1


def test_closing_what_is_not_there_is_an_error(store: Store, now: datetime) -> None:
    with pytest.raises(StoreError, match="no alert event"), store.transaction() as tx:
        ledger.close_event(tx, "nothing", now)


def test_event_that_ends_before_it_begins_is_refused(store: Store, now: datetime) -> None:
    with pytest.raises(StoreError, match="own rules"):
        record(store, spell(now, last_day=date(2026, 7, 1)))


def test_standing_measure_is_said_once(store: Store, now: datetime) -> None:
    with store.transaction() as tx:
        assert ledger.tell_standing(tx, "net-south", now, "net")
        assert not ledger.tell_standing(tx, "net-south", now + DAY, "net")
    assert ledger.standing_told(store) == {"net-south": now}
