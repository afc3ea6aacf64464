"""A grower's own hourly record: what is read, what is refused, and what is said and counted.

Cases and their sources: hourly_cases.toml. What a row or a stamp means is written there by hand; nothing
here is worked out with the reader's own code.
"""

from __future__ import annotations

import csv
import gzip
import io
import math
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from advisor.errors import SettingsError
from advisor.store.config_files import load_tables
from advisor.store.hourly_files import LARGEST_BYTES, read_hourly

CASES: dict[str, dict[str, Any]] = tomllib.loads(
    (Path(__file__).parent / "hourly_cases.toml").read_text(encoding="utf-8")
)
FETCHED = datetime(2026, 1, 1, tzinfo=UTC)
NUMBERS = load_tables().physics


def read(folder: Path, data: bytes, zone: str = "UTC", name: str = "past.csv"):
    path = folder / name
    path.write_bytes(data)
    return read_hourly(path, ZoneInfo(zone), NUMBERS, FETCHED)


def shown(values: np.ndarray) -> list[str]:
    return ["" if math.isnan(value) else f"{value:g}" for value in values]


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "hours" in case])
def test_file_that_can_be_used_gives_its_hours_and_counts(name: str, tmp_path: Path) -> None:
    case = CASES[name]
    table, report = read(tmp_path, case["text"].lstrip("\n").encode(), case.get("zone", "UTC"))
    assert table.hours == case["hours"]
    assert shown(table.value("air_temperature_c")) == case["air"]
    if "first" in case:
        assert str(table.start_utc[0]) + "Z" == case["first"]
    steps = np.diff(table.start_utc).astype(np.int64)
    assert (steps == 3600).all()
    found = [
        f"{one.rule} | {one.variable} | {one.count} | {one.first_line}".replace("None", "-")
        for one in report.findings
    ]
    assert sorted(found) == sorted(case["findings"])
    printed = "\n".join(report.lines())
    for words in [*case.get("notes", ()), *case.get("says", ())]:
        assert words in printed
    for one in report.findings:
        assert one.rule in printed
        assert str(one.count) in printed
        assert f"line {one.first_line}" in printed


@pytest.mark.parametrize("name", [name for name, case in CASES.items() if "refused" in case])
def test_file_that_cannot_be_used_is_refused_with_what_to_write(name: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError) as refusal:
        read(tmp_path, CASES[name]["text"].lstrip("\n").encode())
    for words in ["past.csv", *CASES[name]["refused"]]:
        assert words in str(refusal.value)


GOOD = b"start_utc,air_temperature_c\n2013-07-01T00:00:00Z,20\n"


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (GOOD.decode().encode("utf-16"), "UTF-8"),
        (GOOD + b"2013-07-01T01:00:00Z,20 \xb0C\n", "line 3"),
        (b"\x89PNG\r\n\x1a\n" + bytes(100), "UTF-8"),
        (b"PK\x03\x04" + bytes(100), "unpack"),
        (gzip.compress(GOOD * 20)[:-9], "cut short"),
        (b"\x1f\x8b" + b"nonsense" * 9, "gz"),
    ],
    ids=["utf-16", "latin-1", "picture", "zip", "cut-gzip", "no-gzip"],
)
def test_bytes_that_are_no_text_are_refused(data: bytes, words: str, tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"past\.csv") as refusal:
        read(tmp_path, data)
    assert words in str(refusal.value)


def test_missing_file_is_named(tmp_path: Path) -> None:
    with pytest.raises(SettingsError, match=r"nowhere\.csv"):
        read_hourly(tmp_path / "nowhere.csv", ZoneInfo("UTC"), NUMBERS, FETCHED)
    with pytest.raises(SettingsError, match=str(tmp_path.name)):
        read_hourly(tmp_path, ZoneInfo("UTC"), NUMBERS, FETCHED)


def test_byte_order_mark_and_windows_line_ends_change_nothing(tmp_path: Path) -> None:
    plain, _ = read(tmp_path, GOOD)
    marked, report = read(tmp_path, b"\xef\xbb\xbf" + GOOD.replace(b"\n", b"\r\n"))
    assert shown(marked.value("air_temperature_c")) == shown(plain.value("air_temperature_c"))
    assert report.findings == ()


def test_packed_file_reads_like_the_plain_one(tmp_path: Path) -> None:
    plain, _ = read(tmp_path, GOOD)
    packed, _ = read(tmp_path, gzip.compress(GOOD), name="past.csv.gz")
    assert packed.start_utc.tolist() == plain.start_utc.tolist()


def test_packed_file_that_unpacks_without_end_is_refused_before_it_fills_the_memory(tmp_path: Path) -> None:
    bomb = gzip.compress(b"start_utc,air_temperature_c\n" + b"\n" * (LARGEST_BYTES + 10), 9)
    assert len(bomb) < LARGEST_BYTES / 100
    with pytest.raises(SettingsError, match="MB"):
        read(tmp_path, bomb)


def test_stuck_instrument_is_left_out(tmp_path: Path) -> None:
    """Air and humidity unchanged for half a day and longer (WMO-No. 8, time consistency)."""
    begin = datetime(2013, 7, 1, tzinfo=UTC)
    lines = ["start_utc,air_temperature_c,relative_humidity_pct"]
    for hour in range(40):
        stands = 10 <= hour < 30
        air, humid = ("21.4", "63") if stands else (f"{20 + hour % 7 / 10}", f"{60 + hour % 5}")
        lines.append(f"{begin + timedelta(hours=hour):%Y-%m-%dT%H:00:00Z},{air},{humid}")
    table, report = read(tmp_path, "\n".join(lines).encode())
    assert np.isnan(table.value("air_temperature_c")[10:30]).all()
    assert np.isfinite(table.value("air_temperature_c")[:10]).all()
    assert ("stuck", "air_temperature_c", 20, 12) in [
        (one.rule, one.variable, one.count, one.first_line) for one in report.findings
    ]


def test_first_lines_of_many_faults_are_shown_and_the_rest_counted(tmp_path: Path) -> None:
    begin = datetime(2013, 1, 1, tzinfo=UTC)
    lines = ["start_utc,air_temperature_c"]
    lines += [f"{begin + timedelta(hours=hour):%Y-%m-%dT%H:00:00Z},x" for hour in range(5000)]
    lines.append("2013-12-01T00:00:00Z,5")
    _, report = read(tmp_path, "\n".join(lines).encode())
    (slips,) = (one for one in report.findings if one.rule == "no number")
    assert (slips.count, slips.first_line) == (5000, 2)
    assert len("\n".join(report.lines())) < 2000


def test_a_whole_year_comes_back_hour_by_hour(tmp_path: Path) -> None:
    begin = datetime(2013, 1, 1, tzinfo=UTC)
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(["start_utc", "air_temperature_c", "rain_mm", "weather_code"])
    for hour in range(8760):
        writer.writerow([f"{begin + timedelta(hours=hour):%Y-%m-%dT%H:00:00Z}", hour % 31, 0.2, hour % 90])
    table, report = read(tmp_path, out.getvalue().encode())
    assert table.hours == report.hours == 8760
    assert table.value("air_temperature_c").tolist() == [hour % 31 for hour in range(8760)]
    assert report.findings == ()
    assert table.provenance.fetched_at_utc == FETCHED
