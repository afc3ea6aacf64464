"""One SQLite file in the state folder: opening, transactions, schema, the kind of clock.

Write-ahead log with ``synchronous=FULL``, explicit ``BEGIN IMMEDIATE``, foreign keys on, STRICT
tables. Nothing here reads a clock: every instant is an argument. Source: SQLite documentation.
"""

from __future__ import annotations

import contextlib
import sqlite3
from collections.abc import Iterator, Sequence
from datetime import datetime, timedelta
from pathlib import Path
from types import TracebackType
from typing import Any, Literal, Self

from advisor.errors import StoreError
from advisor.store.config_files import load_tables
from advisor.store.database_file import FILE_NAME, connect, create, migrate
from advisor.store.faults import is_damage, network_file_system, store_fault
from advisor.store.rules import StoreRules
from advisor.store.schema import APPLICATION_ID, SCHEMA_VERSION
from advisor.store.stamps import stamp, utc_from

__all__ = ["FILE_NAME", "ClockKind", "Store", "Transaction"]

ClockKind = Literal["system", "given"]
Row = tuple[Any, ...]


class Transaction:
    """The right to write: exists only inside ``with store.transaction() as tx``."""

    def __init__(self, store: Store) -> None:
        self.store = store

    @property
    def rules(self) -> StoreRules:
        """The store's rules."""
        return self.store.rules

    def run(self, sql: str, values: Sequence[object] = ()) -> int:
        """Execute one statement and return the number of rows it changed."""
        return self.store.write_inside(sql, values)

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[Row]:
        """Return all rows of a statement (also of ``UPDATE ... RETURNING``)."""
        return self.store.rows(sql, values)


class Store:
    """The open state of one garden.

    Attributes
    ----------
    path : Path
        The database file.
    rules : StoreRules
        How long things are kept and when to try again.
    read_only : bool
        True when nothing can be written through this object.
    notes : tuple of str
        What is unusual about the folder (a network file system, a clock that went back); to be
        shown, not to be stopped by.
    """

    def __init__(
        self, connection: sqlite3.Connection, path: Path, rules: StoreRules, *, read_only: bool
    ) -> None:
        self._connection = connection
        self._inside = False
        self.path = path
        self.rules = rules
        self.read_only = read_only
        self.notes: tuple[str, ...] = ()

    # --- opening -------------------------------------------------------------------------------

    @classmethod
    def exists(cls, state_folder: Path) -> bool:
        """Say whether the folder holds a store."""
        return (state_folder / FILE_NAME).exists()

    @classmethod
    def open(
        cls,
        state_folder: Path,
        now_utc: datetime,
        clock_kind: ClockKind | None,
        *,
        read_only: bool = False,
        rules: StoreRules | None = None,
    ) -> Store:
        """Open the store of a garden, making folder and file when there are none.

        Parameters
        ----------
        state_folder : Path
            Folder of the database; made with mode 0700 when missing, left as it is when present.
        now_utc : datetime
            The service clock.
        clock_kind : {"system", "given"} or None
            What sets the clock of this tick. The folder is stamped with the kind of its first tick.
            None for a command that only reads and neither stamps nor is refused.
        read_only : bool
            Open without the right to write; the file must exist.
        rules : StoreRules, optional
            Taken from config/operation.toml when not given.

        Raises
        ------
        StoreError
            Full, read-only or failing disk, damaged or foreign file, a newer schema, a file of
            another process that does not let go, or a tick of the other kind of clock.
        """
        stamp(now_utc)
        path = state_folder / FILE_NAME
        rules = rules or StoreRules.from_numbers(load_tables().operation)
        if not path.exists():
            if read_only:
                raise StoreError(
                    f"{state_folder} has no store yet ({FILE_NAME} is missing); run a tick first"
                )
            create(path)
        if path.stat().st_size == 0:
            raise StoreError(
                f"{path} is damaged (it is empty): it was left as it is and no new one was made; "
                "stop the service, "
                "move the file aside and restore the last backup"
            )
        store = cls(connect(path, rules, read_only=read_only), path, rules, read_only=read_only)
        try:
            store._check_schema()
            store._take_notes(now_utc)
            if clock_kind is not None:
                store._stamp_clock(clock_kind, now_utc)
        except BaseException:
            store.close()
            raise
        return store

    def close(self) -> None:
        """Close the file; a second call does nothing."""
        self._connection.close()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close()

    # --- reading and writing -------------------------------------------------------------------

    def rows(self, sql: str, values: Sequence[object] = ()) -> list[Row]:
        """Return all rows of a query; the statement is finished before anything else happens."""
        try:
            return self._connection.execute(sql, tuple(values)).fetchall()
        except sqlite3.Error as error:
            raise store_fault(error, self.path) from error

    def row(self, sql: str, values: Sequence[object] = ()) -> Row | None:
        """Return the first row of a query, or None."""
        found = self.rows(sql, values)
        return found[0] if found else None

    @contextlib.contextmanager
    def transaction(self) -> Iterator[Transaction]:
        """Everything written inside is kept together, or none of it.

        Raises
        ------
        StoreError
            The disk refused; then nothing of the transaction was kept.
        """
        if self._inside:
            raise StoreError(f"{self.path}: a transaction is open already; finish it first")
        if self.read_only:
            raise StoreError(f"{self.path} was opened for reading only; nothing was written")
        try:
            self._connection.execute("BEGIN IMMEDIATE")
        except sqlite3.Error as error:
            raise store_fault(error, self.path) from error
        self._inside = True
        try:
            yield Transaction(self)
            self._connection.execute("COMMIT")
        except sqlite3.Error as error:
            self._roll_back()
            raise store_fault(error, self.path) from error
        except BaseException:
            self._roll_back()
            raise
        finally:
            self._inside = False

    def write_inside(self, sql: str, values: Sequence[object]) -> int:
        """Execute one statement of the open transaction; only ``Transaction`` calls this."""
        if not self._inside:
            raise StoreError(f"{self.path}: the transaction is over; nothing was written")
        try:
            return self._connection.execute(sql, tuple(values)).rowcount
        except sqlite3.Error as error:
            raise store_fault(error, self.path) from error

    def _roll_back(self) -> None:
        if self._connection.in_transaction:
            with contextlib.suppress(sqlite3.Error):
                self._connection.execute("ROLLBACK")

    # --- the file's own state ------------------------------------------------------------------

    @property
    def clock_kind(self) -> ClockKind | None:
        """The kind of clock the folder was stamped with, or None before its first tick."""
        found = self.row("SELECT value FROM meta WHERE name = 'clock_kind'")
        if found is None:
            return None
        return "given" if found[0] == "given" else "system"

    def copy_into(self, target: sqlite3.Connection) -> None:
        """Copy the whole database into another connection with SQLite's backup function."""
        try:
            self._connection.backup(target)
        except sqlite3.Error as error:
            raise store_fault(error, self.path) from error

    def quick_check(self) -> tuple[str, ...]:
        """Return what SQLite's ``quick_check`` and foreign-key check find; empty when all is well."""
        try:
            found = [str(row[0]) for row in self.rows("PRAGMA quick_check") if row[0] != "ok"]
            found += [
                f"row {row[1]} of {row[0]} points nowhere" for row in self.rows("PRAGMA foreign_key_check")
            ]
        except StoreError as error:
            if not is_damage(error.__cause__):
                raise
            return (str(error),)
        return tuple(found)

    def weekly_check(self, now_utc: datetime) -> tuple[str, ...]:
        """Run ``quick_check`` when the last clean one is a week old; return what it finds."""
        found = self.row("SELECT value FROM meta WHERE name = 'checked_at'")
        last = None if found is None else utc_from(found[0])
        if last is not None and timedelta(0) <= now_utc - last < self.rules.check_every:
            return ()
        faults = self.quick_check()
        if not faults:
            with self.transaction() as tx:
                _set_meta(tx, "checked_at", stamp(now_utc))
        return faults

    def _take_notes(self, now_utc: datetime) -> None:
        notes = []
        kind = network_file_system(self.path)
        if kind is not None:
            notes.append(f"{self.path.parent} lies on a network file system ({kind}); use a local disk")
        last = self.row("SELECT started_at FROM pass_log ORDER BY id DESC LIMIT 1")
        if last is not None and utc_from(last[0]) > now_utc:
            notes.append(
                f"the clock went back: the last pass began at {last[0]}, this one at {stamp(now_utc)}; "
                "nothing already sent is sent again"
            )
        self.notes = tuple(notes)

    def _stamp_clock(self, kind: ClockKind, now_utc: datetime) -> None:
        stamped = self.clock_kind
        if stamped is None:
            with self.transaction() as tx:
                tx.run("INSERT OR IGNORE INTO meta (name, value) VALUES ('clock_kind', ?)", (kind,))
                tx.run("INSERT OR IGNORE INTO meta (name, value) VALUES ('first_tick', ?)", (stamp(now_utc),))
            stamped = self.clock_kind
        if stamped != kind:
            ways = {"system": "the system clock", "given": "a given time (--now)"}
            raise StoreError(
                f"{self.path.parent} has been ticked with {ways[stamped or 'system']}; a tick with "
                f"{ways[kind]} is "
                "refused, because it would send or swallow messages; use a state folder of its own"
            )

    def _check_schema(self) -> None:
        version = int(self.rows("PRAGMA user_version")[0][0])
        owner = int(self.rows("PRAGMA application_id")[0][0])
        if owner != APPLICATION_ID:
            raise StoreError(
                f"{self.path} is an SQLite file of another program; it was left as it is; move it aside"
            )
        if version > SCHEMA_VERSION:
            raise StoreError(
                f"{self.path} was written by a newer advisor (schema {version}, this one knows "
                f"{SCHEMA_VERSION}); "
                "install the newer version, or restore a backup made with this one"
            )
        if version == SCHEMA_VERSION:
            return
        if self.read_only:
            raise StoreError(
                f"{self.path} has the older schema {version}; run a tick once, it brings it up to date"
            )
        with self.transaction() as tx:
            version = int(tx.rows("PRAGMA user_version")[0][0])
            migrate(self._connection, version)


def _set_meta(tx: Transaction, name: str, value: str) -> None:
    tx.run(
        "INSERT INTO meta VALUES (?, ?) ON CONFLICT (name) DO UPDATE SET value = excluded.value",
        (name, value),
    )
