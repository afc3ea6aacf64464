"""``advisor plan`` on the command line: exit codes, trees asked for, the agreed JSON."""

from __future__ import annotations

from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import TREES, Yard, as_json, with_highs_of

ASKED = "2013-06-18T06:00"
LEAVES_HARD = tuple(f"2013-05-20,,{tree},leaves-hard,,," for tree in ("wren", "linnet", "godwit", "plover"))
KEYS = {"schema", "garden", "asked_at", "weather", "works_per_day", "light_works_per_day"} | {
    "days", "also_ready", "closing", "resting", "cautions",
}  # fmt: skip
ENTRY = {"trees", "work", "with", "order", "effort", "day", "from", "until", "verdict", "reasons"} | {
    "prepare", "afterwards", "last_sensible_day", "last_sensible_why", "chance", "waiting",
}  # fmt: skip


@pytest.fixture
def mild(tmp_path: Path, weather: ForecastServer) -> Yard:
    weather.warp = with_highs_of(22.0)
    return Yard.write(tmp_path / "yard", weather, journal=LEAVES_HARD)


def test_plan_command_gives_every_agreed_key_and_keeps_the_setting(mild: Yard) -> None:
    garden = mild.folder / "garden.toml"
    text = garden.read_text(encoding="utf-8")
    garden.write_text(text.replace("[garden]\n", "[garden]\nworks_per_day = 1\n", 1), encoding="utf-8")
    done = mild.command("plan", "--json", now=ASKED)
    assert done.returncode == 0, done.stderr
    found = as_json(done)
    assert found.keys() >= KEYS
    assert (found["schema"], found["asked_at"]) == ("plan/1", "2013-06-18T10:00:00Z")
    assert (found["works_per_day"], found["light_works_per_day"]) == (1, 2)
    majors = [
        (tree, entry["day"])
        for day in found["days"]
        for entry in day["entries"]
        if entry["effort"] == "major"
        for tree in entry["trees"]
    ]
    assert majors, "strong maples with hard leaves in mild June weather are ready (common practice)"
    assert len({day for _, day in majors}) == len(majors), "one a day"
    for day in found["days"]:
        assert all(entry.keys() >= ENTRY for entry in day["entries"])
    spoken = {tree for day in found["days"] for entry in day["entries"] for tree in entry["trees"]}
    spoken |= {tree for entry in found["also_ready"] for tree in entry["trees"]}
    assert spoken | {one["tree"] for one in found["resting"]} == set(TREES)
    alone = as_json(mild.command("plan", majors[-1][0], "--json", now=ASKED))
    days = [entry["day"] for day in alone["days"] for entry in day["entries"]]
    assert days == [majors[-1][1]], "asked alone, its day stays"


def test_plan_command_text_and_wrong_words(mild: Yard) -> None:
    done = mild.command("plan", "@open-bench", now=ASKED)
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Gantry Yard: plan, Tue 18 Jun to Thu 27 Jun\n")
    assert max(map(len, done.stdout.splitlines())) <= 78
    for word in ("linet", "@open-bnch"):
        wrong = mild.command("plan", word, now=ASKED)
        assert (wrong.returncode, wrong.stdout) == (2, "")
        assert "did you mean" in wrong.stderr


def test_plan_command_heavy_heat_plans_no_stripping(tmp_path: Path, weather: ForecastServer) -> None:
    weather.warp = with_highs_of(38.0)
    yard = Yard.write(tmp_path / "hot", weather, journal=LEAVES_HARD)
    found = as_json(yard.command("plan", "--json", now=ASKED))
    works = {
        work for day in found["days"] for entry in day["entries"] for work in (entry["work"], *entry["with"])
    }
    assert not works & {"defoliate", "big-cut", "part-defoliate"}
    assert found["resting"]


def test_plan_command_without_weather_is_3(yard: Yard) -> None:
    yard.weather.fail("server-error")
    done = yard.command("plan", "--json", now=ASKED)
    assert done.returncode == 3
    found = as_json(done)
    assert found["weather"] is None
    assert not any(day["entries"] for day in found["days"])
    assert {one["tree"] for one in found["resting"]} == set(TREES)
