"""What the digests of the last days told on water, kept in the store.

This is no derived state: it is what was said, and nothing else tells it. The balance of the next mornings
takes it as done, unless the journal says otherwise.
"""

from __future__ import annotations

from collections.abc import Iterable
from datetime import datetime, timedelta
from typing import Any

from advisor.advice.model import Situation
from advisor.advice.water import watering_rounds
from advisor.exposure.water_known import ToldSlot, ToldWatering
from advisor.store.database import Store, Transaction
from advisor.store.learned import keep_learned, learned
from advisor.store.stamps import stamp, utc_from
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


def told_watering(store: Store | None, now_utc: datetime) -> tuple[ToldWatering, ...]:
    """Return what the digests up to now told, oldest first."""
    kept = None if store is None else learned(store, NAME, now_utc)
    return () if kept is None else tuple(_read(row) for row in kept)


def keep_told(
    tx: Transaction, before: Iterable[ToldWatering], situation: Situation, now_utc: datetime
) -> None:
    """Keep what this digest tells beside what the earlier ones told, as far back as the balance looks."""
    told = told_now(situation)
    if told is None:
        return
    days = situation.tables.physics.value("water.look_back_d", "d") + 1.0
    recent = [one for one in before if one.until_utc > now_utc - timedelta(days=days)]
    keep_learned(tx, NAME, [_row(one) for one in (*recent, told)], now_utc)


def _row(told: ToldWatering) -> dict[str, Any]:
    return {
        "from": stamp(told.from_utc),
        "until": stamp(told.until_utc),
        "of": sorted(told.of),
        "slots": [
            {"at": stamp(slot.at_utc), "water": sorted(slot.water), "check": sorted(slot.check)}
            for slot in told.slots
        ],
    }


def _read(row: dict[str, Any]) -> ToldWatering:
    return ToldWatering(
        utc_from(row["from"]),
        utc_from(row["until"]),
        frozenset(row["of"]),
        tuple(
            ToldSlot(utc_from(slot["at"]), frozenset(slot["water"]), frozenset(slot["check"]))
            for slot in row["slots"]
        ),
    )
