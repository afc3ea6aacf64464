"""A whole copy of the store that is proved readable before it counts, and the way back."""

from __future__ import annotations

import contextlib
import os
import sqlite3
from datetime import datetime
from pathlib import Path

from advisor.errors import StoreError
from advisor.store.atomic_files import fsync_folder, private_mode
from advisor.store.database import FILE_NAME, Store
from advisor.store.faults import store_fault
from advisor.store.locks import ANOTHER_PASS, pass_lock
from advisor.store.rules import StoreRules
from advisor.store.stamps import stamp

__all__ = ["backup", "copy_at_rest", "restore"]


def backup(store: Store, target: Path) -> None:
    """Copy the store to ``target`` while it is in use.

    SQLite's online backup into a temporary file beside the target, a check of the copy, fsync and
    rename: an earlier backup stays until the new one is proved. The copy is one file with mode 0600.

    Raises
    ------
    StoreError
        The target is a folder or the store itself, the disk refused, or the copy did not pass.
    """
    if target.is_dir():
        raise StoreError(f"{target} is a folder; name a file, for example {target / FILE_NAME}")
    if target.exists() and target.samefile(store.path):
        raise StoreError(f"{target} is the store itself; name another file")
    _copy_checked(store, target)


def copy_at_rest(state_folder: Path, target: Path, now_utc: datetime) -> None:
    """Copy the store of a folder to ``target`` between two passes, when nobody is meant to have it open.

    Its log is empty then, and the file alone is the whole store: copied as it is, fsync, rename, without the
    page by page copy and the proof of ``backup``. Where the log is not empty this is ``backup``.

    Raises
    ------
    StoreError
        The disk refused; an earlier copy is unchanged.
    """
    source = state_folder / FILE_NAME
    log = source.with_name(f"{FILE_NAME}-wal")
    if log.exists() and log.stat().st_size:
        with Store.open(state_folder, now_utc, None) as store:
            backup(store, target)
        return
    temporary = target.with_name(f".{target.name}.new")
    try:
        _copy_file(source, temporary)
        temporary.replace(target)
        fsync_folder(target.parent)
    except OSError as error:
        raise StoreError(f"cannot write {target}: {error.strerror or error}") from error
    finally:
        temporary.unlink(missing_ok=True)


def restore(
    copy: Path, state_folder: Path, now_utc: datetime, rules: StoreRules | None = None
) -> Path | None:
    """Put a backup in the place of the store; return where the replaced file went, or None.

    Everything sent since the backup is unknown to it: today's messages may go out again, with the
    same Message-ID.

    Raises
    ------
    StoreError
        A pass is running, or the backup cannot be read; then nothing is changed.
    """
    if not copy.is_file():
        raise StoreError(f"{copy} is not a file; name the backup to restore")
    target = state_folder / FILE_NAME
    with pass_lock(state_folder) as held:
        if not held:
            raise StoreError(ANOTHER_PASS)
        fresh = target.with_name(f".{FILE_NAME}.restored")
        _copy_file(copy, fresh)
        try:
            _prove(fresh, copy)
            aside = _move_aside(target, now_utc)
            fresh.replace(target)
            fsync_folder(state_folder)
        except OSError as error:
            raise StoreError(f"cannot restore into {state_folder}: {error.strerror or error}") from error
        finally:
            fresh.unlink(missing_ok=True)
    Store.open(state_folder, now_utc, None, rules=rules).close()
    return aside


def _copy_checked(store: Store, target: Path) -> None:
    temporary = target.with_name(f".{target.name}.new")
    try:
        temporary.unlink(missing_ok=True)
        os.close(
            os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, private_mode(target.parent) & 0o600)
        )
        connection = sqlite3.connect(temporary, isolation_level=None)
        try:
            store.copy_into(connection)
            connection.execute("PRAGMA journal_mode = DELETE")
        finally:
            connection.close()
        _prove(temporary, target)
        _fsync_file(temporary)
        temporary.replace(target)
        fsync_folder(target.parent)
    except sqlite3.Error as error:
        raise store_fault(error, target) from error
    except OSError as error:
        raise StoreError(
            f"cannot write the backup {target}: {error.strerror or error}; an earlier one is unchanged"
        ) from error
    finally:
        with contextlib.suppress(OSError):
            temporary.unlink(missing_ok=True)


def _prove(path: Path, named: Path) -> None:
    """Open a copy, run the full integrity check and read its schema."""
    try:
        connection = sqlite3.connect(f"file:{path}?mode=ro", uri=True)
        try:
            found = [row[0] for row in connection.execute("PRAGMA integrity_check")]
            tables = connection.execute(
                "SELECT count(*) FROM sqlite_master WHERE name = 'outbox'"
            ).fetchone()[0]
        finally:
            connection.close()
    except sqlite3.Error as error:
        raise StoreError(f"{named} cannot be read as a store ({error}); nothing was changed") from error
    if found != ["ok"] or tables != 1:
        raise StoreError(f"{named} did not pass the check ({found[0]}); nothing was changed")


def _copy_file(copy: Path, fresh: Path) -> None:
    try:
        fresh.unlink(missing_ok=True)
        descriptor = os.open(fresh, os.O_CREAT | os.O_EXCL | os.O_WRONLY, private_mode(fresh.parent))
        with os.fdopen(descriptor, "wb") as file:
            file.write(copy.read_bytes())
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise StoreError(f"cannot copy {copy} to {fresh.parent}: {error.strerror or error}") from error


def _move_aside(target: Path, now_utc: datetime) -> Path | None:
    """Move the store and its log aside together: a log beside another file would spoil it."""
    if not target.exists():
        for ending in ("-wal", "-shm"):
            target.with_name(target.name + ending).unlink(missing_ok=True)
        return None
    aside = target.with_name(f"{target.name}.replaced-{stamp(now_utc).replace(':', '')}")
    for ending in ("-wal", "-shm", ""):
        part = target.with_name(target.name + ending)
        if part.exists():
            part.replace(aside.with_name(aside.name + ending))
    return aside


def _fsync_file(path: Path) -> None:
    descriptor = os.open(path, os.O_RDONLY)
    try:
        os.fsync(descriptor)
    finally:
        os.close(descriptor)
