"""Judging a replay: ten invented days counted by hand, pots on paper, folders that are not whole.

The counts and where they come from: judged_folder.toml.
"""

from __future__ import annotations

import csv
import gzip
import io
import json
import math
from pathlib import Path
from statistics import median

import numpy as np
import pytest
from service.judged_garden import CASES, day_of, truth_csv, write_folder
from service.pass_garden import advisor

from advisor.errors import DataGap, SettingsError
from advisor.message.judgement import Judged, WarningScore
from advisor.service.judging import Verdict, judge_folders
from advisor.service.judging_shade import count_hours
from advisor.service.judging_truth import work_out_truth
from advisor.service.judging_water import run_pots
from advisor.store.config_files import load_tables
from advisor.store.replayed_folder import read_replayed


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_folder(tmp_path_factory.mktemp("replays") / "pencil")


@pytest.fixture(scope="module")
def verdict(folder: Path) -> Verdict:
    return judge_folders([folder])


def row_of(judged: Judged, hazard: str, truth: str, by: str) -> WarningScore:
    (found,) = (row for row in judged.warnings if row.key == (hazard, truth, by))
    return found


def counts_of(row: WarningScore) -> list[int]:
    table = row.table
    return [table.hits, table.misses, table.false_alarms, table.correct_negatives]


# --- warnings ---------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "case", CASES["warnings"], ids=lambda case: f"{case['hazard']}, {case['truth']}, {case['by']}"
)
def test_warnings_of_ten_days_are_counted_as_by_hand(verdict: Verdict, case) -> None:
    row = row_of(verdict.judged[0], case["hazard"], case["truth"], case["by"])
    assert counts_of(row) == case["counts"]
    assert row.table.unknown == 0
    assert row.mails == case["mails"]
    if "events" in case:
        assert (row.events, len(row.lead_h)) == (case["events"], case["events_warned"])
    if "lead_h" in case:
        assert list(row.lead_h) == case["lead_h"]
    for ratio, value in case.get("value_at", {}).items():
        at = [round(one, 6) for one in row.ratios].index(float(ratio.replace("_", ".")))
        assert row.values[at] == pytest.approx(value, abs=5e-5)
    if "brier" in case:
        assert row.brier is not None
        assert row.brier.score == pytest.approx(case["brier"])
        assert row.brier.days == case["brier_days"]


def test_always_finds_everything_never_nothing_and_no_value_is_above_one(verdict: Verdict) -> None:
    for row in verdict.judged[0].warnings:
        assert all(value <= 1.0 for value in row.values)
        if row.by == "always":
            assert row.table.probability_of_detection == 1.0
        if row.by == "never":
            assert row.table.probability_of_detection == 0.0
            never, always = row.values, row_of(verdict.judged[0], row.hazard, row.truth, "always").values
            assert np.maximum(never, always) == pytest.approx(0.0, abs=1e-9), "the cheaper of the two"
    known = row_of(verdict.judged[0], "heat", "32 °C reached", "over 32 °C")
    assert np.array(known.values) == pytest.approx(1.0), "who knows the weather is perfect at telling it"
    assert [round(ratio, 2) for ratio in known.ratios] == [round(n / 20, 2) for n in range(1, 11)]


def test_a_rule_that_speaks_when_harm_has_begun_misses_it_and_always_does_not(tmp_path: Path) -> None:
    """Harm begins at 12:00 on every hot day; the word at 12:00 is too late."""
    folder = write_folder(tmp_path / "noon")
    (folder / "service.toml").write_text('[weather]\n[digest]\nat = "12:00"\n', encoding="utf-8")
    judged = judge_folders([folder]).judged[0]
    assert counts_of(row_of(judged, "heat", "harm", "over 32 °C")) == [0, 4, 1, 5]
    assert row_of(judged, "heat", "harm", "always").table.probability_of_detection == 1.0


def test_a_day_without_true_weather_is_left_out_and_counted(tmp_path: Path) -> None:
    gap = CASES["gap"]
    judged = judge_folders([write_folder(tmp_path / "gap", blank_day=gap["day"])]).judged[0]
    row = row_of(judged, "heat", "harm", "alert mails")
    assert counts_of(row) == gap["counts"]
    assert row.table.unknown == gap["unknown_days"]
    assert judged.counts["hours without true temperature"] == 24
    assert row_of(judged, "frost", "harm", "never").table.unknown >= 1, "the night that begins on that day"


def write_told(folder: Path, hot_c: float) -> Path:
    """The folder with a standing measure for ember in one digest."""
    path = write_folder(folder, hot_c=hot_c) / "mornings.jsonl"
    rows = [json.loads(line) for line in path.read_text(encoding="utf-8").splitlines()]
    for row in rows:
        if row["day"] == str(day_of(CASES["told"]["day"])) and row["advice"]:
            row["advice"].append(dict(row["advice"][0], id="standing-heat-bench:ember", kind="shade"))
    path.write_text("\n".join(json.dumps(row) for row in rows) + "\n", encoding="utf-8")
    return folder


def test_a_tree_told_to_be_moved_for_good_counts_only_well_beyond_its_limit(tmp_path: Path) -> None:
    case = CASES["told"]
    judged = judge_folders([write_told(tmp_path / "told", case["hot_c"])]).judged[0]
    misses = {row.truth: row.table.misses for row in judged.warnings if row.key[::2] == ("heat", "never")}
    hot = judge_folders([write_told(tmp_path / "hotter", 38.0)]).judged[0]
    for truth in ("harm", "harm, not told as standing"):
        assert counts_of(row_of(hot, "heat", truth, "never")) == [0, 4, 0, 6], "each far beyond its limit"
    assert misses["harm"] == case["misses_harm"]
    assert misses["harm, not told as standing"] == case["misses_not_told"]
    (shade,) = (row for row in judged.shade if row.way == "with")
    assert shade.tree_days == case["tree_days"]


# --- water and shade ----------------------------------------------------------------------------------


def with_gaps(values: list) -> np.ndarray:
    return np.array([[np.nan if value == "gap" else float(value) for value in values]])


@pytest.mark.parametrize("case", CASES["pot"], ids=lambda case: str(case["left_l"][-1]))
def test_pot_on_paper_dries_as_reckoned(case) -> None:
    use, rain = with_gaps(case["use_l"]), with_gaps(case["rain_l"])
    full = np.zeros(use.shape, dtype=bool)
    full[0, [hour - 1 for hour in case["water_before_hours"]]] = True
    run = run_pots(
        use, rain, np.array([1.0]), full, np.full(use.shape, np.nan), limit_share=0.3, stress_from_share=0.45
    )
    assert run.left_l[0] == pytest.approx(case["left_l"], abs=5e-5)
    assert run.dry_h[0] == case["dry_h"]
    assert run.unknown_h[0] == case.get("unknown_h", 0)
    assert run.litres[0] == pytest.approx(case["litres"])
    assert run.waterings[0] == case["waterings"]


def test_a_pot_that_is_looked_at_is_watered_only_when_dry_enough() -> None:
    """0.9 left at the first look, 0.6 at the second: with "two thirds or less" only the second waters."""
    use = np.full((1, 6), 0.1)
    look = np.array([[np.nan, 0.67, np.nan, np.nan, 0.67, np.nan]])
    run = run_pots(
        use, np.zeros((1, 6)), np.ones(1), np.zeros((1, 6), dtype=bool), look,
        limit_share=0.3, stress_from_share=0.45,
    )  # fmt: skip
    assert run.waterings[0] == 1
    assert run.left_l[0] == pytest.approx([0.9, 0.8, 0.7, 0.6, 0.9, 0.8])


def test_waterings_follow_the_digest_and_the_clock(verdict: Verdict) -> None:
    rows = {row.way: row for row in verdict.judged[0].water if row.size == "all"}
    assert {way: row.waterings for way, row in rows.items()} == CASES["waterings"]
    once, twice = rows["clock, once a day"], rows["clock, twice a day"]
    assert twice.dry_h <= once.dry_h <= rows["as advised"].dry_h, "five waterings in ten days are too few"
    for way, whole in rows.items():
        sizes = [row for row in verdict.judged[0].water if row.way == way and row.size != "all"]
        assert sum(row.dry_h for row in sizes) == whole.dry_h
        assert sum(row.pots for row in sizes) == whole.pots == 3


def test_leaf_hours_above_the_limit_are_counted_as_by_hand(verdict: Verdict) -> None:
    found = {row.way: row.leaf_hours for row in verdict.judged[0].shade}
    assert found == CASES["leaf_hours"]


def test_a_net_that_takes_nine_tenths_of_the_sun_does_what_deep_shade_does(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "net")
    path = folder / "mornings.jsonl"
    net = '"amount": {"value": 0.9, "unit": "share"}'
    rows = path.read_text(encoding="utf-8").splitlines()
    rows = [
        row.replace("shade-move-shade-ember", "shade-net-ember").replace('"amount": null', net)
        for row in rows
    ]
    path.write_text("\n".join(rows) + "\n", encoding="utf-8")
    found = {row.way: row.leaf_hours for row in judge_folders([folder]).judged[0].shade}
    assert found == CASES["leaf_hours"]


def told_as(folder: Path, name: str) -> Verdict:
    """The folder judged with its moves into the shade told under another id."""
    path = write_folder(folder) / "mornings.jsonl"
    text = path.read_text(encoding="utf-8").replace("shade-move-shade-ember", f"{name}-shade-ember")
    path.write_text(text, encoding="utf-8")
    return judge_folders([folder])


def test_a_tree_that_makes_room_is_followed_to_where_it_goes_but_warned_of_nothing(tmp_path: Path) -> None:
    verdict = told_as(tmp_path / "room", "shade-room")
    assert {row.way: row.leaf_hours for row in verdict.judged[0].shade} == CASES["leaf_hours"]
    assert counts_of(row_of(verdict.judged[0], "heat", "harm", "digest"))[0] == 0


def test_a_move_into_the_light_is_made_by_the_day_after_it_was_told(tmp_path: Path) -> None:
    """It has a week: told on days 3, 4, 5, 6 and 8, hot days 4 and 5 are met elsewhere, 3 and 8 are not."""
    verdict = told_as(tmp_path / "light", "shade-light")
    hours = {row.way: row.leaf_hours for row in verdict.judged[0].shade}
    assert hours == {"without": CASES["leaf_hours"]["without"], "with": 8.0}
    assert counts_of(row_of(verdict.judged[0], "heat", "harm", "digest"))[0] == 0


def test_states_are_folded_by_the_practice_of_the_garden(tmp_path: Path) -> None:
    """What a grower's own settings change in a state counts in judging as it did in the advice."""
    folder = write_folder(tmp_path / "practice")
    garden = folder / "garden.toml"
    own = '\n[practice]\nfeed_after_repotting = "three-weeks"\n'
    garden.write_text(garden.read_text(encoding="utf-8") + own, encoding="utf-8")
    tables = load_tables()
    truth = work_out_truth(read_replayed(folder, tables), tables)
    assert truth.tables.flags["repotted"].numbers.value("no_feed_d", "d") == 21.0, (
        "three weeks, as the setting says"
    )


def test_hours_of_a_leaf_at_its_limit_count_and_unknown_ones_apart() -> None:
    leaf = np.array([39.9, 40.0, 41.0, np.nan, np.nan])
    limit = np.array([40.0, 40.0, 40.0, 40.0, np.inf])
    assert count_hours(leaf, limit) == (2.0, 1.0)


# --- forms, several folders, tuning -----------------------------------------------------------------------


def test_text_csv_and_json_are_written_and_say_the_same(folder: Path, verdict: Verdict) -> None:
    data = json.loads((folder / "judgement.json").read_text(encoding="utf-8"))
    assert data["schema"] == "judgement/1"
    (replay,) = data["replays"]
    (heat,) = (
        row
        for row in replay["warnings"]
        if (row["hazard"], row["happened"], row["by"]) == ("heat", "harm", "either")
    )
    assert (heat["hits"], heat["false_alarms"], heat["lead_median_h"]) == (4, 2, median([6.0, 54.0]))
    rows = list(csv.DictReader(io.StringIO((folder / "judgement.csv").read_text(encoding="utf-8"))))
    (hits,) = (
        row["value"]
        for row in rows
        if (row["question"], row["of"], row["by"], row["quantity"]) == ("heat", "harm", "either", "hits")
    )
    assert hits == "4"
    text = (folder / "judgement.txt").read_text(encoding="utf-8")
    assert text == verdict.text
    assert "How it is counted" in text
    assert all(math.isfinite(float(row["value"])) for row in rows if row["value"])


def test_several_folders_stand_together_with_their_sum_and_what_was_tuned_on(tmp_path: Path) -> None:
    first = write_folder(tmp_path / "a" / "year")
    second = write_folder(tmp_path / "b" / "year", blank_day=CASES["gap"]["day"])
    judged = judge_folders([first], tuning=[second]).judged
    assert [(one.name, one.role) for one in judged] == [
        ("a/year", "reported"),
        ("b/year", "tuning"),
        ("total, reported", "reported"),
        ("total, tuning", "tuning"),
        ("total, all", "both"),
    ]
    total = row_of(judged[-1], "heat", "harm", "alert mails")
    assert counts_of(total) == [6, 1, 2, 10]
    assert (total.table.unknown, total.mails, total.events) == (1, 8, 3)
    assert total.lead_h == (54.0, 54.0)
    water = next(row for row in judged[-1].water if row.key == ("all", "clock, once a day"))
    assert water.waterings == 2 * CASES["waterings"]["clock, once a day"]


# --- the command, and folders that are not whole ------------------------------------------------------------


def test_command_prints_the_table_or_json_and_is_done(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    done = advisor("judge", str(folder))
    assert (done.returncode, done.stderr) == (0, "")
    assert "alert mails" in done.stdout
    done = advisor("judge", str(folder), "--json", "--tuning", str(folder))
    assert done.returncode == 0
    assert [row["role"] for row in json.loads(done.stdout)["replays"]] == ["tuning"]


def test_broken_lines_are_named_left_out_and_the_rest_is_judged(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    path = folder / "mornings.jsonl"
    lines = path.read_text(encoding="utf-8").splitlines()
    place = next(n for n, line in enumerate(lines) if json.loads(line)["day"] == str(day_of(2)))
    lines[place] = lines[place][:40]
    lines.append(json.dumps({"now": "2021-06-11T06:00:00", "day": "2021-06-11"}))
    lines.append("[1, 2]")
    path.write_text("\n".join(lines) + "\n", encoding="utf-8")
    done = advisor("judge", str(folder))
    assert done.returncode == 1
    assert f"mornings.jsonl, line {place + 1}: no JSON" in done.stderr
    assert f"mornings.jsonl, line {len(lines) - 1}: now:" in done.stderr, "a stamp without its offset"
    assert f"mornings.jsonl, line {len(lines)}:" in done.stderr
    assert "1 days without a pass" in done.stdout
    assert "alert mails" in done.stdout


def test_a_mail_that_says_there_is_no_advice_is_no_digest(tmp_path: Path) -> None:
    """On the first hot day it fails at 05:00, and the digest comes with the next pass."""
    folder = write_folder(tmp_path / "pencil")
    path = folder / "mornings.jsonl"
    failed = {"kind": "digest", "event": "failure", "at": "2021-06-03T05:00:00Z", "trees": []}
    line = {"now": failed["at"], "day": str(day_of(3)), "messages": [failed], "failures": ["no advice"]}
    path.write_text(json.dumps(line) + "\n" + path.read_text(encoding="utf-8"), encoding="utf-8")
    judged = judge_folders([folder]).judged[0]
    assert counts_of(row_of(judged, "heat", "harm", "digest")) == [4, 0, 1, 5]
    assert judged.counts["failures in the passes"] == 1


@pytest.mark.parametrize("name", ["mornings.jsonl", "truth.csv.gz", "garden.toml", "service.toml"])
def test_folder_that_is_no_replay_is_refused_with_what_to_do(tmp_path: Path, name: str) -> None:
    folder = write_folder(tmp_path / "pencil")
    (folder / name).unlink()
    done = advisor("judge", str(folder))
    assert (done.returncode, done.stdout) == (2, "")
    assert name in done.stderr
    assert "advisor replay" in done.stderr


def test_no_folder_or_none_that_exists_is_refused(tmp_path: Path) -> None:
    assert advisor("judge").returncode == 2
    assert advisor("judge", str(tmp_path / "nowhere")).returncode == 2


def test_truth_without_any_temperature_is_missing_weather(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    text = truth_csv()
    (folder / "truth.csv.gz").write_bytes(gzip.compress(text.splitlines()[0].encode() + b"\n"))
    with pytest.raises(DataGap):
        judge_folders([folder])
    assert advisor("judge", str(folder)).returncode == 3


def test_truth_of_other_days_is_missing_weather(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    (folder / "truth.csv.gz").write_bytes(gzip.compress(truth_csv().replace("2021-", "2019-").encode()))
    assert advisor("judge", str(folder)).returncode == 3


def test_truth_cut_short_is_refused(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    (folder / "truth.csv.gz").write_bytes((folder / "truth.csv.gz").read_bytes()[:-20])
    with pytest.raises(SettingsError, match=r"truth\.csv\.gz"):
        judge_folders([folder])


def test_judging_twice_gives_the_same_bytes(tmp_path: Path) -> None:
    folder = write_folder(tmp_path / "pencil")
    judge_folders([folder])
    once = {path.name: path.read_bytes() for path in folder.glob("judgement.*")}
    judge_folders([folder])
    assert {path.name: path.read_bytes() for path in folder.glob("judgement.*")} == once
    assert set(once) == {"judgement.txt", "judgement.csv", "judgement.json"}
