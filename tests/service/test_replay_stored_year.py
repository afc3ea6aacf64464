"""A past year that service.toml names is fetched, kept, and replayed from the store.

Real record: Giessen 2024 (Meteostat, CC BY 4.0; station data of Deutscher Wetterdienst), asked for in 2026.
"""

from __future__ import annotations

import json
from datetime import UTC, date, datetime, timedelta
from pathlib import Path

from servers.station_server import FIXTURES, StationServer, daily_file, hourly_file, stations_db

from advisor.service.clock import monotonic_s
from advisor.service.replay import run_replay
from advisor.service.replay_plan import ReplayPlan
from advisor.service.station_fetch import gather_observations
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.garden_files import GARDEN_FILE, load_garden_file
from advisor.store.service_files import SERVICE_FILE, load_service

ASKED = datetime(2026, 6, 1, 9, tzinfo=UTC)
GARDEN = """
[garden]
name = "Test yard"
latitude = 50.60
longitude = 8.65
elevation_m = 186
timezone = "Europe/Berlin"

[[place]]
id = "bench"
name = "Bench"

[[tree]]
id = "wren"
name = "Wren"
species = "acer-palmatum"
size = "chuhin"
place = "bench"
"""
RECORDS = {"dwd_hourly": ("1999-01-01", "2026-05-31"), "dwd_daily": ("1946-01-01", "2026-05-31")}
NEAR = {"id": "10532", "name": "Giessen", "place": (50.5833, 8.7, 186), "records": RECORDS}


def test_named_past_year_is_fetched_and_replayed_with_a_climate_of_earlier_years_only(tmp_path: Path) -> None:
    tables = load_tables()
    folder = tmp_path / "yard"
    folder.mkdir()
    (folder / GARDEN_FILE).write_text(GARDEN)
    (folder / "journal.csv").write_text(
        "date,time,tree,entry,amount,unit,note\n2024-04-10,,wren,leaves-open,,,\n"
    )
    with StationServer() as server:
        server.put("/stations.db", stations_db([NEAR]))
        server.put("/hourly/2024/10532.csv.gz", (FIXTURES / "hourly_10532_2024.csv.gz").read_bytes())
        server.put("/hourly/2025/10532.csv.gz", hourly_file(datetime(2025, 1, 1, tzinfo=UTC), 365 * 24))
        server.put("/hourly/2026/10532.csv.gz", hourly_file(datetime(2026, 1, 1, tzinfo=UTC), 150 * 24))
        for year in range(1996, 2026):
            server.put(f"/daily/{year}/10532.csv.gz", daily_file(year))
        (folder / SERVICE_FILE).write_text(
            '[weather]\ncontact = "grower@example.org"\n[weather.meteostat]\n'
            f'base_url = "{server.base_url}"\npast_years = [2024]\n'
        )
        settings = load_service(folder / SERVICE_FILE)
        garden = load_garden_file(folder / GARDEN_FILE, tables).garden
        assert garden is not None
        with Store.open(folder / "state", ASKED, "given") as store:
            for step in range(9):
                at = ASKED - timedelta(hours=3) + step * timedelta(minutes=15)
                gather_observations(store, settings, garden, at, monotonic_s, tables.operation)
        paths = server.paths
    assert paths.index("/hourly/2024/10532.csv.gz") < paths.index("/daily/2025/10532.csv.gz")
    plan = ReplayPlan(date(2024, 4, 22), date(2024, 4, 23), tmp_path / "out", error="none", brief=True)
    done = run_replay(folder, plan, ASKED)
    assert "meteostat:10532" in done.summary
    assert "Giessen, 28 years before the replay's first day" in done.summary  # 1996 to 2023
    lines = [json.loads(line) for line in (plan.out / "mornings.jsonl").read_text().splitlines()]
    assert [line["day"] for line in lines] == ["2024-04-22"] * 2 + ["2024-04-23"] * 2
    assert any(mail["kind"] == "frost" for line in lines for mail in line["messages"])  # the late frost


def test_year_that_is_not_kept_is_asked_for_in_words(tmp_path: Path) -> None:
    folder = tmp_path / "yard"
    folder.mkdir()
    (folder / GARDEN_FILE).write_text(GARDEN)
    (folder / SERVICE_FILE).write_text('[weather]\ncontact = "grower@example.org"\n')
    done = run_replay(folder, ReplayPlan(date(2019, 7, 1), date(2019, 7, 3), tmp_path / "out"), ASKED)
    assert done.exit_code == 3
    assert "past_years" in " ".join(done.lines)
    assert "2019" in " ".join(done.lines)
