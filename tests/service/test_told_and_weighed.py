"""What a digest told on water is kept and taken as done; what weights taught stands in the answers."""

from __future__ import annotations

from collections.abc import Iterator
from datetime import UTC, datetime
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import SUMMER_JOURNAL, Yard, as_json, local

from advisor.exposure.water_known import ToldWatering
from advisor.service.told_watering import told_watering
from advisor.store.config_files import load_tables
from advisor.store.database import Store

WEIGHTS = (
    "2013-07-05,07:00,plover,watered,,,",
    "2013-07-05,08:00,plover,weighed,4.90,kg,",
    "2013-07-05,14:00,plover,weighed,4.70,kg,",
    "2013-07-06,07:00,plover,watered,,,",
    "2013-07-06,08:00,plover,weighed,4.91,kg,",
    "2013-07-06,14:00,plover,weighed,4.71,kg,",
    "2013-07-07,08:00,plover,weighed,49.0,kg,a slip",
)


@pytest.fixture(scope="module")
def yard(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    folder = tmp_path_factory.mktemp("told")
    with ForecastServer(datetime(2013, 7, 13, 10, tzinfo=UTC)) as weather:
        yard = Yard.write(folder / "yard", weather, journal=(*SUMMER_JOURNAL, *WEIGHTS))
        assert yard.tick("2013-07-13T06:00").exit_code == 0
        assert yard.tick("2013-07-13T06:15").exit_code == 0
        yield yard


def told_of(folder: Path, now: str) -> tuple[ToldWatering, ...]:
    at = local(now)
    with Store.open(folder / "state", at, None) as store:
        return told_watering(store, at, load_tables().operation)


def test_digest_keeps_what_it_told_once(yard: Yard) -> None:
    (told,) = told_of(yard.folder, "2013-07-13T20:00")
    assert told.from_utc == local("2013-07-13T06:00")
    assert told.until_utc == local("2013-07-14T00:00")
    assert {"wren", "godwit", "plover"} <= told.of
    times = {slot.at_utc for slot in told.slots}
    assert times == {local(f"2013-07-13T{hour}:00") for hour in ("07", "13", "19")}
    first = min(told.slots, key=lambda slot: slot.at_utc)
    # stripped nine days ago: looked at, not watered
    assert "wren" in first.check
    assert not any("wren" in slot.water for slot in told.slots)


def test_digest_of_the_future_tells_nothing_yet(yard: Yard) -> None:
    assert told_of(yard.folder, "2013-07-13T05:00") == ()


def test_digest_and_what_is_kept_say_the_same(yard: Yard) -> None:
    (told,) = told_of(yard.folder, "2013-07-13T20:00")
    today = as_json(yard.command("today", "--json", now="2013-07-13T06:30"))
    for slot in told.slots:
        stamp = slot.at_utc.strftime("%Y-%m-%dT%H:%M:%SZ")
        said = {
            tree
            for piece in today["advice"]
            if piece["from"] == stamp and piece["id"][6:10].isdigit() and piece["id"].startswith("water-")
            for tree in piece["trees"]
        }
        assert said == slot.water


def test_tree_says_what_its_weights_taught_and_which_line_is_doubtful(yard: Yard) -> None:
    text = " ".join(yard.command("tree", "plover", now="2013-07-13T06:30").stdout.split())
    assert "times what its size class would" in text
    assert "from 4 weighings" in text
    assert "49 kg does not fit the others; was it 4.90 kg?" in text
    for words in ("Without watering it reaches its limit", "Waterings to come by the balance", "Rain that"):
        assert words in text
    other = " ".join(yard.command("tree", "godwit", now="2013-07-13T06:30").stdout.split())
    assert "rests on its size class" in other


def test_json_has_litres_by_watering_time_rain_cover_and_thirst(yard: Yard) -> None:
    today = as_json(yard.command("today", "--json", now="2013-07-13T06:30"))
    water = {row["tree"]: row["water"] for row in today["trees"]}
    plover = water["plover"]
    assert {"left_share", "dry_at", "use_today_l", "known", "waterings", "rain_today_mm"} <= set(plover)
    assert plover["covered"] is False
    assert all(0.0 < one["l"] < 1.0 and one["at"].endswith("Z") for one in plover["waterings"])
    thirst = plover["thirst"]
    assert thirst["weighings"] == 4
    assert 0.3 < thirst["factor"] < 3.0
    assert 0.0 < thirst["spread"] < 0.4 * thirst["factor"]
    assert len(thirst["doubtful"]) == 1
    assert water["godwit"]["thirst"] is None
