"""Writing the journal: one line appended at a time, nothing ever rewritten.

Appends from several processes go one after the other under a lock file in the state folder. What
``log`` wrote is remembered there too, so that it can be taken back: by one more line, never by
deleting.
"""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections import Counter
from collections.abc import Callable, Collection, Iterator, Mapping, Sequence
from datetime import datetime
from pathlib import Path

from advisor.errors import Fault, JournalError, StoreError
from advisor.garden.model import Garden, Place, Tree
from advisor.store.atomic_files import fsync_folder, private_mode
from advisor.store.journal_files import (
    HEADER,
    JOURNAL_FILE,
    TAKES_BACK,
    JournalRow,
    journal_text,
    read_journal,
    read_rows,
    row_text,
)
from advisor.store.journal_words import RETRACTED

__all__ = ["JOURNAL_LOCK_NAME", "LOG_LINES_NAME", "append_entry", "entry_row", "undo_last"]

JOURNAL_LOCK_NAME = "journal.lock"
LOG_LINES_NAME = "log-lines"


def entry_row(
    garden: Garden,
    tree: str,
    entry: str,
    now_utc: datetime,
    *,
    amount: str = "",
    unit: str = "",
    day: str | None = None,
    clock: str | None = None,
    note: str = "",
) -> JournalRow:
    """Return a line as ``log`` writes it: today and now unless told otherwise.

    Of another day without a time the time stays empty, which reads as noon.
    """
    now = now_utc.astimezone(garden.zone)
    today = f"{now:%Y-%m-%d}"
    written = (day or today).strip()
    hour = clock if clock is not None else (f"{now:%H:%M}" if written == today else "")
    return JournalRow(
        written, hour.strip(), tree.strip(), entry.strip(), amount.strip(), unit.strip(), note.strip()
    )


def append_entry(
    folder: Path,
    state_folder: Path,
    row: JournalRow,
    now_utc: datetime,
    *,
    garden: Garden,
    trees: Sequence[Tree],
    places: Mapping[str, Place],
    set_aside: Collection[str] = (),
) -> tuple[Fault, ...]:
    """Append one line to the folder's journal, making the file if there is none.

    Parameters
    ----------
    folder, state_folder : Path
        Garden folder; folder of lock and memory, made if missing.
    row : JournalRow
        From ``entry_row``.
    now_utc : datetime
        Entries may not lie in the future.
    garden, trees, places, set_aside
        From the garden file.

    Returns
    -------
    tuple of Fault
        What is to be mended although the line was written: a new tree that garden.toml does not know yet.

    Raises
    ------
    JournalError
        The line would not be understood, or the journal cannot be added to as it is; nothing is written.
    StoreError
        The disk refuses; the journal is as it was.
    """
    if row.entry == RETRACTED:
        raise JournalError(f"{RETRACTED} is written by `advisor log --undo` only")
    text = row_text(row)
    _, faults = read_journal(f"{HEADER}\n{text}\n", garden, trees, places, now_utc, set_aside=set_aside)
    refused = [fault for fault in faults if fault.drops in {"line", "file"}]
    if refused:
        raise JournalError("; ".join(f"{fault.key}: {fault.found}; {fault.wanted}" for fault in refused))
    with _locked(state_folder):
        memory = state_folder / LOG_LINES_NAME
        _check_appendable(folder)
        before = _append_bytes(memory, lambda _: json.dumps(text).encode() + b"\n")
        try:
            _append_line(folder, text)
        except BaseException:
            with contextlib.suppress(OSError):
                os.truncate(memory, before)
            raise
    return faults


def undo_last(folder: Path, state_folder: Path, garden: Garden, now_utc: datetime) -> JournalRow:
    """Take back the last line that ``append_entry`` wrote, by appending a ``retracted`` line that names it.

    Returns
    -------
    JournalRow
        The line that no longer counts.

    Raises
    ------
    JournalError
        There is no such line, or it was changed by hand since.
    StoreError
        The disk refuses; the journal is as it was.
    """
    with _locked(state_folder):
        _check_appendable(folder)
        rows, _ = read_rows(journal_text(folder)[0])
        taken = Counter(row.note.removeprefix(TAKES_BACK) for row in rows if row.entry == RETRACTED)
        standing = {row_text(row): row for row in rows if row.entry != RETRACTED}
        present = Counter(row_text(row) for row in rows if row.entry != RETRACTED)
        skipped = Counter(taken)
        for text in reversed(_remembered(state_folder / LOG_LINES_NAME)):
            if skipped[text] > 0:
                skipped[text] -= 1
                continue
            if present[text] <= taken[text]:
                raise JournalError(
                    f"the last line log wrote was changed or deleted by hand since ({text}); edit the journal"
                )
            back = standing[text]
            now = now_utc.astimezone(garden.zone)
            note = f"{TAKES_BACK}{text}"
            row = JournalRow(f"{now:%Y-%m-%d}", f"{now:%H:%M}", back.tree, RETRACTED, "", "", note)
            _append_line(folder, row_text(row))
            return back
    raise JournalError(f"log has written no line that could be taken back; edit {JOURNAL_FILE} by hand")


def _remembered(memory: Path) -> list[str]:
    """Return the lines that log wrote, oldest first; what cannot be read is passed over."""
    try:
        lines = memory.read_bytes().splitlines()
    except FileNotFoundError:
        return []
    found = []
    for line in lines:
        with contextlib.suppress(ValueError):
            text = json.loads(line)
            if isinstance(text, str):
                found.append(text)
    return found


def _check_appendable(folder: Path) -> None:
    """Raise ``JournalError`` if a line added to the journal would not be read again."""
    text, faults = journal_text(folder)
    faults += tuple(fault for fault in read_rows(text)[1] if fault.drops == "file")
    if faults:
        raise JournalError("nothing was written: " + "; ".join(str(fault) for fault in faults))


@contextlib.contextmanager
def _locked(state_folder: Path) -> Iterator[None]:
    """Hold the journal's lock; waits for another writer, who needs milliseconds."""
    try:
        if not state_folder.exists():
            state_folder.mkdir(mode=0o700, parents=True, exist_ok=True)
        path = state_folder / JOURNAL_LOCK_NAME
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, private_mode(state_folder))
    except OSError as error:
        raise StoreError(
            f"cannot lock {state_folder}: {error.strerror or error}; check that the folder is writable"
        ) from error
    try:
        fcntl.flock(descriptor, fcntl.LOCK_EX)
        yield
    finally:
        os.close(descriptor)


def _append_line(folder: Path, text: str) -> None:
    def addition(start: bytes) -> bytes:
        line_end = "\r\n" if b"\r\n" in start else "\n"
        head = "" if start.strip(b"\xef\xbb\xbf \t\r\n,") else HEADER + line_end
        return (head + text + line_end).encode("utf-8")

    _append_bytes(folder / JOURNAL_FILE, addition)


def _append_bytes(path: Path, addition: Callable[[bytes], bytes]) -> int:
    """Append what ``addition`` makes of the file's start in one write, and flush; return the size before.

    A last line without line break gets one first.

    Raises
    ------
    StoreError
        Nothing was added.
    """
    try:
        made = not path.exists()
        mode = private_mode(path.parent)
        descriptor = os.open(path, os.O_RDWR | os.O_APPEND | os.O_CREAT | os.O_CLOEXEC, mode)
    except OSError as error:
        raise StoreError(f"cannot write {path}: {error.strerror or error}; nothing was added") from error
    try:
        size = os.fstat(descriptor).st_size
        start = os.pread(descriptor, 65536, 0)
        last = os.pread(descriptor, 1, size - 1) if size else b"\n"
        data = addition(start)
        if last not in {b"\n", b"\r"} and start.strip(b"\xef\xbb\xbf"):
            data = (b"\r\n" if b"\r\n" in start else b"\n") + data
        try:
            written = os.write(descriptor, data)
            if written != len(data):
                raise OSError(28, "the disk is full")
            os.fsync(descriptor)
        except OSError as error:
            with contextlib.suppress(OSError):
                os.ftruncate(descriptor, size)
            raise StoreError(f"cannot write {path}: {error.strerror or error}; nothing was added") from error
        if made:
            fsync_folder(path.parent)
        return size
    finally:
        os.close(descriptor)
