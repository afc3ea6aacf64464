"""``advisor replay`` from the command line: exit codes, ending in order, and a whole season behind ``long``.

Weather: as in test_replay.py.
"""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import pytest
from service.pass_garden import (
    HEADER,
    PLACES,
    SUMMER_JOURNAL,
    TREES,
    advisor,
    environment,
    highs_and_lows_c,
    tree_lines,
)
from service.past_records import hourly_csv


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """One tree, a journal, no settings but the defaults, and a record of fifty days."""
    yard = tmp_path / "yard"
    yard.mkdir()
    (yard / "garden.toml").write_text(PLACES + tree_lines(("godwit",)), encoding="utf-8")
    (yard / "journal.csv").write_text(f"{HEADER}\n2013-05-20,,godwit,leaves-hard,,,\n", encoding="utf-8")
    (yard / "service.toml").write_text("", encoding="utf-8")
    (yard / "past.csv").write_text(hourly_csv("LGA", date(2013, 6, 20), date(2013, 7, 28)))
    return yard


def words(folder: Path, last: str = "2013-07-15", *more: str) -> list[str]:
    record, out = str(folder / "past.csv"), str(folder / "out")
    return ["--garden", str(folder), "replay", "--from", "2013-07-15", "--to", last, "--weather", record,
            "--out", out, "--brief", *more]  # fmt: skip


def test_replay_gives_the_summary_on_stdout_and_the_rest_beside(folder: Path) -> None:
    done = advisor(*words(folder))
    assert done.returncode == 0, done.stderr
    assert done.stdout.startswith("Replay of Gantry Yard, 1 trees\n")
    assert done.stdout == (folder / "out" / "summary.txt").read_text()
    assert "day 1 of 1  100 %" in done.stderr
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize(
    ("given", "code", "said"),
    [
        (["replay", "--from", "2013-07-15"], 2, "--to"),
        (["replay", "--from", "15.7.2013", "--to", "2013-07-15"], 2, "--from: '15.7.2013'"),
        (["replay", "--from", "2013-07-16", "--to", "2013-07-15"], 2, "swap"),
        (["--now", "2013-07-15T06:00Z", "replay", "--from", "2013-07-15", "--to", "2013-07-15"], 2, "--now"),
        (["replay", "--from", "2013-07-15", "--to", "2013-07-15", "--weather", "no.csv"], 2, "no.csv"),
        (["replay", "--from", "2013-07-15", "--to", "2013-07-15"], 3, "--weather"),
    ],
)
def test_replay_that_cannot_be_done_says_why(folder: Path, given: list[str], code: int, said: str) -> None:
    done = advisor("--garden", str(folder), *given)
    assert done.returncode == code
    assert said in done.stderr
    assert done.stdout == ""
    assert "Traceback" not in done.stderr


@pytest.mark.parametrize("number", [signal.SIGTERM, signal.SIGINT])
def test_signal_ends_after_the_day_and_the_same_command_goes_on(folder: Path, number: signal.Signals) -> None:
    command = words(folder, "2013-07-16")
    running = subprocess.Popen(
        [sys.executable, "-m", "advisor.cli", *command], stderr=subprocess.PIPE, text=True, env=environment()
    )
    assert running.stderr is not None
    for line in running.stderr:
        if "day 1 of 2" in line:
            running.send_signal(number)
            break
    said = running.stderr.read()
    running.stderr.close()
    assert running.wait(60) == 1
    assert "run the same command" in said
    days = [json.loads(line)["day"] for line in (folder / "out" / "mornings.jsonl").read_text().splitlines()]
    assert days[:2] == ["2013-07-15"] * 2
    assert not (folder / "out" / "summary.txt").exists()
    done = advisor(*command)
    assert done.returncode == 0, done.stderr
    assert "going on after" in done.stderr
    passes = (folder / "out" / "mornings.jsonl").read_text().splitlines()
    assert [json.loads(line)["day"] for line in passes] == [
        f"2013-07-{day}" for day in (15, 16) for _ in range(2)
    ]


def season(folder: Path, *more: str) -> list[dict[str, Any]]:
    """March to November 2013 at LaGuardia with eight trees, one of them stripped in July; the passes."""
    folder.mkdir()
    (folder / "garden.toml").write_text(PLACES + tree_lines(tuple(TREES)), encoding="utf-8")
    (folder / "journal.csv").write_text("\n".join([HEADER, *SUMMER_JOURNAL, ""]), encoding="utf-8")
    (folder / "service.toml").write_text("", encoding="utf-8")
    (folder / "past.csv").write_text(hourly_csv("LGA", date(2013, 1, 1), date(2013, 12, 30)))
    command = ["--garden", str(folder), "replay", "--from", "2013-03-01", "--to", "2013-11-30", "--weather",
               str(folder / "past.csv"), "--out", str(folder / "out"), "--brief", *more]  # fmt: skip
    done = subprocess.run(
        [sys.executable, "-m", "advisor.cli", *command],
        capture_output=True,
        text=True,
        timeout=3500,
        env=environment(),
        check=False,
    )
    assert done.returncode == 0, done.stderr[-2000:]
    return [json.loads(line) for line in (folder / "out" / "mornings.jsonl").read_text().splitlines()]


def spans(passes: list[dict[str, Any]], kind: str) -> list[tuple[date, date]]:
    """First and last day of each warning of a kind."""
    return [
        (date.fromisoformat(mail["first_day"]), date.fromisoformat(mail["last_day"]))
        for one in passes
        for mail in one["messages"]
        if mail["kind"] == kind
    ]


def hold_whole(passes: list[dict[str, Any]]) -> None:
    """A digest a day, nothing failed, no day of 35 °C and no night below -1 °C without a warning."""
    digests = [one["day"] for one in passes for mail in one["messages"] if mail["kind"] == "digest"]
    assert digests == [str(date(2013, 3, 1) + timedelta(days=n)) for n in range(275)]
    assert [one["failures"] for one in passes if one["failures"]] == []
    reported = highs_and_lows_c("LGA")
    hot = [day for day, (high, _) in reported.items() if high >= 34.95]
    assert len(hot) >= 5
    heat = spans(passes, "heat")
    assert [day for day in hot if not any(first <= day <= last for first, last in heat)] == []
    cold = [day for day, (_, low) in reported.items() if low < -1.0 and day.month == 11]
    assert cold
    assert spans(passes, "frost")
    carried = {  # nights on end are one mail; the advice to carry in stands on each eve
        one["day"]
        for one in passes
        for piece in one["advice"]
        if piece["id"].startswith("alert-cold-") and "teal" in piece["trees"]
    }
    assert [day for day in cold if str(day - timedelta(days=1)) not in carried] == []


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_season_of_2013_with_perfect_forecasts_is_few_heat_mails_and_all_harm_told(tmp_path: Path) -> None:
    passes = season(tmp_path / "yard", "--error", "none")
    hold_whole(passes)
    mails = [mail for one in passes for mail in one["messages"] if mail["kind"] == "heat"]
    assert len(mails) <= 10, "few: the aim for a hot summer"


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_season_of_2013_with_forecasts_that_err_keeps_every_warning(tmp_path: Path) -> None:
    hold_whole(season(tmp_path / "yard", "--members", "10"))
