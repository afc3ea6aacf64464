"""From every released schema to the newest, with every row kept."""

from __future__ import annotations

import re
import sqlite3
from collections.abc import Callable
from datetime import date, datetime
from pathlib import Path

import pytest

from advisor.errors import StoreError
from advisor.store import ledger, outbox, weather_archive
from advisor.store.database import FILE_NAME, Store
from advisor.store.learned import keep_learned, learned
from advisor.store.passes import last_complete_pass
from advisor.store.rules import StoreRules
from advisor.store.schema import MIGRATIONS, SCHEMA_VERSION

HERE = Path(__file__).parent
RELEASED = sorted(int(file.stem.split("_")[1]) for file in HERE.glob("schema_*.sql"))


def build(state: Path, version: int) -> None:
    state.mkdir()
    connection = sqlite3.connect(state / FILE_NAME)
    connection.executescript((HERE / f"schema_{version}.sql").read_text(encoding="utf-8"))
    connection.close()


def shape(store: Store) -> set[tuple[str, str, str]]:
    return {
        (kind, name, re.sub(r"\s+", " ", sql or ""))
        for kind, name, sql in store.rows("SELECT type, name, sql FROM sqlite_master")
    }


def test_there_is_a_fixture_for_every_released_schema_but_the_newest() -> None:
    assert list(range(1, SCHEMA_VERSION)) == RELEASED
    assert len(MIGRATIONS) == SCHEMA_VERSION


@pytest.mark.parametrize("version", RELEASED)
class TestMigration:
    def test_every_row_is_kept_and_the_shape_is_that_of_a_new_store(
        self, version: int, state: Path, tmp_path: Path, now: datetime, rules: StoreRules
    ) -> None:
        build(state, version)
        before = sqlite3.connect(state / FILE_NAME)
        names = [row[0] for row in before.execute("SELECT name FROM sqlite_master WHERE type = 'table'")]
        tables = {
            table: ", ".join(row[1] for row in before.execute(f"PRAGMA table_info({table})"))
            for table in names
        }
        rows = {
            table: before.execute(f"SELECT {columns} FROM {table}").fetchall()
            for table, columns in tables.items()
        }
        before.close()
        assert min(map(len, rows.values())) > 0, "every table of the fixture has rows"
        with (
            Store.open(state, now, "system", rules=rules) as store,
            Store.open(tmp_path / "new", now, "system", rules=rules) as new,
        ):
            assert {
                table: store.rows(f"SELECT {columns} FROM {table}") for table, columns in tables.items()
            } == rows
            assert shape(store) == shape(new)
            assert store.quick_check() == ()

    def test_the_old_rows_work(self, version: int, state: Path, now: datetime, rules: StoreRules) -> None:
        build(state, version)
        then = datetime.fromisoformat("2026-05-01T13:00:00+00:00")
        with Store.open(state, then, "system", rules=rules) as store:
            assert ledger.not_in_ledger(store, [("digest", "2026-05-01")]) == ()
            assert ledger.open_events(store, "frost", then)[0].trees == ("ember", "moss")
            assert weather_archive.newest(store, "forecast", then)[0].payload == b"abc"
            claimed = outbox.claim(store, then)
            assert claimed is not None
            assert (claimed.kind, claimed.day) == ("frost", date(2026, 5, 1))
            found = last_complete_pass(store, then)
            assert found is not None
            assert found.run_id == "run-1"
            with store.transaction() as tx:
                keep_learned(tx, "bias", {"1": 0.5}, then)
            assert learned(store, "bias", then) == {"1": 0.5}

    def test_a_step_that_fails_leaves_the_old_schema(
        self, version: int, state: Path, now: datetime, rules: StoreRules, monkeypatch: pytest.MonkeyPatch
    ) -> None:
        build(state, version)
        steps = (*MIGRATIONS, ("CREATE TABLE half (a)", "CREATE TABLE half (a)"))
        monkeypatch.setattr("advisor.store.database_file.MIGRATIONS", steps)
        monkeypatch.setattr("advisor.store.database.SCHEMA_VERSION", len(steps))
        with pytest.raises(StoreError):
            Store.open(state, now, "system", rules=rules)
        after = sqlite3.connect(state / FILE_NAME)
        assert after.execute("PRAGMA user_version").fetchone() == (version,)
        # the table of the spoilt step, and those of every step that went before it in the same transaction
        there = {row[0] for row in after.execute("SELECT name FROM sqlite_master WHERE type = 'table'")}
        later = {"half"} | ({"learned", "station_file"} if version < 2 else set())
        later |= {"station_asked"} if version < 3 else set()
        assert not there & later
        after.close()

    def test_reading_an_older_schema_asks_for_a_tick(
        self, version: int, state: Path, now: datetime, rules: StoreRules
    ) -> None:
        build(state, version)
        with pytest.raises(StoreError, match="older schema"):
            Store.open(state, now, None, read_only=True, rules=rules)


def test_two_processes_may_bring_it_up_to_date_at_once(
    state: Path, now: datetime, rules: StoreRules, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The second finds the step done between its look and its lock."""
    build(state, 1)
    plain: Callable[[Store], None] = Store._check_schema
    nested = []

    def first_the_other(store: Store) -> None:
        if not nested:
            nested.append(1)
            Store.open(state, now, "system", rules=rules).close()
        plain(store)

    monkeypatch.setattr(Store, "_check_schema", first_the_other)
    with Store.open(state, now, "system", rules=rules) as store:
        assert store.rows("PRAGMA user_version") == [(SCHEMA_VERSION,)]
