"""How the database file comes into being: made whole beside its name, connected, brought up to date."""

from __future__ import annotations

import fcntl
import os
import sqlite3
from pathlib import Path
from urllib.parse import quote

from advisor.errors import StoreError
from advisor.store.atomic_files import fsync_folder, private_mode
from advisor.store.faults import store_fault
from advisor.store.rules import StoreRules
from advisor.store.schema import APPLICATION_ID, MIGRATIONS, SCHEMA_VERSION

__all__ = ["FILE_NAME", "connect", "create", "migrate"]

FILE_NAME = "advisor.sqlite3"


def migrate(connection: sqlite3.Connection, version: int) -> None:
    """Run the steps from schema ``version`` to the newest inside the caller's transaction."""
    for step in MIGRATIONS[version:]:
        for statement in step:
            connection.execute(statement)
    connection.execute(f"PRAGMA user_version = {SCHEMA_VERSION}")


def connect(path: Path, rules: StoreRules, *, read_only: bool) -> sqlite3.Connection:
    """Open the file and set write-ahead log, full sync, foreign keys and the busy wait on the connection."""
    log = path.with_name(path.name + "-wal")
    mode = "mode=ro" if read_only else "mode=rw"
    if read_only and not os.access(path.parent, os.W_OK) and not (log.exists() and log.stat().st_size):
        mode = "immutable=1"
    try:
        connection = sqlite3.connect(
            f"file:{quote(str(path.absolute()))}?{mode}",
            uri=True,
            isolation_level=None,
            timeout=rules.busy_wait_s,
        )
    except sqlite3.Error as error:
        raise store_fault(error, path) from error
    try:
        connection.execute(f"PRAGMA busy_timeout = {int(rules.busy_wait_s * 1000)}")
        connection.execute("PRAGMA foreign_keys = ON")
        if not read_only:
            journal = connection.execute("PRAGMA journal_mode = WAL").fetchone()[0]
            if journal != "wal":
                raise StoreError(f"{path}: no write-ahead log possible here ({journal}); use a local disk")
            connection.execute("PRAGMA synchronous = FULL")
        connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.Error as error:
        connection.close()
        raise store_fault(error, path) from error
    except BaseException:
        connection.close()
        raise
    return connection


def create(path: Path) -> None:
    """Make a new database beside its final name and move it there whole, so that an empty file is damage."""
    folder = path.parent
    try:
        folder.mkdir(mode=0o700, parents=True, exist_ok=True)  # another process may make it first
        lock = os.open(folder / f"{FILE_NAME}.lock", os.O_RDWR | os.O_CREAT, private_mode(folder))
    except OSError as error:
        raise StoreError(
            f"cannot make a store in {folder}: {error.strerror or error}; check the path, "
            "permissions and free space"
        ) from error
    try:
        fcntl.flock(lock, fcntl.LOCK_EX)
        if path.exists():
            return
        log = path.with_name(path.name + "-wal")
        if log.exists() and log.stat().st_size:
            raise StoreError(
                f"{path} is gone but its log {log.name} is still there: no new one was made; put "
                "the file back or "
                "move the log aside and restore the last backup"
            )
        _build(path)
    finally:
        os.close(lock)


def _build(path: Path) -> None:
    folder = path.parent
    temporary = path.with_name(f".{path.name}.new")
    try:
        temporary.unlink(missing_ok=True)
        os.close(os.open(temporary, os.O_CREAT | os.O_EXCL | os.O_WRONLY, private_mode(folder)))
        connection = sqlite3.connect(temporary, isolation_level=None)
        try:
            connection.execute("PRAGMA synchronous = FULL")
            connection.execute("BEGIN IMMEDIATE")
            connection.execute(f"PRAGMA application_id = {APPLICATION_ID}")
            migrate(connection, 0)
            connection.execute("COMMIT")
        finally:
            connection.close()
        temporary.replace(path)
        fsync_folder(folder)
    except sqlite3.Error as error:
        temporary.unlink(missing_ok=True)
        raise store_fault(error, path) from error
    except OSError as error:
        raise StoreError(
            f"cannot make a store in {folder}: {error.strerror or error}; check permissions and free space"
        ) from error
