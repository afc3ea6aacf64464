"""journal.csv in, checked entries out: RFC 4180 ``date,time,tree,entry,amount,unit,note``.

Lines may be edited by hand at any time. A faulty line is dropped and named, the rest stays. Times are
garden-local: an hour that the clocks skip counts as the hour after, of an hour that comes twice the
first is meant. An empty time means noon, or now if that is earlier.
"""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime, time, timedelta
from pathlib import Path

from advisor.errors import Fault
from advisor.garden.model import Garden, JournalEntry, Place, Tree
from advisor.store.journal_words import COLUMNS, ENTRIES, RETRACTED, Slip, checked_amount, entry_slip
from advisor.store.toml_faults import did_you_mean, has_control, shown_value

__all__ = [
    "HEADER",
    "JOURNAL_FILE",
    "TAKES_BACK",
    "JournalRow",
    "journal_text",
    "read_journal",
    "read_rows",
    "row_text",
]

JOURNAL_FILE = "journal.csv"
HEADER = ",".join(COLUMNS)
TAKES_BACK = "takes back: "
_LARGEST_BYTES = 50_000_000
_FORWARD = timedelta(days=1)
"""A line up to a day ahead is only early; further ahead its date is a slip."""


@dataclass(frozen=True, slots=True)
class JournalRow:
    """One line as written, its seven fields stripped; ``line`` counts from 1 as an editor does."""

    date: str
    time: str
    tree: str
    entry: str
    amount: str
    unit: str
    note: str
    line: int = 0

    @property
    def fields(self) -> tuple[str, ...]:
        """The seven fields in file order."""
        return (self.date, self.time, self.tree, self.entry, self.amount, self.unit, self.note)


def row_text(row: JournalRow) -> str:
    """Return the line as RFC 4180 text without line break; what ``retracted`` names."""
    out = io.StringIO()
    csv.writer(out, lineterminator="").writerow(row.fields)
    return out.getvalue()


# --- text into rows ----------------------------------------------------------------------------


def journal_text(folder: Path) -> tuple[str, tuple[Fault, ...]]:
    """Return the text of the folder's journal; a missing one is empty; bytes not UTF-8 stay marked."""
    path = folder / JOURNAL_FILE
    try:
        with path.open("rb") as handle:
            raw = handle.read(_LARGEST_BYTES + 1)
    except FileNotFoundError:
        return "", ()
    except OSError as error:
        return "", (
            Fault(path.name, None, "", f"cannot be read: {error.strerror}", "check its owner and mode"),
        )
    if len(raw) > _LARGEST_BYTES:
        return "", (Fault(path.name, None, "", "is larger than 50 MB", "move old years into another file"),)
    if raw.startswith((b"\xff\xfe", b"\xfe\xff")) or raw[:400].count(b"\0") > len(raw[:400]) // 4:
        return "", (Fault(path.name, None, "", "is not UTF-8 but looks like UTF-16", "save it as UTF-8"),)
    return raw.removeprefix(b"\xef\xbb\xbf").decode("utf-8", errors="surrogateescape"), ()


def _records(text: str) -> Iterator[tuple[int, list[str] | str]]:
    """Yield line number and fields of every record, or what is wrong with it.

    A quote that is never closed costs its own line only: reading goes on with the next line.
    """
    lines = list(io.StringIO(text, newline=""))
    start = 0
    while start < len(lines):
        reader = csv.reader(_from(lines, start), strict=True)
        try:
            fields = next(reader)
        except csv.Error as error:
            yield start + 1, str(error)
            start += 1
        else:
            after = start + reader.line_num
            if any(_LINE_START.match(line) for line in lines[start + 1 : after]):
                yield start + 1, "it would swallow the next line"
                start += 1
            else:
                yield start + 1, fields
                start = after


_LINE_START = re.compile(r"\d{4}-\d\d-\d\d,")


def _from(lines: list[str], start: int) -> Iterator[str]:
    for number in range(start, len(lines)):
        yield lines[number]


def read_rows(text: str, file: str = JOURNAL_FILE) -> tuple[list[JournalRow], list[Fault]]:
    """Return the rows of a journal as written, without looking into them, and the lines that are no rows."""
    rows: list[JournalRow] = []
    faults: list[Fault] = []
    header_seen = False

    def fault(line: int, key: str, found: str, wanted: str, drops: str = "line") -> None:
        faults.append(Fault(file, line, key, found, wanted, drops))

    for line, record in _records(text.removeprefix("\ufeff")):
        if isinstance(record, str):
            fault(
                line, "", f"a quote is not closed or stands inside a field ({record})", 'write "" for a quote'
            )
            continue
        fields = [field.strip() for field in record]
        if not any(fields):
            continue
        if not header_seen:
            header_seen = True
            if tuple(field.casefold() for field in fields) == COLUMNS:
                continue
            wanted = f"the first line must be {HEADER}, separated by commas"
            if not re.fullmatch(r"\d{4}-\d\d-\d\d", fields[0]):
                fault(line, "", f"{shown_value(','.join(record))} is not the header", wanted, "file")
                return [], faults
            fault(line, "", "the header is missing", wanted, "nothing")
        if len(fields) < 4:
            fault(line, "", f"has {len(fields)} fields", f"write at least date,time,tree,entry of {HEADER}")
        elif any(fields[7:]):
            fault(
                line, "note", f"has {len(fields)} fields", "put a note that holds a comma into double quotes"
            )
        else:
            day, clock, tree, entry, amount, unit, note = (fields + [""] * 7)[:7]
            rows.append(JournalRow(day, clock, tree, entry, amount, unit, note, line))
    return rows, faults


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
        slips += [slip for slip in (entry_slip(row.entry), self.tree_slip(row.tree)) if slip is not None]
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
            for tree_id in self.meant(row.tree, standing):
                found.append(self.entry(checked, tree_id))
                if row.entry == "moved":
                    standing[tree_id] = str(checked.amount)
            if row.entry == "layer-separated":
                found += self.second_half(checked)
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
