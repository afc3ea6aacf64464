"""A disk that is full or read-only: loud words, and the ledger stays true."""

from __future__ import annotations

import os
import subprocess
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

import pytest
from store.messages import message

from advisor.errors import StoreError
from advisor.store import ledger, outbox, outbox_verdicts, outbox_view
from advisor.store.atomic_files import write_atomically
from advisor.store.backup import backup
from advisor.store.database import FILE_NAME, Store
from advisor.store.locks import pass_lock
from advisor.store.rules import StoreRules


def queue(store: Store, day: int, now: datetime, size: int = 20_000) -> None:
    """A digest as the service queues it: ledger and outbox in one transaction."""
    with store.transaction() as tx:
        row = ledger.LedgerRow("digest", f"day-{day}", now.date(), "queued", now)
        assert ledger.write_ledger(tx, row)
        outbox.enqueue_all(tx, [message(f"day-{day}", now, raw=os.urandom(size))])


def test_full_disk_is_loud_and_half_writes_nothing(small_disk: Any, now: datetime, rules: StoreRules) -> None:
    with Store.open(small_disk.folder, now, "system", rules=rules) as store:
        queue(store, 0, now)
        small_disk.fill(store)
        with pytest.raises(StoreError, match=r"full|disk"):
            queue(store, 1, now, size=300_000)
        keys = {row[0] for row in store.rows("SELECT key FROM ledger")}
        assert keys == {row[0] for row in store.rows("SELECT dedupe_key FROM outbox")} == {"day-0"}
        small_disk.empty(store)
        queue(store, 1, now)
        assert store.quick_check() == ()
    with Store.open(small_disk.folder, now, "system", rules=rules) as store:
        assert ledger.not_in_ledger(store, [("digest", "day-0"), ("digest", "day-1")]) == ()


def test_full_disk_after_the_servers_yes_is_loud_and_the_row_is_settled_by_its_policy(
    small_disk: Any, now: datetime, rules: StoreRules
) -> None:
    with Store.open(small_disk.folder, now, "system", rules=rules) as store:
        queue(store, 0, now)
        claimed = outbox.claim(store, now)
        assert claimed is not None
        outbox.mark_data_started(store, claimed, now)
        small_disk.fill(store)
        with pytest.raises(StoreError, match=r"full|disk"):
            outbox_verdicts.record_sent(store, claimed, "250 OK " + "x" * 300_000, now)
        assert outbox_view.counts(store) == {"leased": 1}
        small_disk.empty(store)
        assert outbox.settle(store, now + rules.lease, alone=False).held_unknown == 1


def test_backup_onto_a_full_disk_leaves_the_earlier_one(
    small_disk: Any, now: datetime, rules: StoreRules
) -> None:
    with Store.open(small_disk.folder, now, "system", rules=rules) as store:
        queue(store, 0, now)
        small_disk.fill(store)
        target = small_disk.folder / "copy.sqlite3"
        if (small_disk.folder.parent / "ballast").exists():
            with pytest.raises(StoreError):
                backup(store, target)
            assert not target.exists()
            assert not list(small_disk.folder.glob(".copy*"))
        small_disk.empty(store)
        backup(store, target)
        assert target.stat().st_size > 20_000


def test_file_that_cannot_be_written_leaves_the_earlier_one(tmp_path: Path) -> None:
    beat = tmp_path / "beat"
    write_atomically(beat, b"one")
    with pytest.raises(StoreError, match="cannot write"):
        write_atomically(tmp_path / "missing" / "beat", b"two")
    (tmp_path / "taken").mkdir()
    (tmp_path / "taken" / "inside").touch()
    with pytest.raises(StoreError, match="cannot write"):
        write_atomically(tmp_path / "taken", b"two")
    assert beat.read_bytes() == b"one"
    assert sorted(file.name for file in tmp_path.iterdir()) == ["beat", "taken"]


def test_read_only_folder_is_loud_and_still_readable(state: Path, now: datetime, rules: StoreRules) -> None:
    with Store.open(state, now, "system", rules=rules) as store:
        queue(store, 0, now)
    mounted = not subprocess.run(
        ["mount", "--bind", str(state), str(state)], check=False, capture_output=True
    ).returncode
    try:
        if mounted:
            subprocess.run(["mount", "-o", "remount,ro,bind", str(state)], check=True)
        else:
            (state / FILE_NAME).chmod(0o400)
            state.chmod(0o500)
        with pytest.raises(StoreError, match=r"read-only|cannot be opened|cannot lock"):
            _one_pass(state, now, rules)
        with Store.open(state, now, None, read_only=True, rules=rules) as reader:
            assert ledger.not_in_ledger(reader, [("digest", "day-0")]) == ()
    finally:
        if mounted:
            subprocess.run(["umount", str(state)], check=True)
        else:
            state.chmod(0o700)
            (state / FILE_NAME).chmod(0o600)
    with Store.open(state, now + timedelta(hours=1), "system", rules=rules) as store:
        assert store.quick_check() == ()
        queue(store, 1, now)


def _one_pass(state: Path, now: datetime, rules: StoreRules) -> None:
    with Store.open(state, now, "system", rules=rules) as store:
        queue(store, 1, now)


def test_lock_in_a_place_that_is_none_is_loud(tmp_path: Path) -> None:
    (tmp_path / "state").write_text("a file")
    with pytest.raises(StoreError, match="cannot lock"), pass_lock(tmp_path / "state"):
        pass
