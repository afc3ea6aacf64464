"""Which moves the digests of the last days told, kept in the store; they count once delivered.

Like what was told on water this is no derived state. What becomes of it (``advisor.garden.told_moves``): the
tree may stand in either place until the journal says where.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, timedelta
from typing import Any

from advisor.advice.model import Advice, Situation
from advisor.advice.placing import placing
from advisor.garden.told_moves import ToldMove
from advisor.service.told import heard, keep_said
from advisor.store.database import Store, Transaction
from advisor.store.stamps import stamp, utc_from
from advisor.units import NumberTable

__all__ = ["keep_told_moves", "moves_told", "told_moves"]

NAME = "told-moves"
_TOPICS = {"shade": "shade-move-", "room": "shade-room-", "light": "shade-light-"}


def moves_told(situation: Situation, advice: Sequence[Advice]) -> tuple[ToldMove, ...]:
    """Return the moves that a digest with this advice tells, as far as they stand in it."""
    found = []
    for move in placing(situation).moves:
        topic = f"{_TOPICS[move.kind]}{move.to_id}"
        pieces = [piece for piece in advice if piece.id.startswith(topic) and move.tree_id in piece.trees]
        if pieces:
            by = min(piece.until_utc for piece in pieces) if move.burn is None else move.burn.by_utc
            now_utc = situation.now_utc
            found.append(
                ToldMove(
                    move.tree_id,
                    move.from_id,
                    move.to_id,
                    move.kind,
                    situation.day,
                    now_utc,
                    max(by, now_utc),
                )
            )
    return tuple(found)


def told_moves(store: Store | None, now_utc: datetime, numbers: NumberTable) -> tuple[ToldMove, ...]:
    """Return the moves that the digests delivered up to now told, oldest first."""
    return tuple(
        _read(one, date.fromisoformat(row["day"]), at_utc)
        for row, at_utc in heard(store, NAME, now_utc, numbers)
        for one in row["moves"]
    )


def keep_told_moves(
    tx: Transaction, store: Store, situation: Situation, advice: Sequence[Advice], now_utc: datetime
) -> None:
    """Keep the moves that this digest tells, for as long as a chain of tellings may go back."""
    moves = moves_told(situation, advice)
    if not moves:
        return
    back = timedelta(days=situation.tables.limits.value("told.kept_d", "d"))
    row = {
        "day": situation.day.isoformat(),
        "from": stamp(now_utc),
        "moves": [
            {
                "tree": move.tree_id,
                "from": move.from_id,
                "to": move.to_id,
                "kind": move.kind,
                "by": stamp(move.by_utc),
            }
            for move in moves
        ],
    }
    keep_said(tx, store, NAME, row, now_utc, back)


def _read(row: dict[str, Any], day: date, at_utc: datetime) -> ToldMove:
    by_utc = max(utc_from(row["by"]), at_utc)
    return ToldMove(row["tree"], row["from"], row["to"], row["kind"], day, at_utc, by_utc)
