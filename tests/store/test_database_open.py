"""Opening the store: what is made, what is refused, and in which words."""

from __future__ import annotations

import os
import sqlite3
import stat
import subprocess
import sys
from collections.abc import Iterator
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

import advisor
from advisor.errors import StoreError
from advisor.store.database import FILE_NAME, Store
from advisor.store.faults import network_file_system
from advisor.store.rules import StoreRules
from advisor.store.schema import SCHEMA_VERSION

FIND_ADVISOR = {**os.environ, "PYTHONPATH": str(Path(advisor.__file__).parents[1])}


@pytest.fixture
def umask_007() -> Iterator[None]:
    before = os.umask(0o007)
    yield
    os.umask(before)


def mode(path: Path) -> int:
    return stat.S_IMODE(path.stat().st_mode)


def test_connection_is_set_as_sqlite_documents(store: Store) -> None:
    # SQLite documentation: PRAGMA synchronous, 2 is FULL
    assert store.rows("PRAGMA journal_mode")[0][0] == "wal"
    assert store.rows("PRAGMA synchronous")[0][0] == 2
    assert store.rows("PRAGMA foreign_keys")[0][0] == 1
    assert store.rows("PRAGMA busy_timeout")[0][0] == 200
    assert store.rows("PRAGMA user_version")[0][0] == SCHEMA_VERSION


def test_every_table_is_strict(store: Store) -> None:
    tables = [
        row for row in store.rows("PRAGMA table_list") if row[0] == "main" and row[1] != "sqlite_schema"
    ]
    assert len(tables) > 8
    assert [row[1] for row in tables if not row[5]] == []


def test_new_folder_and_file_are_the_owners_alone(state: Path, now: datetime, rules: StoreRules) -> None:
    with Store.open(state, now, "system", rules=rules) as store, store.transaction() as tx:
        tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")
        assert mode(state) == 0o700
        assert {mode(file) for file in state.iterdir()} == {0o600}


def test_shared_folder_is_left_as_it_is_and_its_files_are_the_groups(
    tmp_path: Path, now: datetime, rules: StoreRules, umask_007: None
) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o2770)
    with Store.open(shared, now, "system", rules=rules) as store, store.transaction() as tx:
        tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")
        assert mode(shared) == 0o2770
        assert {file.name: mode(file) for file in shared.iterdir()} == {
            file.name: 0o660 for file in shared.iterdir()
        }


def test_umask_takes_away_from_a_shared_file(tmp_path: Path, now: datetime, rules: StoreRules) -> None:
    shared = tmp_path / "shared"
    shared.mkdir()
    shared.chmod(0o2770)
    before = os.umask(0o077)
    try:
        Store.open(shared, now, "system", rules=rules).close()
    finally:
        os.umask(before)
    assert mode(shared / FILE_NAME) == 0o600


@pytest.mark.parametrize(("first", "second"), [("system", "given"), ("given", "system")])
def test_tick_of_the_other_clock_is_refused(
    state: Path, now: datetime, rules: StoreRules, first: str, second: str
) -> None:
    Store.open(state, now, first, rules=rules).close()  # type: ignore[arg-type]
    with pytest.raises(StoreError, match="state folder of its own"):
        Store.open(state, now, second, rules=rules)  # type: ignore[arg-type]
    with Store.open(state, now, first, rules=rules) as again:  # type: ignore[arg-type]
        assert again.clock_kind == first


def test_command_that_only_asks_neither_stamps_nor_is_refused(
    state: Path, now: datetime, rules: StoreRules
) -> None:
    with Store.open(state, now, None, rules=rules) as store:
        assert store.clock_kind is None
    Store.open(state, now, "given", rules=rules).close()
    with Store.open(state, now, None, rules=rules) as store:
        assert store.clock_kind == "given"


def test_instant_without_offset_is_refused(state: Path, now: datetime, rules: StoreRules) -> None:
    with pytest.raises(ValueError, match="offset"):
        Store.open(state, now.replace(tzinfo=None), "system", rules=rules)
    assert not state.exists()


def test_reading_needs_a_store_and_makes_none(state: Path, now: datetime, rules: StoreRules) -> None:
    with pytest.raises(StoreError, match="run a tick first"):
        Store.open(state, now, None, read_only=True, rules=rules)
    assert not state.exists()
    assert not Store.exists(state)


def test_read_only_store_reads_and_does_not_write(
    store: Store, state: Path, now: datetime, rules: StoreRules
) -> None:
    with Store.open(state, now, None, read_only=True, rules=rules) as reader:
        assert reader.clock_kind == "system"
        with pytest.raises(StoreError, match="nothing was written"), reader.transaction():
            pass


@pytest.mark.parametrize(
    "content", [b"", b"not a database at all, but text " * 40, b"SQLite format 3\x00" + b"\xff" * 4096]
)
@pytest.mark.parametrize("read_only", [True, False])
def test_damaged_file_is_refused_and_left_as_it_is(
    state: Path, now: datetime, rules: StoreRules, content: bytes, read_only: bool
) -> None:
    state.mkdir()
    (state / FILE_NAME).write_bytes(content)
    with pytest.raises(StoreError, match=r"damaged .*restore the last backup"):
        Store.open(state, now, None, read_only=read_only, rules=rules)
    assert (state / FILE_NAME).read_bytes() == content


def test_page_spoilt_in_the_middle_is_found_by_the_weekly_check(
    state: Path, now: datetime, rules: StoreRules
) -> None:
    with Store.open(state, now, "system", rules=rules) as store:
        with store.transaction() as tx:
            for number in range(300):
                tx.run(
                    "INSERT INTO learned VALUES (?, ?, '2026-07-01T00:00:00Z')",
                    (f"n{number}", '"' + "x" * 400 + '"'),
                )
        assert store.weekly_check(now) == ()
    whole = bytearray((state / FILE_NAME).read_bytes())
    for page in range(len(whole) // 4096 - 10, len(whole) // 4096):  # rows of the last table
        whole[page * 4096 : page * 4096 + 200] = os.urandom(200)
    (state / FILE_NAME).write_bytes(whole)
    with Store.open(state, now, "system", rules=rules) as store:
        assert store.weekly_check(now + timedelta(days=6)) == ()
        assert store.weekly_check(now + timedelta(days=8)) != ()
        assert store.weekly_check(now + timedelta(days=8)) != (), "a check that failed is not noted as done"


def test_file_of_another_program_is_refused(state: Path, now: datetime, rules: StoreRules) -> None:
    state.mkdir()
    other = sqlite3.connect(state / FILE_NAME)
    other.execute("CREATE TABLE bees (hive TEXT)")
    other.commit()
    other.close()
    with pytest.raises(StoreError, match="another program"):
        Store.open(state, now, "system", rules=rules)


def test_newer_schema_is_refused_in_words(
    store: Store, state: Path, now: datetime, rules: StoreRules
) -> None:
    store.rows(f"PRAGMA user_version = {SCHEMA_VERSION + 3}")
    store.close()
    with pytest.raises(StoreError, match=f"newer advisor .schema {SCHEMA_VERSION + 3}"):
        Store.open(state, now, "system", rules=rules)


def test_database_gone_but_its_log_there_makes_no_new_one(
    state: Path, now: datetime, rules: StoreRules
) -> None:
    state.mkdir()
    (state / f"{FILE_NAME}-wal").write_bytes(b"x" * 4096)
    with pytest.raises(StoreError, match="log"):
        Store.open(state, now, "system", rules=rules)
    assert not (state / FILE_NAME).exists()


def test_folder_that_is_a_file_is_named(tmp_path: Path, now: datetime, rules: StoreRules) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(StoreError, match="cannot make a store"):
        Store.open(tmp_path / "state", now, "system", rules=rules)


def test_exception_inside_keeps_nothing(store: Store) -> None:
    def spoil() -> None:
        with store.transaction() as tx:
            tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")
            raise KeyError

    with pytest.raises(KeyError):
        spoil()
    assert store.rows("SELECT * FROM learned") == []
    with store.transaction() as tx:
        tx.run("INSERT INTO learned VALUES ('b', '1', '2026-07-01T00:00:00Z')")
    assert store.rows("SELECT name FROM learned") == [("b",)]


def test_row_that_breaks_a_rule_is_refused_whole(store: Store) -> None:
    def spoil() -> None:
        with store.transaction() as tx:
            tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")
            tx.run("INSERT INTO learned VALUES ('b', 'no json', '2026-07-01T00:00:00Z')")

    with pytest.raises(StoreError, match="own rules"):
        spoil()
    assert store.rows("SELECT * FROM learned") == []


def test_transaction_inside_a_transaction_is_refused(store: Store) -> None:
    with store.transaction(), pytest.raises(StoreError, match="open already"), store.transaction():
        pass


def test_transaction_kept_past_its_end_cannot_write(store: Store) -> None:
    with store.transaction() as tx:
        pass
    with pytest.raises(StoreError, match="over"):
        tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")


def test_file_held_by_another_process_is_said(store: Store, state: Path) -> None:
    other = sqlite3.connect(state / FILE_NAME, isolation_level=None)
    other.execute("BEGIN IMMEDIATE")
    with pytest.raises(StoreError, match="held by another process"), store.transaction():
        pass
    other.execute("ROLLBACK")
    other.close()
    with store.transaction() as tx:
        tx.run("INSERT INTO learned VALUES ('a', '1', '2026-07-01T00:00:00Z')")


def test_clock_that_went_back_is_noted(state: Path, now: datetime, rules: StoreRules) -> None:
    with Store.open(state, now, "system", rules=rules) as store, store.transaction() as tx:
        tx.run(
            "INSERT INTO pass_log (run_id, started_at) VALUES ('a', ?)", (now.strftime("%Y-%m-%dT%H:%M:%SZ"),)
        )
    with Store.open(state, now - timedelta(hours=2), "system", rules=rules) as store:
        assert "clock went back" in store.notes[0]
    with Store.open(state, now, "system", rules=rules) as store:
        assert store.notes == ()


def test_folder_that_another_process_makes_between_look_and_make_is_no_fault(
    state: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The other process is played by ``mkdir`` itself: it makes the folder just before ours is made."""
    make = Path.mkdir

    def late(folder: Path, *given: Any, **named: Any) -> None:
        make(folder, parents=True, exist_ok=True)
        make(folder, *given, **named)

    monkeypatch.setattr(Path, "mkdir", late)
    with Store.open(state, datetime(2026, 7, 1, tzinfo=UTC), "system") as store:
        assert store.clock_kind == "system"


def test_four_processes_opening_at_once_make_one_store(state: Path) -> None:
    child = (
        "import sys; from datetime import UTC, datetime; from pathlib import Path\n"
        "from advisor.store.database import Store\n"
        "with Store.open(Path(sys.argv[1]), datetime(2026, 7, 1, tzinfo=UTC), 'system') as store:\n"
        "    with store.transaction() as tx:\n"
        "        tx.run(\"INSERT INTO meta VALUES (?, 'x')\", (sys.argv[2],))\n"
    )
    running = [
        subprocess.Popen([sys.executable, "-c", child, str(state), str(n)], env=FIND_ADVISOR)
        for n in range(4)
    ]
    assert [process.wait(60) for process in running] == [0, 0, 0, 0]
    reader = sqlite3.connect(state / FILE_NAME)
    assert reader.execute("SELECT count(*) FROM meta WHERE value = 'x'").fetchone() == (4,)
    reader.close()


@pytest.mark.parametrize(
    ("path", "kind"),
    [
        ("/srv/garden/state/advisor.sqlite3", "nfs4"),
        ("/srv/other", None),
        ("/srv/gardens/state", None),
        ("/mnt/my disk/state", "cifs"),
    ],
)
def test_network_file_system_is_known_by_its_mount(path: str, kind: str | None) -> None:
    # fields and the \040 escape of /proc/mounts: proc(5), fstab(5)
    mounts = (
        "/dev/sda1 / ext4 rw 0 0\n"
        "box:/export /srv/garden nfs4 rw 0 0\n"
        "//nas/share /mnt/my\\040disk cifs rw 0 0\n"
    )
    assert network_file_system(Path(path), mounts) == kind
