"""The journal: what each line means, and what is said of a line that means nothing."""

from __future__ import annotations

import tomllib
from datetime import UTC, datetime
from pathlib import Path

import pytest

from advisor.store.config_files import load_tables
from advisor.store.garden_files import parse_garden
from advisor.store.journal_files import journal_text, read_journal

CASES = tomllib.loads(Path(__file__).with_name("bad_journal_cases.toml").read_text(encoding="utf-8"))
NOW = datetime(2026, 7, 1, 10, tzinfo=UTC)
GARDEN = """
[garden]
latitude = 47.91
longitude = 8.24
elevation_m = 640
timezone = "Europe/Berlin"
[[place]]
id = "south-bench"
[[place]]
id = "north-bench"
[[tree]]
id = "ember"
species = "acer-palmatum"
size = "shohin"
[[tree]]
id = "glow"
species = "acer-palmatum"
size = "shohin"
place = "north-bench"
[[tree]]
id = "twig"
species = "acer-palmatum"
size = "shohin"
place = "north-bench"
"""


def read(text, now=NOW):
    garden = parse_garden(GARDEN, load_tables())
    assert garden.garden is not None
    assert garden.faults == ()
    return read_journal(text, garden.garden, garden.trees, garden.places, now)


@pytest.mark.parametrize("line_end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("case", CASES["case"], ids=lambda case: case["name"])
def test_journal_line_is_read_or_named(case, line_end):
    text = ("" if case.get("bare") else CASES["header"]) + case["text"]
    entries, faults = read(text.replace("\n", line_end))
    said = [(fault.line, fault.key) for fault in faults]
    assert said == [(fault["line"], fault["key"]) for fault in case["fault"]], "\n".join(map(str, faults))
    for fault, wanted in zip(faults, case["fault"], strict=True):
        for word in wanted["words"]:
            assert word in f"{fault.found}; {fault.wanted}"
        assert fault.file == "journal.csv"
    kept = [f"{entry.tree_id} {entry.entry} {entry.at_utc:%Y-%m-%dT%H:%M}" for entry in entries]
    assert kept == case["kept"]


def test_empty_time_means_now_before_noon_and_noon_after():
    text = CASES["header"] + "2026-07-01,,ember,wilted,,,\n"
    early, late = datetime(2026, 7, 1, 6, 30, tzinfo=UTC), datetime(2026, 7, 1, 20, tzinfo=UTC)
    assert read(text, early)[0][0].at_utc == early
    assert read(text, late)[0][0].at_utc == datetime(2026, 7, 1, 10, tzinfo=UTC)  # noon in Berlin in summer


def test_missing_and_empty_journals_are_empty(tmp_path):
    assert journal_text(tmp_path) == ("", ())
    assert read("") == ((), ())
    assert read("\n\n") == ((), ())
    assert read(CASES["header"]) == ((), ())


def test_byte_order_mark_is_no_part_of_the_header(tmp_path):
    path = tmp_path / "journal.csv"
    path.write_bytes(b"\xef\xbb\xbf" + (CASES["header"] + "2026-06-01,08:00,ember,fed,,,\n").encode())
    text, faults = journal_text(tmp_path)
    assert faults == ()
    entries, faults = read(text)
    assert len(entries) == 1
    assert faults == ()


def test_bytes_that_are_not_utf8_cost_their_own_line_only(tmp_path):
    path = tmp_path / "journal.csv"
    path.write_bytes(
        CASES["header"].encode() + b"2026-06-01,08:00,ember,fed,,,gr\xfcn\n2026-06-02,08:00,ember,fed,,,\n"
    )
    text, faults = journal_text(tmp_path)
    assert faults == ()
    entries, (fault,) = read(text)
    assert (fault.line, fault.key) == (2, "note")
    assert "UTF-8" in fault.found
    assert [entry.line for entry in entries] == [3]


def test_utf16_journal_is_a_fault(tmp_path):
    path = tmp_path / "journal.csv"
    path.write_bytes(CASES["header"].encode("utf-16"))
    text, (fault,) = journal_text(tmp_path)
    assert text == ""
    assert "UTF-16" in fault.found


def test_every_word_of_the_contract_is_a_journal_entry():
    work = (
        "defoliated part-defoliated cut carved carved-deadwood wired unwired bent repotted layer-started "
        "sealed limed candle-cut fed watered shaded unshaded"
    )
    seen = (
        "buds-swelling leaves-open leaves-hard roots-seen colour leaf-fall wilted scorched frosted "
        "wire-tight pests recovered"
    )
    words = f"{work} {seen}".split()
    text = CASES["header"] + "".join(f"2026-06-01,08:00,ember,{word},,,\n" for word in words)
    text += "2026-06-01,08:00,ember,weighed,3.2,kg,\n2026-06-01,08:00,ember,moved,north-bench,place,\n"
    entries, faults = read(text)
    assert faults == ()
    assert [entry.entry for entry in entries] == [*words, "weighed", "moved"]


def test_entries_of_one_moment_keep_file_order():
    text = CASES["header"] + "2026-06-01,08:00,ember,cut,,,\n2026-06-01,08:00,ember,sealed,,,\n"
    entries, _ = read(text)
    assert [entry.entry for entry in entries] == ["cut", "sealed"]
    assert entries[0].order < entries[1].order
