"""What the advisor has learned (forecast errors, a tree's thirst)."""

from __future__ import annotations

import json
from datetime import datetime
from typing import Any

from advisor.store.database import Store, Transaction
from advisor.store.stamps import stamp

__all__ = ["keep_learned", "learned"]


def keep_learned(tx: Transaction, name: str, value: Any, now_utc: datetime) -> None:
    """Keep one learned value (anything JSON can hold, no NaN) under its name."""
    tx.run(
        "INSERT INTO learned VALUES (?, ?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value, "
        "learned_at = excluded.learned_at",
        (name, json.dumps(value, allow_nan=False), stamp(now_utc)),
    )


def learned(store: Store, name: str, now_utc: datetime) -> Any:
    """Return a learned value, or None when there is none from now or before."""
    row = store.row("SELECT value FROM learned WHERE name = ? AND learned_at <= ?", (name, stamp(now_utc)))
    return None if row is None else json.loads(row[0])
