"""A logger's file beside garden.toml: read, named when it cannot be, and never into the future."""

from __future__ import annotations

import tomllib
from datetime import UTC, date, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from advisor.store.config_files import load_tables
from advisor.store.garden_files import load_holdings

GARDEN = """
[garden]
name = "Test yard"
latitude = 48.0
longitude = 11.0
elevation_m = 500
timezone = "Europe/Berlin"

[[place]]
id = "bench"
thermometer = "bench.csv"

[[tree]]
id = "sorrel"
species = "acer-palmatum"
size = "shohin"
"""
SLIPS: list[dict[str, Any]] = tomllib.loads(
    Path(__file__).with_name("logger_slips.toml").read_text(encoding="utf-8")
)["case"]
NOW = datetime(2026, 4, 14, 18, tzinfo=UTC)
BEGIN = datetime(2026, 4, 11, tzinfo=UTC)


def yard(folder: Path, lines: list[str] | None) -> Path:
    (folder / "garden.toml").write_text(GARDEN, encoding="utf-8")
    if lines is not None:
        (folder / "bench.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return folder


def hours(begin: datetime, count: int, local: bool = False) -> list[str]:
    """Five degrees, but -3 at 5 o'clock and 12 at 15, by the garden's clock."""
    rows = []
    for n in range(count):
        at = begin + timedelta(hours=n)
        clock = at.hour if local else (at.hour + 2) % 24
        air = -3.0 if clock == 5 else 12.0 if clock == 15 else 5.0 + 0.1 * (n % 7)
        rows.append(f"{at:%Y-%m-%dT%H:%M:%S}{'' if local else 'Z'},{air:.1f}")
    return rows


@pytest.mark.parametrize("local", [False, True])
def test_a_loggers_hours_become_nights_and_days(tmp_path: Path, local: bool) -> None:
    head = "start_local,temperature_c" if local else "start_utc,temperature_c"
    folder = yard(tmp_path, [head, *hours(BEGIN, 84, local)])
    holdings, faults = load_holdings(folder, load_tables(), NOW)
    assert faults == ()
    assert holdings is not None
    lowest = {one.day: one.air_c for one in holdings.readings if one.kind == "night-min"}
    highest = {one.day: one.air_c for one in holdings.readings if one.kind == "day-max"}
    assert lowest == {date(2026, 4, day): -3.0 for day in (12, 13, 14)}
    assert {date(2026, 4, 12): 12.0, date(2026, 4, 13): 12.0}.items() <= highest.items()
    assert {one.place_id for one in holdings.readings} == {"bench"}


def test_hours_to_come_do_not_count(tmp_path: Path) -> None:
    folder = yard(tmp_path, ["start_utc,temperature_c", *hours(BEGIN, 24 * 9)])
    holdings, _ = load_holdings(folder, load_tables(), NOW)
    assert holdings is not None
    assert max(one.day for one in holdings.readings) <= date(2026, 4, 14)


@pytest.mark.parametrize(
    ("lines", "words"),
    [
        (None, ["cannot be read"]),
        (["time;temp", "1;2"], ["semicolons"]),
        (["start_utc,temperature_f", "2026-04-11T00:00:00Z,40"], ["temperature_f"]),
        (["start_utc,temperature_c", "yesterday,40"], ["no hour"]),
    ],
)
def test_a_file_that_cannot_be_read_is_named_and_costs_only_its_readings(
    tmp_path: Path, lines: list[str] | None, words: list[str]
) -> None:
    holdings, faults = load_holdings(yard(tmp_path, lines), load_tables(), NOW)
    assert holdings is not None
    assert len(holdings.trees) == 1
    assert holdings.readings == ()
    assert faults
    assert {fault.file for fault in faults} == {"bench.csv"}
    assert {fault.drops for fault in faults} == {"thermometer of bench"}
    for word in words:
        assert word in " ".join(str(fault) for fault in faults)


@pytest.mark.parametrize("name", ["../bench.csv", "/etc/passwd", "", ".hidden"])
def test_a_name_that_leads_out_of_the_folder_is_refused(tmp_path: Path, name: str) -> None:
    folder = yard(tmp_path, None)
    text = GARDEN.replace('thermometer = "bench.csv"', f'thermometer = "{name}"')
    (folder / "garden.toml").write_text(text, encoding="utf-8")
    _, faults = load_holdings(folder, load_tables(), NOW)
    assert any(fault.key == "place[1].thermometer" for fault in faults)


@pytest.mark.parametrize("case", SLIPS, ids=lambda case: case["id"])
def test_faulty_rows_are_counted_with_rule_and_line_and_cost_only_their_hours(
    tmp_path: Path, case: dict[str, Any]
) -> None:
    lines = ["start_utc,temperature_c", *hours(BEGIN, 84)]
    for line, row in case["rows"].items():
        lines[int(line) - 1] = row
    if "stuck" in case:
        begin, end, value = case["stuck"]
        for line in range(begin, end):
            lines[line - 1] = f"{lines[line - 1].split(',')[0]},{value}"
    holdings, faults = load_holdings(yard(tmp_path, lines), load_tables(), NOW)
    assert faults == (), "the file as a whole is good"
    assert holdings is not None
    assert holdings.readings, "the other hours count"
    assert all(-10.0 < one.air_c < 15.0 for one in holdings.readings)
    assert len(holdings.slips) == len(case["said"]), [str(slip) for slip in holdings.slips]
    for slip, (rule, line, count) in zip(holdings.slips, case["said"], strict=True):
        assert slip.found.startswith(rule)
        assert (f"{count} " if count > 1 else "once") in slip.found
        if rule == "stuck":
            begins = BEGIN + timedelta(hours=line - 2)
            assert f"{begins:%Y-%m-%d %H:%M}" in slip.found
        else:
            assert slip.line == line
        assert slip.file == "bench.csv"
        assert slip.wanted
        assert "thermometer at" in slip.drops


def test_a_room_may_keep_its_warmth_for_days(tmp_path: Path) -> None:
    """Common practice: a cellar or a heated room shows one value for days, and that is true."""
    lines = ["start_utc,temperature_c", *hours(BEGIN, 84)]
    for line in range(12, 60):
        lines[line - 1] = f"{lines[line - 1].split(',')[0]},5.0"
    folder = yard(tmp_path, lines)
    text = (folder / "garden.toml").read_text(encoding="utf-8")
    out_of_doors, _ = load_holdings(folder, load_tables(), NOW)
    (folder / "garden.toml").write_text(
        text.replace('thermometer = "bench.csv"', 'thermometer = "bench.csv"\nshelter_level = 5'),
        encoding="utf-8",
    )
    in_a_room, _ = load_holdings(folder, load_tables(), NOW)
    assert out_of_doors is not None
    assert in_a_room is not None
    assert in_a_room.slips == ()
    assert len(in_a_room.readings) > len(out_of_doors.readings)
