"""Appending to the journal: every old byte stays, no line is lost, undo adds and never deletes."""

from __future__ import annotations

import csv
import io
import os
import subprocess
import sys
from datetime import UTC, datetime, timedelta
from pathlib import Path

import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from advisor.errors import JournalError, StoreError
from advisor.store.config_files import load_tables
from advisor.store.garden_files import holdings_of, load_holdings, parse_garden
from advisor.store.journal_files import JournalRow, read_rows
from advisor.store.journal_writer import append_row, undo_last

NOW = datetime(2026, 7, 1, 10, tzinfo=UTC)
HEADER = "date,time,tree,entry,amount,unit,note"
GARDEN = """
[garden]
latitude = 47.91
longitude = 8.24
elevation_m = 640
timezone = "Europe/Berlin"
[[tree]]
id = "ember"
species = "acer-palmatum"
size = "shohin"
[[tree]]
id = "glow"
species = "acer-palmatum"
size = "shohin"
"""


def log(folder: Path, tree="ember", entry="fed", *, amount="", unit="", note=""):
    row = JournalRow("2026-07-01", "12:00", tree, entry, amount, unit, note)
    return append_row(folder, folder / "state", row)


def undo(folder: Path):
    return undo_last(folder, folder / "state", "2026-07-01", "12:10")


def entries(folder: Path, now=NOW + timedelta(hours=1)):
    (folder / "garden.toml").write_text(GARDEN, encoding="utf-8")
    holdings, faults = load_holdings(folder, load_tables(), now)
    assert faults == ()
    return [f"{entry.tree_id} {entry.entry}" for entry in holdings.journal]


def test_first_line_makes_the_file_with_its_header(tmp_path):
    log(tmp_path, note='said "so", twice')
    raw = (tmp_path / "journal.csv").read_text(encoding="utf-8")
    # RFC 4180: a field with quote or comma is quoted, a quote is doubled
    assert raw == HEADER + '\n2026-07-01,12:00,ember,fed,,,"said ""so"", twice"\n'
    assert entries(tmp_path) == ["ember fed"]


@pytest.mark.parametrize(
    "start",
    [
        "",
        "\n",
        "\ufeff",
        HEADER,
        HEADER + "\n",
        HEADER + "\r\n2026-06-01,08:00,ember,cut,,,\r\n",
        HEADER + "\n2026-06-01,08:00,ember,cut,,,",
        HEADER + '\n2026-06-01,08:00,ember,note,,,"never closed',
        HEADER + "\nnonsense\n",
    ],
    ids=[
        "empty",
        "blank",
        "mark",
        "bare header",
        "header",
        "crlf",
        "no last line break",
        "open quote",
        "nonsense",
    ],
)
def test_append_keeps_every_old_byte_and_is_read_again(tmp_path, start):
    path = tmp_path / "journal.csv"
    path.write_bytes(start.encode())
    log(tmp_path, note='with "quotes", commas')
    raw = path.read_bytes()
    assert raw.startswith(start.encode())
    found = parse_garden(GARDEN, load_tables())
    holdings, _ = holdings_of(found, raw.decode().removeprefix("\ufeff"), NOW + timedelta(hours=1))
    assert holdings is not None
    assert [entry.note for entry in holdings.journal if entry.entry == "fed"] == ['with "quotes", commas']
    if b"\r\n" in start.encode():
        assert raw.endswith(b"\r\n")


@settings(max_examples=60, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    start=st.text(alphabet=st.sampled_from('ab,"\n\r;2026-08:é '), max_size=60),
    note=st.text(alphabet=st.sampled_from("ab,\"';é #"), max_size=20),
)
def test_append_after_any_text_keeps_it_and_its_own_line_is_whole(tmp_path, start, note):
    path = tmp_path / "journal.csv"
    before = (HEADER + "\n" + start).encode()
    path.write_bytes(before)
    log(tmp_path, note=note)
    raw = path.read_bytes()
    assert raw.startswith(before)
    added = raw[len(before) :].decode().strip("\r\n")
    (fields,) = csv.reader(io.StringIO(added, newline=""))
    assert fields == ["2026-07-01", "12:00", "ember", "fed", "", "", note.strip()]
    rows, _ = read_rows(raw.decode())
    assert list(rows[-1].fields) == fields


MANY = """
import sys
from pathlib import Path
from advisor.store.journal_files import JournalRow
from advisor.store.journal_writer import append_row
folder, tree, count = Path(sys.argv[1]), sys.argv[2], int(sys.argv[3])
for _ in range(count):
    append_row(folder, folder / "state", JournalRow("2026-07-01", "12:00", tree, "fed", "", "", ""))
"""


def test_appends_from_several_processes_lose_nothing(tmp_path):
    workers = [
        subprocess.Popen([sys.executable, "-c", MANY, str(tmp_path), tree, "25"])
        for tree in ("ember", "glow", "ember")
    ]
    for worker in workers:
        assert worker.wait(120) == 0
    lines = (tmp_path / "journal.csv").read_text(encoding="utf-8").splitlines()
    assert lines[0] == HEADER
    assert len(lines) == 76
    assert sorted(entries(tmp_path)) == ["ember fed"] * 50 + ["glow fed"] * 25


@pytest.mark.parametrize("raw", [b"date;time\n", HEADER.encode("utf-16")], ids=["semicolons", "utf-16"])
def test_journal_that_cannot_be_read_is_not_added_to(tmp_path, raw):
    (tmp_path / "journal.csv").write_bytes(raw)
    with pytest.raises(JournalError, match="nothing was written"):
        log(tmp_path)
    assert (tmp_path / "journal.csv").read_bytes() == raw


def test_full_disk_leaves_the_journal_and_what_undo_knows_as_they_were(tmp_path, monkeypatch):
    log(tmp_path, "ember")
    before = (tmp_path / "journal.csv").read_bytes()
    real = os.write

    def write(descriptor, data):
        if data.startswith(b"2026") and b"glow" in data:
            real(descriptor, data[:5])
            raise OSError(28, "No space left on device")
        return real(descriptor, data)

    monkeypatch.setattr(os, "write", write)
    with pytest.raises(StoreError, match="nothing was added"):
        log(tmp_path, "glow")
    monkeypatch.undo()
    assert (tmp_path / "journal.csv").read_bytes() == before
    assert undo(tmp_path) == "2026-07-01,12:00,ember,fed,,,"


# --- undo ----------------------------------------------------------------------------------------


def test_undo_appends_only_and_takes_back_the_last_lines_one_by_one(tmp_path):
    path = tmp_path / "journal.csv"
    log(tmp_path, "ember", "fed")
    log(tmp_path, "glow", "cut", amount="12", unit="mm", note="low, left")
    log(tmp_path, "all", "watered")
    assert entries(tmp_path) == ["ember fed", "glow cut", "ember watered", "glow watered"]
    for left in (["ember fed", "glow cut"], ["ember fed"], []):
        before = path.read_bytes()
        undo(tmp_path)
        assert path.read_bytes().startswith(before)
        assert len(path.read_bytes()) > len(before)
        assert entries(tmp_path) == left
    before = path.read_bytes()
    with pytest.raises(JournalError, match="no line"):
        undo(tmp_path)
    assert path.read_bytes() == before


def test_undo_then_the_same_line_again_counts(tmp_path):
    for _ in range(2):
        log(tmp_path)
        undo(tmp_path)
    log(tmp_path)
    assert entries(tmp_path) == ["ember fed"]
    undo(tmp_path)
    assert entries(tmp_path) == []


def test_undo_of_two_equal_lines_takes_back_one(tmp_path):
    log(tmp_path)
    log(tmp_path)
    undo(tmp_path)
    assert entries(tmp_path) == ["ember fed"]


def test_undo_leaves_lines_alone_that_a_hand_wrote(tmp_path):
    (tmp_path / "journal.csv").write_text(HEADER + "\n2026-07-01,12:00,ember,fed,,,\n", encoding="utf-8")
    with pytest.raises(JournalError, match="no line"):
        undo(tmp_path)


def test_undo_after_a_hand_edit_says_so_and_changes_nothing(tmp_path):
    path = tmp_path / "journal.csv"
    log(tmp_path)
    path.write_text(path.read_text(encoding="utf-8").replace("fed", "cut"), encoding="utf-8")
    before = path.read_bytes()
    with pytest.raises(JournalError, match="edited by hand"):
        undo(tmp_path)
    assert path.read_bytes() == before


def test_undo_works_after_lines_were_put_in_above(tmp_path):
    path = tmp_path / "journal.csv"
    log(tmp_path)
    path.write_text(
        path.read_text(encoding="utf-8").replace(HEADER + "\n", HEADER + "\n2026-06-01,,glow,cut,,,\n"),
        encoding="utf-8",
    )
    undo(tmp_path)
    assert entries(tmp_path) == ["glow cut"]
