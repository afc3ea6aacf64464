"""While a heat warning names a tree, the same mail offers no work on it and no feeding."""

from __future__ import annotations

import gzip
from datetime import date

import pytest
from advice.work_builders import situation_of as asked
from advice.work_builders import warning

from advisor.advice.due import due_advice
from advisor.advice.plan import plan
from advisor.advice.season import _of_season
from advisor.advice.work import judge, work_advice
from advisor.advice.work_case import option_words
from advisor.garden.tables import WorkRule
from advisor.service import compose
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate, judge_digest_work

GO_ON = ("unwire", "seal", "carve-deadwood")
"""Work that ends something, or touches dead wood alone: no warning stops it."""


def demo_evaluation() -> Evaluation:
    """The demo's morning, with a heat warning of today."""
    from advisor.service.demo import DEMO_NOW
    from advisor.service.files import read_folder
    from advisor.service.weather_now import assemble
    from advisor.sources.open_meteo import parse_forecast
    from advisor.store.config_files import config_folder, load_tables

    source, tables = config_folder() / "demo", load_tables()
    holdings = read_folder(source, tables, DEMO_NOW).holdings
    assert holdings is not None
    table = parse_forecast(gzip.decompress((source / "forecast.json.gz").read_bytes()), DEMO_NOW)
    weather = assemble(None, [table], None, holdings.garden, tables, DEMO_NOW)
    return evaluate(holdings, tables, weather, DEMO_NOW, AlertSettings())


def test_warned_trees_get_neither_new_work_nor_the_word_to_feed() -> None:
    evaluation = demo_evaluation()
    situation = evaluation.situation
    heat = [event for event in evaluation.events if event.hazard == "heat"]
    assert heat, "the demo's day has a heat warning"
    assert heat[0].first_day <= situation.day <= heat[0].last_day
    assert situation.warnings == evaluation.events
    warned = set(heat[0].trees)
    stopped = {work for work in situation.tables.works if work not in GO_ON}
    for piece in evaluation.advice:
        if piece.kind == "work" and piece.id.split("/")[1] in stopped:
            assert not warned & set(piece.trees)
        assert not (piece.id.startswith("due-fed") and warned & set(piece.trees))


def test_one_rule_stops_a_work_in_suits_plan_calendar_mail_and_questions() -> None:
    """On the days of a warning none of them lets a tree be worked that another of them stops."""
    evaluation = demo_evaluation()
    situation, zone = evaluation.situation, evaluation.situation.holdings.garden.zone
    found = plan(situation)
    planned = {(work, one.tree_id, one.day) for one in found.sessions for work in one.works}
    digest = judge_digest_work(evaluation)
    stopped = 0
    for event in evaluation.events:
        for tree in event.trees:
            for work, rule in situation.tables.works.items():
                if event.hazard not in hazards_of(rule):
                    continue
                day = max(event.first_day, situation.day)
                judgement = judge(situation, work, tree, day)
                stopped += judgement.verdict == "does-not-suit"
                assert judgement.verdict == "does-not-suit", (work, tree)
                assert (work, tree, day) not in planned
                clear = digest[work, tree].clear if (work, tree) in digest else ()
                assert all(from_utc.astimezone(zone).date() != day for _, from_utc, _ in clear)
    assert stopped > 20


def hazards_of(rule: WorkRule) -> tuple[str, ...]:
    rows = [row for row in rule.checks if row.kind == "warning"]
    return tuple(word for row in rows for word in option_words(row, "stopped_by"))


def test_what_the_heat_mail_says_to_stop_is_stopped_by_heat() -> None:
    """Common practice, the list of the heat mail: leaves off, repotting, feeding, lime-sulphur, big cuts."""
    works = demo_evaluation().situation.tables.works
    for work in ("defoliate", "part-defoliate", "repot", "feed", "lime-sulphur", "big-cut"):
        assert "heat" in hazards_of(works[work])
    for work in GO_ON:
        assert hazards_of(works[work]) == ()


def test_the_same_tree_is_offered_work_once_the_warning_is_over() -> None:
    from dataclasses import replace

    situation, _ = asked({"species": "acer-palmatum", "events": [["leaves-hard", 10]]})
    assert any("t1" in piece.trees for piece in work_advice(situation))
    warned = replace(situation, warnings=(warning({"hazard": "heat", "first": 0, "last": 2}, situation),))
    assert not any(
        "t1" in piece.trees for piece in work_advice(warned) if piece.id.split("/")[1] not in GO_ON
    )
    assert all(not piece.id.startswith("due-fed") for piece in due_advice(warned))


def test_plan_that_breaks_is_a_problem_of_the_pass(monkeypatch: pytest.MonkeyPatch) -> None:
    def broken(*_: object) -> None:
        raise ValueError("of the test")

    monkeypatch.setattr(compose, "plan", broken)
    rendered = compose.digest_rendered(demo_evaluation(), (), (), attached=False)
    assert any("the plan could not be worked out" in problem for problem in rendered.problems)


def test_calendar_takes_no_wire_off_that_is_not_due() -> None:
    evaluation = demo_evaluation()
    text = compose.digest_rendered(evaluation, (), ()).calendar.decode()
    unfolded = text.replace("\r\n ", "")
    wired = {
        tree
        for tree, state in evaluation.situation.states.items()
        if any(f.id == "wired" for f in state.flags)
    }
    named = [line for line in unfolded.splitlines() if line.startswith("SUMMARY:") and "wire off" in line]
    others = [state.tree.name for tree, state in evaluation.situation.states.items() if tree not in wired]
    assert all(name not in line for line in named for name in others)


def test_a_day_of_the_next_season_is_counted_back_from_its_own_frost() -> None:
    assert _of_season(date(2026, 9, 25), date(2026, 9, 1)) == date(2026, 9, 25)
    assert _of_season(date(2026, 9, 25), date(2026, 11, 30)) == date(2026, 9, 25)
    assert _of_season(date(2026, 9, 25), date(2027, 4, 20)) == date(2027, 9, 25)
