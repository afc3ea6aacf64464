"""Exit codes, keys and columns that others rely on, each command in a process of its own.

The lists are those of the published interface, written out here by hand.
"""

from __future__ import annotations

import csv
import io
import json
import re
import sqlite3
import subprocess
import sys
from collections.abc import Iterator
from contextlib import closing
from datetime import UTC, datetime
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from servers.observations import observed
from service.pass_garden import HEADER, REPOSITORY, TREES, Yard, advisor, as_json, environment

NOW = "2013-07-13T07:00"
W_KEYS = {"source", "issued_at", "age_h", "covers_until", "derived", "missing", "members"}
TODAY_KEYS = {"schema", "garden", "day", "asked_at", "weather", "advice", "trees"}
ADVICE_KEYS = {"id", "kind", "urgency", "trees", "do", "from", "until", "amount", "chance", "reasons"}
REASON_KEYS = {"quantity", "value", "unit", "limit", "at", "set_by", "source"}
TREE_KEYS = {
    "tree", "stage", "stage_known", "flags", "place", "water", "leaf_max_c", "pot_max_c", "night_min_c",
    "direct_sun_h",
}  # fmt: skip
WEATHER_COLUMNS = (
    "start_utc,air_temperature_c,dew_point_c,relative_humidity_pct,wind_speed_10m_m_s,wind_gust_m_s,"
    "rain_mm,shortwave_w_m2,cloud_cover_pct,pressure_hpa,weather_code,reference_et_mm,source"
)
EXPOSURE_COLUMNS = (
    "start_utc,direct_sun_share,shortwave_w_m2,leaf_temperature_c,vpd_kpa,wind_m_s,gust_m_s,"
    "rain_reaching_pot_mm,water_use_l,water_left_share,pot_rim_c,pot_core_c,bench_temperature_c,wet_bulb_c"
)
UTC_TEXT = re.compile(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\dZ")


@pytest.fixture(scope="module")
def ticked(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """A garden whose digest of 13 July has gone; commands that only read may share it."""
    folder = tmp_path_factory.mktemp("ticked")
    with ForecastServer(datetime(2013, 7, 13, 10, tzinfo=UTC)) as weather:
        yard = Yard.write(folder / "yard", weather)
        assert yard.tick("2013-07-13T06:00").exit_code == 0
        assert yard.tick(NOW).exit_code == 0
        yield yard


def modules_of(done: subprocess.CompletedProcess[str]) -> set[str]:
    """Top packages that a run with ``-X importtime`` imported."""
    rows = [
        line.rsplit("|", 1)[1].strip() for line in done.stderr.splitlines() if line.startswith("import time:")
    ]
    return {row.split(".")[0] for row in rows}


def with_import_times(*words: str) -> subprocess.CompletedProcess[str]:
    return subprocess.run(
        [sys.executable, "-X", "importtime", "-m", "advisor.cli", *words],
        capture_output=True, text=True, timeout=120, env=environment(), check=False,
    )  # fmt: skip


# --- reading commands ------------------------------------------------------------------------------


def test_today_json_has_every_agreed_key(ticked: Yard) -> None:
    done = ticked.command("today", "--json", now=NOW)
    told = as_json(done)
    assert done.returncode == 0
    assert told.keys() >= TODAY_KEYS
    assert (told["schema"], told["garden"], told["day"]) == ("today/1", "Gantry Yard", "2013-07-13")
    assert told["asked_at"] == "2013-07-13T11:00:00Z"
    assert told["weather"].keys() >= W_KEYS
    assert told["weather"]["source"] == "open-meteo"
    assert {tree["tree"] for tree in told["trees"]} == set(TREES)
    for piece in told["advice"]:
        assert piece.keys() >= ADVICE_KEYS
        assert piece["kind"] in {"water", "shade", "shelter", "work", "due", "alert"}
        assert piece["urgency"] in {"now", "today", "week", "note"}
        assert piece["reasons"], piece["id"]
        assert all(reason.keys() >= REASON_KEYS for reason in piece["reasons"])
        assert piece["amount"] is None or piece["amount"].keys() == {"value", "unit"}
        assert piece["chance"] is None or 0.0 <= piece["chance"] <= 1.0
        assert set(piece["trees"]) <= set(TREES)
        for end in ("from", "until"):
            assert piece[end] is None or UTC_TEXT.fullmatch(piece[end])
    assert len({piece["id"] for piece in told["advice"]}) == len(told["advice"])
    for tree in told["trees"]:
        assert tree.keys() >= TREE_KEYS
        assert "BBCH" in tree["stage"]
        assert tree["water"].keys() >= {"left_share", "dry_at", "use_today_l"}
        assert 0.0 <= tree["water"]["left_share"] <= 1.0
        for flag in tree["flags"]:
            assert flag.keys() >= {"flag", "day", "expected_end"}
            assert len(flag["expected_end"]) == 2
    (wren,) = (tree for tree in told["trees"] if tree["tree"] == "wren")
    assert [flag["flag"] for flag in wren["flags"]] == ["leafless"]


def test_same_moment_same_answer_and_questions_write_no_message(ticked: Yard) -> None:
    with closing(sqlite3.connect(next((ticked.folder / "state").glob("*.sqlite3")))) as store:
        before = store.execute("SELECT count(*) FROM outbox").fetchone()
    first, second = (ticked.command("today", "--json", now=NOW).stdout for _ in range(2))
    assert first == second
    with closing(sqlite3.connect(next((ticked.folder / "state").glob("*.sqlite3")))) as store:
        assert store.execute("SELECT count(*) FROM outbox").fetchone() == before


def test_today_as_text_goes_to_stdout_alone(ticked: Yard) -> None:
    done = ticked.command("today", now=NOW)
    assert (done.returncode, done.stderr) == (0, "")
    assert "MUST DO" in done.stdout
    assert "37 °C" in done.stdout


def test_weather_csv_has_the_agreed_columns(ticked: Yard) -> None:
    done = ticked.command("weather", "--csv", now=NOW)
    assert done.returncode == 0
    assert done.stdout.splitlines()[0] == WEATHER_COLUMNS
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    (warm,) = (row for row in rows if row["start_utc"] == "2013-07-18T18:00:00Z")
    reported_f = observed("LGA")[datetime(2013, 7, 18, 18, tzinfo=UTC)].temperature_f
    assert reported_f is not None
    assert float(warm["air_temperature_c"]) == pytest.approx((reported_f - 32.0) / 1.8, abs=0.06)
    assert warm["cloud_cover_pct"] == "", "not observed: an empty field, no guess"
    assert {row["source"] for row in rows} == {"open-meteo"}


def test_exposure_csv_has_the_agreed_columns(ticked: Yard) -> None:
    done = ticked.command("exposure", "linnet", "--csv", now=NOW)
    assert done.returncode == 0
    assert done.stdout.splitlines()[0] == EXPOSURE_COLUMNS
    rows = list(csv.DictReader(io.StringIO(done.stdout)))
    night = [row for row in rows if row["start_utc"].startswith("2013-07-18T05:")]
    assert [float(row["direct_sun_share"]) for row in night] == [0.0]


@pytest.mark.parametrize(
    "words",
    [
        ("weather", "--json"),
        ("exposure", "wren", "--json"),
        ("tree", "wren", "--json"),
        ("check", "--json"),
        ("health", "--json"),
    ],
)
def test_every_reading_command_gives_json_with_its_schema(ticked: Yard, words: tuple[str, ...]) -> None:
    done = ticked.command(*words, now=NOW)
    assert done.returncode == 0, done.stderr
    assert as_json(done)["schema"] == f"{words[0]}/1"
    assert "NaN" not in done.stdout


def test_tree_in_words_says_state_and_why(ticked: Yard) -> None:
    done = ticked.command("tree", "wren", now=NOW)
    assert done.returncode == 0
    assert "bare after stripping" in done.stdout


def test_garden_and_now_stand_before_or_after_the_command(ticked: Yard) -> None:
    place, at = str(ticked.folder), "2013-07-13T07:00"  # no offset: garden time
    before = advisor("--garden", place, "--now", at, "today", "--json")
    after = advisor("today", "--garden", place, "--json", "--now", at)
    mixed = advisor("--now", at, "today", "--json", env={"ADVISOR_GARDEN": place})
    here = advisor("today", "--json", "--now", "2013-07-13T11:00:00Z", cwd=ticked.folder)
    assert before.stdout == after.stdout == mixed.stdout == here.stdout
    assert as_json(before)["asked_at"] == "2013-07-13T11:00:00Z"


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("today", "--now", "noon"), "2026-07-14T06:00"),
        (("tree", "wrenn"), "wren"),
        (("exposure", "nobody"), "no tree"),
        (("log", "wren", "defoliatd"), "defoliated"),
        (("log", "wren"), "log wants"),
        (("sing",), "No such command"),
        (("suits",), "WORK"),
    ],
)
def test_wrong_arguments_are_2_with_the_right_word_on_stderr(
    ticked: Yard, words: tuple[str, ...], said: str
) -> None:
    before = (ticked.folder / "journal.csv").read_bytes()
    given = ["--garden", str(ticked.folder), *([] if "--now" in words else ["--now", NOW])]
    done = advisor(*given, *words)
    assert (done.returncode, done.stdout) == (2, "")
    assert said in done.stderr
    assert "Traceback" not in done.stderr
    assert (ticked.folder / "journal.csv").read_bytes() == before


def test_one_faulty_tree_is_named_and_the_others_are_answered(yard: Yard) -> None:
    path = yard.folder / "garden.toml"
    path.write_text(path.read_text().replace('"ulmus-parvifolia"', '"ulmus-parvifola"'), encoding="utf-8")
    done = yard.command("today", "--json", now=NOW)
    assert done.returncode == 1
    assert "ulmus-parvifolia" in done.stderr
    assert {tree["tree"] for tree in as_json(done)["trees"]} == set(TREES) - {"plover"}
    found = yard.command("check", "--json", now=NOW)
    assert found.returncode == 2
    (fault,) = as_json(found)["faults"]
    assert fault["file"] == "garden.toml"
    assert path.read_text().splitlines()[fault["line"] - 1].startswith(("species", "[[tree]]"))


def test_check_lists_every_fault_at_once(yard: Yard) -> None:
    journal = yard.folder / "journal.csv"
    journal.write_text(
        journal.read_text() + "2013-07-32,,wren,fed,,,\n2013-07-05,,wrn,fed,,,\n", encoding="utf-8"
    )
    service = yard.folder / "service.toml"
    service.write_text(service.read_text() + '[digest]\nat = "6 o\'clock"\n', encoding="utf-8")
    done = yard.command("check", now=NOW)
    assert done.returncode == 2
    for word in ("2013-07-32", "wrn", "o'clock", "journal.csv", "service.toml"):
        assert word in done.stdout
    assert yard.command("check", now=NOW).stdout == done.stdout


def test_check_of_a_good_garden_is_0(ticked: Yard) -> None:
    done = ticked.command("check", now=NOW)
    assert done.returncode == 0
    assert "8 trees" in done.stdout


# --- writing commands ------------------------------------------------------------------------------


def test_log_appends_a_line_and_undo_takes_it_back_by_appending(yard: Yard) -> None:
    path = yard.folder / "journal.csv"
    before = path.read_bytes()
    done = yard.command("log", "linnet", "watered", "--note", "by can", now=NOW)
    assert done.returncode == 0, done.stderr
    written = path.read_bytes()
    assert written.startswith(before), "never rewritten"
    (row,) = csv.reader(io.StringIO(written[len(before) :].decode()))
    assert row == ["2013-07-13", "07:00", "linnet", "watered", "", "", "by can"]
    undone = yard.command("log", "--undo", now="2013-07-13T07:05")
    assert undone.returncode == 0, undone.stderr
    assert path.read_bytes().startswith(written), "taken back by appending"
    assert yard.command("check", now="2013-07-13T07:10").returncode == 0


@pytest.mark.parametrize("who", ["@open-bench", "all"])
def test_log_takes_a_place_or_all(yard: Yard, who: str) -> None:
    assert yard.command("log", who, "watered", now=NOW).returncode == 0
    assert yard.command("check", now="2013-07-13T08:00").returncode == 0
    assert f",{who},watered," in (yard.folder / "journal.csv").read_text()


def test_log_makes_a_missing_journal(yard: Yard) -> None:
    (yard.folder / "journal.csv").unlink()
    assert yard.command("log", "wren", "weighed", "2.31", "kg", now=NOW).returncode == 0
    lines = (yard.folder / "journal.csv").read_text().splitlines()
    assert lines == [HEADER, "2013-07-13,07:00,wren,weighed,2.31,kg,"]


def test_health_says_1_before_the_first_pass_and_0_after_it(ticked: Yard, yard: Yard) -> None:
    never = yard.command("health", now=NOW)
    assert never.returncode == 1
    assert "no pass has run" in never.stderr
    fine = ticked.command("health", "--json", now="2013-07-13T07:20")
    assert fine.returncode == 0
    assert as_json(fine)["last_complete_pass"] == "2013-07-13T11:00:00Z"
    late = ticked.command("health", now="2013-07-13T20:00")
    assert late.returncode == 1


def test_backup_is_a_whole_database_on_its_own(ticked: Yard, tmp_path: Path) -> None:
    target = tmp_path / "copy.sqlite3"
    done = ticked.command("backup", "--out", str(target), now=NOW)
    assert (done.returncode, done.stdout.strip()) == (0, str(target))
    with closing(sqlite3.connect(target)) as copy:
        assert copy.execute("PRAGMA integrity_check").fetchone() == ("ok",)
        assert copy.execute("SELECT count(*) FROM ledger WHERE kind = 'digest'").fetchone() == (1,)


def test_start_writes_three_files_that_need_only_editing(tmp_path: Path) -> None:
    folder = tmp_path / "new"
    done = advisor("start", str(folder))
    assert done.returncode == 0
    assert {path.name for path in folder.iterdir() if path.is_file()} == {
        "garden.toml",
        "service.toml",
        "journal.csv",
    }
    assert advisor("--garden", str(folder), "--now", "2026-05-01T08:00:00Z", "check").returncode == 0
    before = (folder / "garden.toml").read_bytes()
    again = advisor("start", str(folder))
    assert again.returncode != 0, "a grower's files are never overwritten"
    assert (folder / "garden.toml").read_bytes() == before


def test_demo_writes_all_its_files_without_network(tmp_path: Path) -> None:
    shown = advisor("demo", "--out", str(tmp_path / "shown"), env={"https_proxy": "http://127.0.0.1:9"})
    assert shown.returncode == 0, shown.stderr
    names = {path.name for path in (tmp_path / "shown").iterdir()}
    assert names >= {"digest.txt", "digest.html", "digest.eml", "calendar.ics", "today.json"}
    assert any(name.endswith(".png") for name in names)
    assert (tmp_path / "shown" / "digest.txt").read_text(encoding="utf-8") in shown.stdout
    assert json.loads((tmp_path / "shown" / "today.json").read_text(encoding="utf-8")).keys() >= TODAY_KEYS


# --- start-up time ---------------------------------------------------------------------------------


def test_idle_tick_does_not_import_pandas(ticked: Yard) -> None:
    given = ("--garden", str(ticked.folder), "--now", "2013-07-13T07:10")
    done = with_import_times(*given, "tick")
    assert done.returncode == 0
    assert not modules_of(done) & {"pandas", "matplotlib", "pvlib", "scipy"}


def test_help_and_log_import_neither_numpy_nor_pandas(yard: Yard) -> None:
    heavy = {"numpy", "pandas", "matplotlib", "scipy", "pvlib"}
    assert not modules_of(with_import_times("--help")) & heavy
    done = with_import_times("--garden", str(yard.folder), "--now", NOW, "log", "wren", "fed")
    assert done.returncode == 0
    assert "click" in modules_of(done), "the listing must show what was imported"
    assert not modules_of(done) & heavy


def test_module_is_run_from_this_checkout() -> None:
    done = subprocess.run(
        [sys.executable, "-c", "import advisor; print(advisor.__file__)"],
        capture_output=True, text=True, env=environment(), check=True,
    )  # fmt: skip
    assert Path(done.stdout.strip()).is_relative_to(REPOSITORY)
