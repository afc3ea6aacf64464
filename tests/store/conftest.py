"""A store in a folder of its own, and small disks that can be filled."""

from __future__ import annotations

import subprocess
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.rules import StoreRules

NOW = datetime(2026, 7, 1, 4, 0, tzinfo=UTC)


@pytest.fixture
def now() -> datetime:
    return NOW


@pytest.fixture
def rules() -> StoreRules:
    """The shipped rules, with a short wait for other processes."""
    return replace(StoreRules.from_numbers(load_tables().operation), busy_wait_s=0.2)


@pytest.fixture
def state(tmp_path: Path) -> Path:
    return tmp_path / "state"


@pytest.fixture
def store(state: Path, rules: StoreRules) -> Iterator[Store]:
    with Store.open(state, NOW, "system", rules=rules) as opened:
        yield opened


@dataclass
class SmallDisk:
    """A folder whose disk can be filled, emptied and made read-only."""

    folder: Path
    fill: Callable[[Store], None]
    empty: Callable[[Store], None]


@pytest.fixture(params=["page-limit", "small-file-system"])
def small_disk(request: pytest.FixtureRequest, tmp_path: Path) -> Iterator[SmallDisk]:
    """A full disk twice: SQLite's own page limit (anywhere), and a real one of 512 KiB where root may mount.

    Where mounting is not allowed the second is the first again.
    """
    folder = tmp_path / "disk"
    folder.mkdir()
    mounted = (
        request.param == "small-file-system"
        and not subprocess.run(
            ["mount", "-t", "tmpfs", "-o", "size=512k", "tmpfs", str(folder)],
            check=False,
            capture_output=True,
        ).returncode
    )
    if not mounted:

        def fill(store: Store) -> None:
            pages = store.rows("PRAGMA page_count")[0][0]
            store.rows(f"PRAGMA max_page_count = {pages}")

        def empty(store: Store) -> None:
            store.rows("PRAGMA max_page_count = 1000000")

        yield SmallDisk(folder / "state", fill, empty)
        return
    ballast = folder / "ballast"

    def fill_disk(store: Store) -> None:
        with ballast.open("wb", buffering=0) as file:
            size = 65536
            while size:
                try:
                    file.write(b"x" * size)
                except OSError:
                    size //= 2

    def empty_disk(store: Store) -> None:
        ballast.unlink()

    try:
        yield SmallDisk(folder / "state", fill_disk, empty_disk)
    finally:
        subprocess.run(["umount", "-l", str(folder)], check=True)
