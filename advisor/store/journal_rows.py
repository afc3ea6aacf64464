"""The lines of journal.csv as written: RFC 4180 text into rows of seven fields, without looking into them."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from advisor.errors import Fault
from advisor.store.journal_words import COLUMNS
from advisor.store.toml_faults import shown_value

__all__ = [
    "HEADER",
    "JOURNAL_FILE",
    "TAKES_BACK",
    "JournalRow",
    "journal_text",
    "read_rows",
    "row_text",
]

JOURNAL_FILE = "journal.csv"
HEADER = ",".join(COLUMNS)
TAKES_BACK = "takes back: "
_LARGEST_BYTES = 50_000_000


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
