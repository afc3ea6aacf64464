"""Lines into journal.csv: appended one at a time under a lock, flushed; taken back by appending too.

Nothing is ever rewritten. What ``log`` wrote is remembered in the state folder, so that it can be
taken back whatever was edited by hand around it.
"""

from __future__ import annotations

import contextlib
import errno
import fcntl
import json
import os
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from advisor.errors import JournalError, StoreError
from advisor.store.atomic_files import fsync_folder, private_mode, write_atomically
from advisor.store.journal_files import (
    HEADER,
    JOURNAL_FILE,
    TAKES_BACK,
    JournalRow,
    journal_text,
    read_rows,
    row_text,
)
from advisor.store.journal_words import RETRACTED

__all__ = ["append_row", "undo_last"]

_LOCK = "journal.lock"
_WRITTEN = "log-lines.json"
_REMEMBERED = 50
"""Lines of ``log`` that can be taken back one after the other."""
_MARK = b"\xef\xbb\xbf"


@contextlib.contextmanager
def _locked(state_folder: Path) -> Iterator[None]:
    """Hold the journal's lock; waits for another writer, who needs milliseconds."""
    try:
        if not state_folder.exists():
            state_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        flags = os.O_RDWR | os.O_CREAT | os.O_CLOEXEC
        handle = os.open(state_folder / _LOCK, flags, private_mode(state_folder))
    except OSError as error:
        raise StoreError(f"{state_folder} cannot be used: {error.strerror}; check owner and mode") from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _check_appendable(folder: Path) -> None:
    """Raise ``JournalError`` if a line added to the journal would not be read again."""
    text, faults = journal_text(folder)
    faults += tuple(fault for fault in read_rows(text)[1] if fault.drops == "file")
    if faults:
        raise JournalError("nothing was written: " + "; ".join(str(fault) for fault in faults))


def _addition(start: bytes, last: bytes, line: str) -> bytes:
    """Return the bytes to add: in the file's own line ends, with the header if there is none."""
    line_end = "\r\n" if b"\r\n" in start else "\n"
    written = start.removeprefix(_MARK)
    head = "" if written.strip(b" \t\r\n,") else HEADER + line_end
    if written and last not in {b"\n", b"\r"}:
        head = line_end + head
    return (head + line + line_end).encode("utf-8")


def _append(path: Path, line: str) -> None:
    """Append one line in one write and flush; old bytes are never touched."""
    try:
        made = not path.exists()
        flags = os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC
        descriptor = os.open(path, flags, private_mode(path.parent))
    except OSError as error:
        raise StoreError(f"{path.name} cannot be written: {error.strerror}; check owner and mode") from error
    try:
        size = os.fstat(descriptor).st_size
        last = os.pread(descriptor, 1, size - 1) if size else b"\n"
        data = _addition(os.pread(descriptor, 65536, 0), last, line)
        try:
            if os.write(descriptor, data) != len(data):
                raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))
            os.fsync(descriptor)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, size)
            raise StoreError(f"{path.name}: {error.strerror}; nothing was added; check free space") from error
    finally:
        os.close(descriptor)
    if made:
        fsync_folder(path.parent)


def _written(state_folder: Path) -> list[str]:
    try:
        found = json.loads((state_folder / _WRITTEN).read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return []
    return [line for line in found if isinstance(line, str)] if isinstance(found, list) else []


def _remember(state_folder: Path, lines: list[str]) -> None:
    write_atomically(state_folder / _WRITTEN, json.dumps(lines[-_REMEMBERED:], ensure_ascii=False).encode())


def append_row(folder: Path, state_folder: Path, row: JournalRow) -> str:
    """Append ``row`` to the journal of ``folder`` and return the line as written.

    The row must have been checked before. Old bytes of the file are never touched.

    Raises
    ------
    JournalError
        The journal cannot be read as it is, so that the line would be lost in it; nothing was written.
    StoreError
        The file or the state folder cannot be written; the journal is as it was.
    """
    day, at, tree, entry, amount, unit, note = (field.strip() for field in row.fields)
    line = row_text(JournalRow(day, at, tree, entry, amount, unit, note))  # as it will be read back
    with _locked(state_folder):
        _check_appendable(folder)
        before = _written(state_folder)
        _remember(state_folder, [*before, line])
        try:
            _append(folder / JOURNAL_FILE, line)
        except StoreError:
            with contextlib.suppress(StoreError):
                _remember(state_folder, before)
            raise
    return line


def undo_last(folder: Path, state_folder: Path, day: str, at: str) -> str:
    """Take back the last line that ``log`` wrote by appending; return what was taken back.

    Parameters
    ----------
    day, at : str
        Garden-local date and time of taking back.

    Raises
    ------
    JournalError
        There is none, or it was edited or deleted by hand since; asked again, the line before it is
        taken back.
    StoreError
        The disk refuses; the journal is as it was.
    """
    with _locked(state_folder):
        _check_appendable(folder)
        lines = _written(state_folder)
        if not lines:
            raise JournalError("log has written no line that could be taken back; edit journal.csv by hand")
        last = lines[-1]
        rows, _ = read_rows(journal_text(folder)[0])
        standing = Counter(row_text(row) for row in rows if row.entry != RETRACTED)
        standing.subtract(row.note.removeprefix(TAKES_BACK) for row in rows if row.entry == RETRACTED)
        if standing[last] <= 0:
            _remember(state_folder, lines[:-1])
            raise JournalError(
                f"the last line of log is not in journal.csv any more (edited by hand?): {last}"
            )
        tree = next(row.tree for row in rows if row_text(row) == last)
        _append(
            folder / JOURNAL_FILE,
            row_text(JournalRow(day, at, tree, RETRACTED, "", "", TAKES_BACK + last)),
        )
        _remember(state_folder, lines[:-1])
    return last
