"""journal.csv in, checked entries out: RFC 4180 ``date,time,tree,entry,amount,unit,note``.

Lines may be edited by hand at any time. A faulty line is dropped and named, the rest stays. Times are
garden-local: an hour that the clocks skip counts as the hour after, of an hour that comes twice the
first is meant. An empty time means noon, or now if that is earlier.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from typing import Literal

from advisor.errors import Fault
from advisor.garden.model import Garden, JournalEntry, Place, PlaceReading, Tree
from advisor.store.journal_rows import (
    HEADER,
    JOURNAL_FILE,
    TAKES_BACK,
    JournalRow,
    journal_text,
    read_rows,
    row_text,
)
from advisor.store.journal_words import COLUMNS, ENTRIES, RETRACTED, Slip, checked_amount, entry_slip
from advisor.store.toml_faults import did_you_mean, has_control, shown_value

__all__ = [
    "HEADER",
    "JOURNAL_FILE",
    "TAKES_BACK",
    "JournalRow",
    "journal_text",
    "read_journal",
    "read_readings",
    "read_rows",
    "row_text",
]

_NOON_H = 12
_READ: Mapping[str, Literal["night-min", "day-max"]] = {"night-min": "night-min", "day-max": "day-max"}
_FORWARD = timedelta(days=1)
"""A line up to a day ahead is only early; further ahead its date is a slip."""


# --- rows into entries -------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class _Checked:
    """A row whose date, words and amount are right; trees not yet resolved."""

    row: JournalRow
    at_utc: datetime
    amount: float | str | None
    unit: str
    order: int


class _Reader:
    def __init__(
        self,
        garden: Garden,
        trees: Sequence[Tree],
        places: Mapping[str, Place],
        now_utc: datetime,
        *,
        set_aside: Collection[str],
        file: str,
    ) -> None:
        self.garden, self.places, self.now_utc, self.file = garden, places, now_utc, file
        self.trees = {tree.id: tree for tree in trees}
        self.set_aside = set_aside
        self.faults: list[Fault] = []

    def fault(self, row: JournalRow, slip: Slip, drops: str = "line") -> None:
        self.faults.append(Fault(self.file, row.line, slip.column, slip.found, slip.wanted, drops))

    def check(self, row: JournalRow, order: int) -> _Checked | None:
        """Return the row with its time and amount, or None after naming every slip in it."""
        slips: list[Slip] = []
        at_utc = _moment(row, self.garden, self.now_utc, slips)
        named = self.about_slip(row) or self.tree_slip(row.tree)
        slips += [slip for slip in (entry_slip(row.entry), named) if slip is not None]
        amount: float | str | None = None
        unit = ""
        if row.entry in ENTRIES:
            amount, unit, slip = checked_amount(ENTRIES[row.entry], row.amount, row.unit)
            if slip is None and ENTRIES[row.entry].amount == "place":
                slip = self.place_slip(str(amount))
            if slip is not None:
                slips.append(slip)
        slips += [
            Slip(column, "holds a control character or bytes that are not UTF-8", "plain text")
            for column, text in zip(COLUMNS, row.fields, strict=True)
            if has_control(
                text.replace("\n", " ").replace("\r", " ").replace("\t", " ") if column == "note" else text
            )
        ]
        for slip in slips:
            self.fault(row, slip)
        if slips or at_utc is None:
            return None
        return _Checked(row, at_utc, amount, unit, order)

    def about_slip(self, row: JournalRow) -> Slip | None:
        """Return the slip of a thermometer read at a tree or everywhere: it hangs at a place."""
        if row.entry not in ENTRIES or ENTRIES[row.entry].about != "place" or row.tree.startswith("@"):
            return None
        place = self.trees[row.tree].place_id if row.tree in self.trees else next(iter(self.places), "place")
        found = f"{shown_value(row.tree)} is no place, and {row.entry} is read at one"
        return Slip("tree", found, f'write it with an @ before the place, such as "@{place}"')

    def tree_slip(self, tree: str) -> Slip | None:
        if tree == "all" or tree in self.trees or tree in self.set_aside:
            return None
        if tree.startswith("@"):
            if tree[1:] in self.places:
                return None
            known = [f"@{place}" for place in self.places]
            return Slip(
                "tree", f"{shown_value(tree)} is not a place of the garden", did_you_mean(tree, known)
            )
        if not tree:
            return Slip("tree", "is missing", "write a tree's id, @place or all")
        return Slip(
            "tree", f"{shown_value(tree)} is not a tree of garden.toml", did_you_mean(tree, self.trees)
        )

    def place_slip(self, place: str) -> Slip | None:
        if place in self.places or f"@{place}" in self.set_aside:
            return None
        return Slip(
            "amount", f"{shown_value(place)} is not a place of the garden", did_you_mean(place, self.places)
        )

    def without_retracted(self, rows: list[JournalRow]) -> list[JournalRow]:
        """Return the rows that still count: ``retracted`` takes back the last matching line before it."""
        kept: list[JournalRow] = []
        for row in rows:
            if row.entry != RETRACTED:
                kept.append(row)
                continue
            named = row.note.removeprefix(TAKES_BACK)
            for place in range(len(kept) - 1, -1, -1):
                if row_text(kept[place]) == named:
                    del kept[place]
                    break
            else:
                wanted = "delete this line, or mend the one it names"
                self.fault(row, Slip("note", "takes back a line that is not there", wanted))
        return kept

    def entries(self, rows: list[_Checked]) -> tuple[JournalEntry, ...]:
        """Return one entry for each tree that a line speaks of, in order of time."""
        standing = {tree.id: tree.place_id for tree in self.trees.values()}
        found: list[JournalEntry] = []
        for checked in sorted(rows, key=lambda one: (one.at_utc, one.order)):
            row = checked.row
            if ENTRIES[row.entry].about == "place":
                continue
            for tree_id in self.meant(row.tree, standing):
                found.append(self.entry(checked, tree_id))
                if row.entry == "moved":
                    standing[tree_id] = str(checked.amount)
            if row.entry == "layer-separated":
                found += self.second_half(checked)
        return tuple(found)

    def readings(self, rows: list[_Checked]) -> tuple[PlaceReading, ...]:
        """Return what thermometers at places showed, in order of time."""
        zone, found = self.garden.zone, []
        for checked in sorted(rows, key=lambda one: (one.at_utc, one.order)):
            row, amount = checked.row, checked.amount
            if row.entry not in _READ or not isinstance(amount, float) or row.tree[1:] not in self.places:
                continue
            local = checked.at_utc.astimezone(zone)
            before_noon = bool(row.time) and local.hour < _NOON_H
            day = local.date() - timedelta(days=1) if row.entry == "day-max" and before_noon else local.date()
            air_c = (amount - 32.0) / 1.8 if checked.unit == "f" else amount
            found.append(PlaceReading(row.tree[1:], _READ[row.entry], day, air_c, row.line))
        return tuple(found)

    def meant(self, tree: str, standing: Mapping[str, str]) -> list[str]:
        if tree == "all":
            return list(standing)
        if tree.startswith("@"):
            return [tree_id for tree_id, place in standing.items() if place == tree[1:]]
        return [tree] if tree in standing else []

    def second_half(self, checked: _Checked) -> list[JournalEntry]:
        new = str(checked.amount)
        if new in self.trees:
            return [self.entry(checked, new)] if new != checked.row.tree else []
        if new not in self.set_aside:
            found = f"the new tree {shown_value(new)} is not in garden.toml"
            self.fault(checked.row, Slip("amount", found, "add it there as [[tree]]"), f"tree {new}")
        return []

    def entry(self, checked: _Checked, tree_id: str) -> JournalEntry:
        row = checked.row
        return JournalEntry(
            checked.at_utc,
            tree_id,
            row.entry,
            checked.amount,
            checked.unit,
            row.note,
            row.line,
            checked.order,
        )


_CLOCK = re.compile(r"(\d{1,2}):(\d\d)(?::(\d\d))?")


def _moment(row: JournalRow, garden: Garden, now_utc: datetime, slips: list[Slip]) -> datetime | None:
    """Return when a line happened, in UTC; None after adding the slip."""
    try:
        if not re.fullmatch(r"\d{4}-\d\d-\d\d", row.date):
            raise ValueError
        day = date.fromisoformat(row.date)
    except ValueError:
        slips.append(Slip("date", f"{shown_value(row.date)} is not a date", "write it as YYYY-MM-DD"))
        return None
    zone = garden.zone
    clock = time(12)
    if row.time:
        match = _CLOCK.fullmatch(row.time)
        try:
            if match is None:
                raise ValueError
            clock = time(int(match[1]), int(match[2]), int(match[3] or 0))
        except ValueError:
            slips.append(
                Slip("time", f"{shown_value(row.time)} is not a time of day", "write HH:MM or nothing")
            )
            return None
    try:
        at_utc = datetime.combine(day, clock, tzinfo=zone).astimezone(UTC)
    except OverflowError:
        slips.append(Slip("date", f"{shown_value(row.date)} is out of range", "write the year it happened"))
        return None
    if at_utc > now_utc + _FORWARD:
        slips.append(Slip("date", f"{shown_value(row.date)} lies in the future", "write when it happened"))
        return None
    if not row.time and day == now_utc.astimezone(zone).date():
        at_utc = min(at_utc, now_utc)
    return at_utc


def read_journal(
    text: str,
    garden: Garden,
    trees: Sequence[Tree],
    places: Mapping[str, Place],
    now_utc: datetime,
    *,
    set_aside: Collection[str] = (),
    file: str = JOURNAL_FILE,
) -> tuple[tuple[JournalEntry, ...], tuple[Fault, ...]]:
    """Return the journal's entries, oldest first, and every faulty line.

    A line about ``all`` or ``@place`` gives one entry for each tree meant: those that stand there by
    the moves up to that time. A separated layer gives one for the parent and one for the new tree.
    Lines of later today are not used yet; lines that ``retracted`` takes back do not count.

    Parameters
    ----------
    text : str
        The file's text.
    garden, trees, places
        From the garden file.
    now_utc : datetime
        Entries after it are left for a later pass.
    set_aside : collection of str, optional
        Ids of trees, and ``@place``, that the garden file names but that cannot be used: lines about
        them are passed over without a fault.
    file : str, optional
        Name used in faults.
    """
    rows, faults = read_rows(text, file)
    reader = _Reader(garden, trees, places, now_utc, set_aside=set_aside, file=file)
    reader.faults += faults
    standing = reader.without_retracted(rows)
    checked = [one for order, row in enumerate(standing) if (one := reader.check(row, order)) is not None]
    entries = reader.entries([one for one in checked if one.at_utc <= now_utc])
    return entries, tuple(sorted(reader.faults, key=lambda fault: fault.line or 0))


def read_readings(
    text: str, garden: Garden, trees: Sequence[Tree], places: Mapping[str, Place], now_utc: datetime
) -> tuple[PlaceReading, ...]:
    """Return what thermometers at places showed, oldest first; the faults are those of ``read_journal``.

    A lowest reading belongs to the night that ended last before it; a highest one read before noon to the day
    before, else to its own day.
    """
    if not any(word in text for word in _READ):
        return ()
    rows, _ = read_rows(text)
    reader = _Reader(garden, trees, places, now_utc, set_aside=(), file=JOURNAL_FILE)
    standing = [row for row in reader.without_retracted(rows) if row.entry in _READ]
    checked = [one for order, row in enumerate(standing) if (one := reader.check(row, order)) is not None]
    return reader.readings([one for one in checked if one.at_utc <= now_utc])
