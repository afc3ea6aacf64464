"""The question of the trade, asked on the command line: does this day suit big cuts?

Expected verdicts are common practice: no heavy pruning while a heat wave is at hand, and none on a tree
stripped of its leaves a week ago; a maple with hardened leaves in mild early-summer weather may be cut.
"""

from __future__ import annotations

from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import TREES, Yard, as_json, with_highs_of

ASKED = "2013-06-18T07:00"
OPPOSITE = ({"suits", "suits-with-care"}, "does-not-suit")
LEAVES_HARD = ("2013-05-20,,wren,leaves-hard,,,", "2013-05-20,,linnet,leaves-hard,,,")

REASON_KEYS = {"gate", "check", "verdict", "value", "unit", "limit", "at", "source"}
TREE_KEYS = {"tree", "verdict", "reasons", "windows", "next_window", "last_sensible_day", "cautions"}
VERDICTS = {"suits", "suits-with-care", "does-not-suit", "cannot-tell"}


def test_suits_two_weeks_differing_only_in_weather_opposite_verdicts(
    tmp_path: Path, weather: ForecastServer
) -> None:
    found = {}
    for high_c in (22.0, 38.0):
        weather.warp = with_highs_of(high_c)
        yard = Yard.write(tmp_path / f"{high_c:.0f}", weather, trees=("linnet",), journal=LEAVES_HARD)
        found[high_c] = yard.command("suits", "big-cut", "--json", now=ASKED)
    mild, hot = as_json(found[22.0]), as_json(found[38.0])
    assert mild["trees"][0]["verdict"] in OPPOSITE[0]
    assert hot["trees"][0]["verdict"] == OPPOSITE[1]
    assert (found[22.0].returncode, found[38.0].returncode) == (0, 10)
    gates = [
        {
            reason["check"]: reason["verdict"]
            for reason in told["trees"][0]["reasons"]
            if reason["gate"] == "tree"
        }
        for told in (mild, hot)
    ]
    assert gates[0] == gates[1], "the tree itself is the same in both weeks"
    failed = {reason["gate"] for reason in hot["trees"][0]["reasons"] if reason["verdict"] == "fail"}
    assert failed <= {"weather", "person"}
    assert "weather" in failed


def test_suits_two_trees_differing_only_in_journal_opposite_verdicts(
    tmp_path: Path, weather: ForecastServer
) -> None:
    weather.warp = with_highs_of(22.0)
    journal = (*LEAVES_HARD, "2013-06-11,09:00,wren,defoliated,,,")
    yard = Yard.write(tmp_path / "yard", weather, trees=("wren", "linnet"), journal=journal)
    done = yard.command("suits", "big-cut", "wren", "linnet", "--json", now=ASKED)
    told = {tree["tree"]: tree for tree in as_json(done)["trees"]}
    assert told["linnet"]["verdict"] in OPPOSITE[0]
    assert told["wren"]["verdict"] == OPPOSITE[1]
    assert done.returncode == 0, "some tree suits"
    reasons = [
        {reason["check"]: reason["verdict"] for reason in tree["reasons"] if reason["gate"] == "weather"}
        for tree in told.values()
    ]
    assert reasons[0] == reasons[1], "the weather is the same for both"
    failed = [reason for reason in told["wren"]["reasons"] if reason["verdict"] == "fail"]
    assert {reason["gate"] for reason in failed} == {"tree"}
    assert yard.command("suits", "big-cut", "wren", now=ASKED).returncode == 10


def test_suits_json_has_every_agreed_key(yard: Yard) -> None:
    done = yard.command("suits", "big-cut", "--day", "2013-07-15", "--json", now="2013-07-13T07:00")
    told = as_json(done)
    assert {"schema", "asked_at", "day", "work", "weather", "trees"} <= told.keys()
    assert (told["schema"], told["asked_at"]) == ("suits/1", "2013-07-13T11:00:00Z")
    assert (told["day"], told["work"]) == ("2013-07-15", "big-cut")
    assert {tree["tree"] for tree in told["trees"]} == set(TREES)
    for tree in told["trees"]:
        assert tree.keys() >= TREE_KEYS
        assert tree["verdict"] in VERDICTS
        assert tree["reasons"], "never a verdict without a reason"
        for reason in tree["reasons"]:
            assert reason.keys() >= REASON_KEYS
            assert reason["gate"] in {"tree", "weather", "person"}
            assert reason["verdict"] in {"pass", "care", "fail", "unknown"}
        for window in [*tree["windows"], *([tree["next_window"]] if tree["next_window"] else [])]:
            assert window.keys() >= {"from", "until", "verdict"}
            assert window["from"] < window["until"]
            assert window["verdict"] in VERDICTS
        assert tree["cautions"], "saws and blades: the person is told the usual cautions"


@pytest.mark.parametrize(
    ("words", "code", "said"),
    [
        (("suits", "big-cutt"), 2, "big-cut"),
        (("suits", "big-cut", "linet"), 2, "linnet"),
        (("suits", "big-cut", "@open-bnch"), 2, "open-bench"),
        (("suits", "big-cut", "--day", "tomorrow"), 2, "2026-07-14"),
        (("suits", "big-cut", "--day", "2013-07-01"), 2, "past"),
        (("suits", "candle-cut", "linnet"), 10, ""),
    ],
)
def test_suits_wrong_words_and_impossible_work(
    yard: Yard, words: tuple[str, ...], code: int, said: str
) -> None:
    done = yard.command(*words, now="2013-07-13T07:00")
    assert done.returncode == code, done.stderr
    assert said in done.stderr
    if code == 2:
        assert done.stdout == ""


def test_suits_without_any_weather_is_3(yard: Yard) -> None:
    yard.weather.fail("server-error")
    done = yard.command("suits", "big-cut", "--json", now="2013-07-13T07:00")
    assert done.returncode == 3
    told = as_json(done)
    assert told["weather"] is None
    assert {tree["verdict"] for tree in told["trees"]} <= {"cannot-tell", "does-not-suit"}
