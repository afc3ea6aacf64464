"""The last copy of each of the grower's files that could be used, for the morning on which one cannot."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

from advisor.store.database import Store
from advisor.store.stamps import stamp, utc_from

__all__ = ["GoodCopy", "keep_last_good", "last_good"]


@dataclass(frozen=True, slots=True)
class GoodCopy:
    """One file as it last could be used: its name, text and when this text was first kept."""

    name: str
    text: str
    kept_at_utc: datetime


def keep_last_good(store: Store, name: str, text: str, now_utc: datetime) -> bool:
    """Keep a good copy of ``garden.toml``, ``service.toml`` or ``journal.csv``.

    Returns True when the text differs from the newest copy and was kept; the oldest copies beyond
    the configured number are dropped.
    """
    newest = last_good(store, name, now_utc)
    if newest is not None and newest.text == text:
        return False
    with store.transaction() as tx:
        tx.run("INSERT INTO last_good (name, text, kept_at) VALUES (?, ?, ?)", (name, text, stamp(now_utc)))
        tx.run(
            "DELETE FROM last_good WHERE name = ? AND id NOT IN "
            "(SELECT id FROM last_good WHERE name = ? ORDER BY id DESC LIMIT ?)",
            (name, name, store.rules.last_good_versions),
        )
    return True


def last_good(store: Store, name: str, now_utc: datetime) -> GoodCopy | None:
    """Return the newest good copy kept at or before now, or None."""
    row = store.row(
        "SELECT text, kept_at FROM last_good WHERE name = ? AND kept_at <= ? ORDER BY kept_at "
        "DESC, id DESC LIMIT 1",
        (name, stamp(now_utc)),
    )
    return None if row is None else GoodCopy(name, row[0], utc_from(row[1]))
