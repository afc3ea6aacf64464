"""Pass log, heartbeat, last good copies, learned values, station files, locks, backup and restore."""

from __future__ import annotations

import json
import math
import os
import sqlite3
import stat
import subprocess
import sys
from datetime import datetime, timedelta
from pathlib import Path
from typing import Literal

import pytest
from store.messages import message

import advisor
from advisor.errors import StoreError
from advisor.store import outbox, outbox_view
from advisor.store.backup import backup, copy_at_rest, restore
from advisor.store.database import FILE_NAME, Store
from advisor.store.last_good import keep_last_good, last_good
from advisor.store.learned import keep_learned, learned
from advisor.store.locks import pass_lock
from advisor.store.passes import begin_pass, end_pass, last_complete_pass, last_passes, write_heartbeat
from advisor.store.rules import StoreRules
from advisor.store.stamps import stamp, utc_from
from advisor.store.station_files import asked, keep_answer, keep_file, station_file

FIND_ADVISOR = {**os.environ, "PYTHONPATH": str(Path(advisor.__file__).parents[1])}
HOUR, DAY = timedelta(hours=1), timedelta(days=1)


def test_last_complete_pass_is_not_the_last_pass(store: Store, now: datetime) -> None:
    begin_pass(store, "one", now)
    end_pass(store, "one", now + HOUR, "done", 0, complete=True)
    begin_pass(store, "two", now + 2 * HOUR)
    end_pass(store, "two", now + 2 * HOUR, "no weather", 3, complete=False)
    begin_pass(store, "killed", now + 3 * HOUR)
    found = last_complete_pass(store, now + 4 * HOUR)
    assert found is not None
    assert (found.run_id, found.exit_code, found.finished_at_utc) == ("one", 0, now + HOUR)
    assert last_complete_pass(store, now) is None
    assert [(p.run_id, p.finished_at_utc is None) for p in last_passes(store, now + 4 * HOUR)] == [
        ("killed", True),
        ("two", False),
        ("one", False),
    ]


def test_pass_that_did_not_begin_cannot_end(store: Store, now: datetime) -> None:
    with pytest.raises(StoreError, match="has not begun"):
        end_pass(store, "x", now, "done", 0, complete=True)


def test_pass_log_forgets_old_rows_but_never_the_last_complete_one(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    begin_pass(store, "good", now)
    end_pass(store, "good", now, "done", 0, complete=True)
    for step in range(1, 5):
        begin_pass(store, f"bad-{step}", now + step * DAY)
    begin_pass(store, "now", now + rules.passes_kept + 3 * DAY)
    assert last_complete_pass(store, now + 200 * DAY) is not None
    end_pass(store, "now", now + rules.passes_kept + 3 * DAY, "done", 0, complete=True)
    begin_pass(store, "next", now + rules.passes_kept + 4 * DAY)
    assert {p.run_id for p in last_passes(store, now + 200 * DAY)} == {"bad-4", "now", "next"}


def test_heartbeat_is_one_json_object_and_leaves_no_scrap(tmp_path: Path, now: datetime) -> None:
    for run in ("one", "two"):
        write_heartbeat(tmp_path / "heartbeat", now, run, "done")
    assert json.loads((tmp_path / "heartbeat").read_text()) == {
        "at": "2026-07-01T04:00:00Z",
        "run": "two",
        "outcome": "done",
    }
    assert [file.name for file in tmp_path.iterdir()] == ["heartbeat"]


def test_last_good_copy_is_the_newest_from_now_or_before(
    store: Store, now: datetime, rules: StoreRules
) -> None:
    assert last_good(store, "garden.toml", now) is None
    assert keep_last_good(store, "garden.toml", "one", now)
    assert not keep_last_good(store, "garden.toml", "one", now + HOUR)
    assert keep_last_good(store, "garden.toml", "two\nümläut", now + 2 * HOUR)
    found = last_good(store, "garden.toml", now + HOUR)
    assert found is not None
    assert found.text == "one"
    for step in range(20):
        keep_last_good(store, "journal.csv", str(step), now + step * HOUR)
    assert store.rows("SELECT count(*) FROM last_good WHERE name = 'journal.csv'") == [
        (rules.last_good_versions,)
    ]
    newest = last_good(store, "journal.csv", now + DAY)
    assert newest is not None
    assert newest.text == "19"
    assert last_good(store, "garden.toml", now + DAY) is not None


def test_learned_values_are_json_without_nan_and_not_from_the_future(store: Store, now: datetime) -> None:
    with store.transaction() as tx:
        keep_learned(tx, "error", {"12": [0.5, 1.25]}, now)
        with pytest.raises(ValueError, match="JSON"):
            keep_learned(tx, "bad", math.nan, now)
    assert learned(store, "error", now) == {"12": [0.5, 1.25]}
    assert learned(store, "error", now - HOUR) is None
    assert learned(store, "bad", now) is None


def test_station_file_and_its_absence_are_remembered(store: Store, now: datetime) -> None:
    url = "https://data.example.org/"
    keep_answer(store, url + "a", "none", now)
    keep_file(store, url + "b", b"1,2\n" * 999, now, etag='"v1"', modified="Tue, 30 Jun 2026 04:00:00 GMT")
    absent, there = (asked(store, url + name, now) for name in "ab")
    assert absent is not None
    assert there is not None
    assert (absent.answer, station_file(store, url + "a", now)) == ("none", None)
    assert (there.answer, there.etag, there.modified) == ("new", '"v1"', "Tue, 30 Jun 2026 04:00:00 GMT")
    kept = station_file(store, url + "b", now)
    assert kept is not None
    assert (kept.payload, kept.fetched_at_utc) == (b"1,2\n" * 999, now)
    assert station_file(store, url + "b", now - HOUR) is None
    assert asked(store, url + "b", now - HOUR) is None
    assert station_file(store, url + "c", now) is None
    assert asked(store, url + "c", now) is None


@pytest.mark.parametrize("answer", ["same", "none", "bad"])
def test_good_station_file_and_its_validators_outlive_every_other_answer(
    store: Store, now: datetime, answer: Literal["same", "none", "bad"]
) -> None:
    keep_file(store, "https://data.example.org/a", b"good", now, etag='"v1"')
    keep_answer(store, "https://data.example.org/a", answer, now + HOUR)
    kept = station_file(store, "https://data.example.org/a", now + DAY)
    last = asked(store, "https://data.example.org/a", now + DAY)
    assert kept is not None
    assert last is not None
    assert (kept.payload, kept.fetched_at_utc) == (b"good", now)
    assert (last.answer, last.asked_at_utc, last.etag) == (answer, now + HOUR, '"v1"')


def test_damaged_station_file_is_named(store: Store, now: datetime) -> None:
    keep_file(store, "https://data.example.org/a", b"good", now)
    with store.transaction() as tx:
        tx.run("UPDATE station_file SET payload = x'00'")
    with pytest.raises(StoreError, match=r"data\.example\.org/a is damaged"):
        station_file(store, "https://data.example.org/a", now)


HOLDER = (
    "import sys, time; from pathlib import Path\n"
    "from advisor.store.locks import pass_lock\n"
    "with pass_lock(Path(sys.argv[1])) as held:\n"
    "    print(held, flush=True); time.sleep(60)\n"
)


def test_second_pass_leaves_at_once_and_a_killed_holder_lets_go(state: Path) -> None:
    with subprocess.Popen(
        [sys.executable, "-c", HOLDER, str(state)], stdout=subprocess.PIPE, text=True, env=FIND_ADVISOR
    ) as other:
        assert other.stdout is not None
        assert other.stdout.readline() == "True\n"
        with pass_lock(state) as held:
            assert held is False
        other.kill()
        other.wait()
        with pass_lock(state) as held:
            assert held is True
            with pass_lock(state) as again:
                assert again is False
    with pass_lock(state) as held:
        assert held is True


def test_backup_of_a_store_in_use_is_whole_and_restores(
    store: Store, state: Path, tmp_path: Path, now: datetime, rules: StoreRules
) -> None:
    with store.transaction() as tx:
        outbox.enqueue_all(tx, [message(f"m{n}", now) for n in range(50)])
    target = tmp_path / "copy.sqlite3"
    backup(store, target)
    assert stat.S_IMODE(target.stat().st_mode) == 0o600
    assert sorted(file.name for file in tmp_path.iterdir()) == ["copy.sqlite3", "state"]
    claimed = outbox.claim(store, now)
    store.close()
    assert claimed is not None
    aside = restore(target, state, now, rules)
    assert aside is not None
    assert aside.exists()
    with Store.open(state, now, "system", rules=rules) as again:
        assert outbox_view.counts(again) == {"pending": 50}
        assert again.quick_check() == ()
        assert again.clock_kind == "system"


@pytest.mark.parametrize("at_rest", [True, False], ids=["at rest", "in use"])
def test_copy_between_passes_holds_everything_even_if_somebody_has_the_store_open(
    at_rest: bool, store: Store, state: Path, tmp_path: Path, now: datetime, rules: StoreRules
) -> None:
    with store.transaction() as tx:
        outbox.enqueue_all(tx, [message(f"m{n}", now) for n in range(50)])
    if at_rest:
        store.close()
    log = state / f"{FILE_NAME}-wal"
    assert (log.exists() and log.stat().st_size > 0) is not at_rest
    target = tmp_path / "copy.sqlite3"
    copy_at_rest(state, target, now)
    assert sorted(file.name for file in tmp_path.iterdir()) == ["copy.sqlite3", "state"]
    (tmp_path / "elsewhere").mkdir()
    target.rename(tmp_path / "elsewhere" / FILE_NAME)
    with Store.open(tmp_path / "elsewhere", now, "system", rules=rules) as again:
        assert outbox_view.counts(again) == {"pending": 50}
        assert again.quick_check() == ()


def test_restore_into_an_empty_folder_and_over_a_damaged_file(
    store: Store, state: Path, tmp_path: Path, now: datetime, rules: StoreRules
) -> None:
    backup(store, tmp_path / "copy")
    store.close()
    assert restore(tmp_path / "copy", tmp_path / "elsewhere", now, rules) is None
    (state / FILE_NAME).write_bytes(b"rubbish" * 999)
    (state / f"{FILE_NAME}-wal").write_bytes(b"rubbish" * 999)
    aside = restore(tmp_path / "copy", state, now, rules)
    assert aside is not None
    assert aside.read_bytes() == b"rubbish" * 999
    assert aside.with_name(f"{aside.name}-wal").read_bytes() == b"rubbish" * 999
    with Store.open(state, now, "system", rules=rules) as again:
        assert again.quick_check() == ()


def test_restore_of_what_is_no_backup_changes_nothing(
    store: Store, state: Path, tmp_path: Path, now: datetime, rules: StoreRules
) -> None:
    before = sorted(file.name for file in state.iterdir())
    (tmp_path / "bad").write_bytes(b"rubbish" * 999)
    other = sqlite3.connect(tmp_path / "bees")
    other.execute("CREATE TABLE bees (hive)")
    other.commit()
    other.close()
    for name in ("bad", "bees", "missing"):
        with pytest.raises(StoreError):
            restore(tmp_path / name, state, now, rules)
    assert sorted({*before, "pass.lock"}) == sorted(file.name for file in state.iterdir())
    assert store.quick_check() == ()


def test_restore_while_a_pass_runs_is_refused(
    store: Store, state: Path, tmp_path: Path, now: datetime
) -> None:
    backup(store, tmp_path / "copy")
    with pass_lock(state) as held:
        assert held
        with pytest.raises(StoreError, match="another pass"):
            restore(tmp_path / "copy", state, now)


def test_backup_onto_itself_or_a_folder_is_refused(store: Store, state: Path) -> None:
    for target in (state, state / FILE_NAME):
        with pytest.raises(StoreError):
            backup(store, target)
    assert store.quick_check() == ()


@pytest.mark.parametrize("text", ["2026-07-01T04:00:00Z", "0999-01-01T00:00:00Z", "2024-02-29T23:59:59Z"])
def test_stamps_come_back_as_the_instants_they_were(text: str) -> None:
    assert utc_from(text).utcoffset() == timedelta(0)
    assert stamp(utc_from(text)) == text


@pytest.mark.parametrize(
    "text",
    [
        "",
        "2026-07-01",
        "2026-07-01T04:00:00",
        "2026-07-01 04:00:00Z",
        "2026-07-01T04:00+00:00",
        "2026-02-30T04:00:00Z",
    ],
)
def test_what_is_no_stamp_is_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"stamp|day|range|isoformat"):
        utc_from(text)
