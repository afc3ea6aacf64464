"""The order in which journal lines are taken.

Order among lines of equal time does not matter, except for moves and nets, where the later line stands. On
the day of a stripping, leaves seen belong to the time before it: nobody strips leaves and sees them open
or hard afterwards on the same day.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime
from zoneinfo import ZoneInfo

from advisor.garden.model import JournalEntry
from advisor.garden.phenology import LEAF_SIGHTINGS

__all__ = ["WORK", "Lines", "in_order"]

WORK = frozenset(
    {
        "defoliated", "part-defoliated", "cut", "carved", "carved-deadwood", "wired", "unwired", "bent",
        "repotted", "layer-started", "layer-separated", "sealed", "limed", "candle-cut",
    }
)  # fmt: skip
"""Journal entries that are work on the tree; care (water, feed, moves, nets) is not."""

_HARM = frozenset({"scorched", "frosted", "wilted", "pests", "wire-tight"})
_POSITION = frozenset({"moved", "shaded", "unshaded"})
_FIRST = ("unwired", "layer-separated", "recovered", "buds-swelling", "leaves-hard", "leaves-open")
"""At equal time these come first, in this order: ends before starts, soft leaves after hard ones."""


@dataclass(frozen=True, slots=True)
class Lines:
    """Journal lines in the order in which they count.

    ``strip_days`` are the days of a stripping, ``both_days`` those on which leaves were called open and
    hard alike.
    """

    entries: tuple[JournalEntry, ...]
    strip_days: frozenset[date]
    both_days: frozenset[date]


def _rank(entry: str) -> int:
    if entry in _FIRST:
        return _FIRST.index(entry)
    if entry in _POSITION:
        return 40
    if entry in _HARM:
        return 30
    return 20 if entry in WORK else 10


def in_order(entries: Iterable[JournalEntry], zone: ZoneInfo) -> Lines:
    """Sort journal lines of one tree.

    Parameters
    ----------
    entries : iterable of JournalEntry
    zone : ZoneInfo
        The garden's; days are local.
    """
    lines = list(entries)
    stripped: dict[date, datetime] = {}
    seen: dict[str, set[date]] = {"leaves-open": set(), "leaves-hard": set()}
    for entry in lines:
        day = entry.at_utc.astimezone(zone).date()
        if entry.entry == "defoliated":
            stripped[day] = min(stripped.get(day, entry.at_utc), entry.at_utc)
        if entry.entry in seen:
            seen[entry.entry].add(day)

    def key(entry: JournalEntry) -> tuple[datetime, int, str, str, int]:
        at_utc = entry.at_utc
        if entry.entry in LEAF_SIGHTINGS:
            at_utc = min(at_utc, stripped.get(at_utc.astimezone(zone).date(), at_utc))
        fixed = entry.entry in _POSITION
        word, amount = ("", "") if fixed else (entry.entry, repr(entry.amount))
        return at_utc, _rank(entry.entry), word, amount, entry.order

    return Lines(
        tuple(sorted(lines, key=key)),
        frozenset(stripped),
        frozenset(seen["leaves-open"] & seen["leaves-hard"]),
    )
