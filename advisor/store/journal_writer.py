"""Lines into journal.csv: appended under a lock, in one write, flushed; taken back by appending too."""

from __future__ import annotations

import contextlib
import fcntl
import json
import os
from collections.abc import Iterator
from pathlib import Path

from advisor.errors import JournalError
from advisor.store.atomic_files import private_mode, write_atomically
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


@contextlib.contextmanager
def _locked(state_folder: Path) -> Iterator[None]:
    try:
        if not state_folder.exists():
            state_folder.mkdir(mode=0o700, parents=True)
        handle = os.open(
            state_folder / _LOCK, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, private_mode(state_folder)
        )
    except OSError as error:
        raise JournalError(
            f"{state_folder} cannot be used: {error.strerror}; check owner and mode"
        ) from error
    try:
        fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)


def _append(path: Path, line: str) -> None:
    """Append one line in one write; a last line without its end is ended first."""
    try:
        descriptor = os.open(
            path, os.O_RDWR | os.O_CREAT | os.O_APPEND | os.O_CLOEXEC, private_mode(path.parent)
        )
    except OSError as error:
        raise JournalError(
            f"{path.name} cannot be written: {error.strerror}; check owner and mode"
        ) from error
    try:
        size = os.fstat(descriptor).st_size
        before = ""
        if size == 0:
            before = HEADER + "\n"
        elif os.pread(descriptor, 1, size - 1) != b"\n":
            before = "\n"
        data = (before + line + "\n").encode()
        written = os.write(descriptor, data)
        if written != len(data):
            os.ftruncate(descriptor, size)
            raise JournalError(f"{path.name}: the disk is full; nothing was written")
        os.fsync(descriptor)
    except OSError as error:
        raise JournalError(f"{path.name} could not be written: {error.strerror}; check free space") from error
    finally:
        os.close(descriptor)


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
        The file or the state folder cannot be written; then nothing was.
    """
    line = row_text(row)
    with _locked(state_folder):
        _append(folder / JOURNAL_FILE, line)
        _remember(state_folder, [*_written(state_folder), line])
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
        There is none, or it was edited or deleted by hand since.
    """
    path = folder / JOURNAL_FILE
    with _locked(state_folder):
        lines = _written(state_folder)
        if not lines:
            raise JournalError("log has written no line that could be taken back; edit journal.csv by hand")
        last = lines[-1]
        rows, _ = read_rows(journal_text(folder)[0])
        standing: list[JournalRow] = []
        for row in rows:
            if row.entry == RETRACTED:
                for place in range(len(standing) - 1, -1, -1):
                    if row_text(standing[place]) == row.note.removeprefix(TAKES_BACK):
                        del standing[place]
                        break
            else:
                standing.append(row)
        found = next((row for row in reversed(standing) if row_text(row) == last), None)
        if found is None:
            _remember(state_folder, lines[:-1])
            raise JournalError(
                f"the last line of log is not in journal.csv any more (edited by hand?): {last}"
            )
        _append(path, row_text(JournalRow(day, at, found.tree, RETRACTED, "", "", TAKES_BACK + last)))
        _remember(state_folder, lines[:-1])
    return last
