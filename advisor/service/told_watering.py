"""What the digests of the last days told on water, kept in the store.

This is no derived state: it is what was said, and nothing else tells it. The balance of the next mornings
takes it as done, unless the journal says otherwise. It is kept when a digest is queued, and counts once that
digest was delivered.
"""

from __future__ import annotations

from datetime import date, datetime, timedelta
from typing import Any

from advisor.advice.model import Situation
from advisor.advice.water import watering_rounds
from advisor.exposure.water_known import ToldSlot, ToldWatering, balance_begins_utc
from advisor.service.told import heard, keep_said
from advisor.store.database import Store, Transaction
from advisor.store.stamps import stamp, utc_from
from advisor.units import NumberTable
from advisor.weather.days import day_bounds_utc

__all__ = ["keep_told", "told_now", "told_watering"]

NAME = "told-watering"


def told_now(situation: Situation) -> ToldWatering | None:
    """Return what a digest of this situation tells; None when it cannot reckon the pots."""
    rounds = watering_rounds(situation)
    exposure = situation.exposure
    if exposure is None or not rounds:
        return None
    end = day_bounds_utc(situation.day, situation.holdings.garden.zone)[1]
    until = max(end, rounds[-1].at_utc + timedelta(minutes=1))
    slots = tuple(ToldSlot(one.at_utc, frozenset(one.water), frozenset(one.check)) for one in rounds)
    return ToldWatering(situation.now_utc, until, frozenset(exposure.tree_ids), slots)


def told_watering(store: Store | None, now_utc: datetime, numbers: NumberTable) -> tuple[ToldWatering, ...]:
    """Return what the digests delivered up to now told, oldest first; each speaks from its delivery on."""
    return tuple(
        _read(row, at_utc)
        for row, at_utc in heard(store, NAME, now_utc, numbers)
        if at_utc < utc_from(row["until"])
    )


def keep_told(tx: Transaction, store: Store, situation: Situation, now_utc: datetime) -> None:
    """Keep what this digest tells beside what the earlier ones told, as far back as the balance looks."""
    told = told_now(situation)
    if told is not None:
        kept = now_utc - balance_begins_utc(now_utc, situation.tables) + timedelta(days=1)
        keep_said(tx, store, NAME, _row(told, situation.day), now_utc, kept)


def _row(told: ToldWatering, day: date) -> dict[str, Any]:
    return {
        "day": day.isoformat(),
        "from": stamp(told.from_utc),
        "until": stamp(told.until_utc),
        "of": sorted(told.of),
        "slots": [
            {"at": stamp(slot.at_utc), "water": sorted(slot.water), "check": sorted(slot.check)}
            for slot in told.slots
        ],
    }


def _read(row: dict[str, Any], from_utc: datetime) -> ToldWatering:
    return ToldWatering(
        from_utc,
        utc_from(row["until"]),
        frozenset(row["of"]),
        tuple(
            ToldSlot(utc_from(slot["at"]), frozenset(slot["water"]), frozenset(slot["check"]))
            for slot in row["slots"]
        ),
    )
