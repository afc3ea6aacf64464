"""What ``suits`` prints and gives as JSON: gates kept apart, when instead, what settles it, cautions."""

from __future__ import annotations

import json
from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import pytest
from advice.work_builders import situation_of

from advisor.advice.model import SeasonEnd, Situation
from advisor.advice.work import judge
from advisor.message.answers import suits_text
from advisor.message.json_out import dump, suits_object
from advisor.store.config_files import load_tables

TABLES = load_tables()
HARD: dict[str, Any] = {"species": "acer-palmatum", "events": [["leaves-hard", 10]]}


def asked(work: str, **case: Any) -> tuple[str, dict[str, Any]]:
    """Text on one line, and the JSON of the tree."""
    situation, day = situation_of({**HARD, **case})
    return told(situation, work, day)


def told(situation: Situation, work: str, day: date) -> tuple[str, dict[str, Any]]:
    judgement = judge(situation, work, "t1", day)
    text = " ".join(suits_text(situation, work, [judgement]).split())
    document = json.loads(dump(suits_object(situation, work, [judgement], day.isoformat())))
    return text, document["trees"][0]


# --- gates kept apart ------------------------------------------------------------------------------


def test_a_tree_that_forbids_it_is_told_as_not_to_be_mended_today() -> None:
    text, _ = asked("big-cut", strength=1)
    assert "cannot be mended today" in text


def test_weather_that_forbids_it_is_told_as_something_to_wait_out() -> None:
    """20 June 2026 is a Saturday: two windy days, then Monday."""
    text, given = asked("big-cut", days={0: {"wind": 12.0}, 1: {"wind": 12.0}})
    assert "Only the weather is against it: wait until Mon 22 Jun 08:00-13:00" in text
    assert given["next_window"]["from"] == "2026-06-22T06:00:00Z"


def test_half_days_after_the_last_sensible_day_are_not_offered_at_all() -> None:
    """Two windy days; the count back from frost (70 days, a range to 60 with care) ends tomorrow."""
    situation, day = situation_of({**HARD, "days": {0: {"wind": 12.0}, 1: {"wind": 12.0}}})
    end = SeasonEnd(day + timedelta(days=71), "estimate", "about then", "made")
    text, given = told(replace(situation, season_end=end), "big-cut", day)
    assert given["windows"] == []
    assert given["next_window"] is None
    assert "Half days that suit best" not in text
    said = "no half day before its last sensible day, Sun 21 Jun, is better: next season"
    assert text.count(said) == 1
    assert "No half day" not in text.replace(said, "")


def test_half_days_up_to_the_last_sensible_day_stay() -> None:
    """One windy day; the season closes on Monday 22 June."""
    situation, day = situation_of({**HARD, "days": {0: {"wind": 12.0}}})
    end = SeasonEnd(day + timedelta(days=72), "estimate", "about then", "made")
    text, given = told(replace(situation, season_end=end), "big-cut", day)
    assert {half["from"][:10] for half in given["windows"]} == {"2026-06-21", "2026-06-22"}
    assert "wait until tomorrow 08:00-13:00." in text
    assert "later half days are left out" in text


def test_a_season_that_is_over_keeps_what_is_judged_for_the_asked_day() -> None:
    """Refused after 42 days before frost, 60 to 42 with care: the asked day is past its last sensible one."""
    situation, day = situation_of(HARD)
    end = SeasonEnd(day + timedelta(days=65), "estimate", "about then", "made")
    _, given = told(replace(situation, season_end=end), "big-cut", day)
    assert given["verdict"] == "suits-with-care"
    assert {half["from"][:10] for half in given["windows"]} == {"2026-06-20"}


def test_weather_and_person_are_both_named_when_both_are_against_it() -> None:
    """Wind for two days, and on the first of them heat for the person too."""
    text, _ = asked("big-cut", days={0: {"wind": 12.0, "wbgt": 31.0}, 1: {"wind": 12.0}})
    assert "Only" not in text.split("-")[0]
    assert "The weather and your own safety are against it: wait until Mon 22 Jun 08:00-13:00" in text


def test_weather_against_it_while_a_deciding_fact_of_the_tree_is_missing_says_both() -> None:
    """A guess next door to an open stage, on a windy day."""
    text, _ = asked(
        "defoliate", now="2026-06-02T07:00", stage="SHOOTS_EXTENDING", known="guess", events=[],
        leaves_hard_seen=False, days={0: {"wind": 12.0}},
    )  # fmt: skip
    assert "The weather is against it" in text
    assert "Only the weather" not in text
    assert "what is not known must be settled first" in text
    assert "log leaves-hard" in text


def test_dates_of_another_year_carry_the_year() -> None:
    """A juniper wired in June keeps its wire for 250 to 500 days."""
    text, _ = asked("wire", species="juniperus-chinensis", now="2026-11-20T08:00", stage="DORMANT", events=[],
                    weather={"tmax": 12, "tmin": 5})  # fmt: skip
    assert "wired: until about 28 July 2027 to 3 April 2028" in text


def test_dates_of_this_year_carry_none() -> None:
    assert "until about 4 July to 1 August." in asked("defoliate")[0]


def test_heat_for_the_person_is_told_as_the_persons() -> None:
    text, _ = asked("big-cut", days={0: {"wbgt": 31.0}})
    assert "Only your own safety is against it: wait until tomorrow" in text


def test_work_that_the_species_cannot_have_says_so_and_offers_no_day() -> None:
    text, given = asked("defoliate", species="juniperus-chinensis")
    assert "This species cannot have it." in text
    assert "Half days" not in text
    assert given["windows"] == []
    assert given["last_sensible_day"] is None


# --- the season's last day ---------------------------------------------------------------------------


def test_last_day_from_past_winters_tells_its_probability() -> None:
    situation, day = situation_of(HARD)
    end = SeasonEnd(date(2026, 10, 12), "climate", "in 4 of 5 years", "made", 0.2, winters=28)
    text, given = told(replace(situation, season_end=end), "big-cut", day)
    assert "Last sensible day this season: Mon 3 Aug, early enough in 4 of 5 years" in text
    assert given["last_sensible_day"] == "2026-08-03"
    assert given["last_sensible_chance"] == pytest.approx(0.8)


def test_last_day_by_an_estimate_says_so_and_has_no_probability() -> None:
    text, given = asked("big-cut", frost_known="estimate")
    assert "Last sensible day this season: Mon 3 Aug, by an estimate" in text
    assert given["last_sensible_chance"] is None


def test_last_day_that_is_past_is_told_as_past() -> None:
    text, given = asked("big-cut", now="2026-09-10T08:00")
    assert "Last sensible day this season was Mon 3 Aug" in text
    assert given["last_sensible_day"] == "2026-08-03"


def test_a_bare_elm_that_cannot_be_stripped_again_is_given_no_last_day() -> None:
    """Stripped 20 June, again after 45 days at the least; the season closes 84 days before frost."""
    text, given = asked(
        "defoliate", species="ulmus-parvifolia", events=[["leaves-hard", 3], ["defoliated", 0]],
        flags=[["leafless", 0]], leaves_hard_seen=False, leaf_share=0.0,
    )  # fmt: skip
    assert given["last_sensible_day"] is None
    assert "Last sensible day" not in text
    assert "Not this season any more: on its last sensible day" in text
    assert "defoliated" in given["barred_why"]


def test_a_tree_that_is_free_again_before_the_last_day_keeps_it() -> None:
    """Wilted three days ago bars stripping for a week; the season is open until July."""
    _, given = asked("defoliate", events=[["leaves-hard", 10], ["wilted", 3]])
    assert given["verdict"] == "does-not-suit"
    assert given["last_sensible_day"] is not None
    assert given["barred_why"] == ""


# --- what settles it --------------------------------------------------------------------------------


def test_a_stage_next_door_names_the_word_to_log() -> None:
    text, given = asked(
        "defoliate", now="2026-06-02T07:00", stage="SHOOTS_EXTENDING", known="guess", events=[],
        leaves_hard_seen=False,
    )  # fmt: skip
    assert given["verdict"] == "cannot-tell"
    assert "To settle it: Stage" in text
    assert "log leaves-hard" in given["settled_by"][0]


def test_a_day_beyond_the_forecast_says_when_to_ask_again() -> None:
    """The forecast of the case reaches ten days; 24 June is the first day that sees 4 July."""
    text, given = asked("big-cut", ask=14)
    assert given["verdict"] == "cannot-tell"
    assert "the forecast reaches to Wed 1 Jul" in text
    assert "ask again from Wed 24 Jun on" in given["settled_by"][0]


def test_missing_air_names_what_is_missing() -> None:
    _, given = asked("big-cut", missing=["air"])
    assert "air" in given["settled_by"][0]


def test_no_weather_at_all_says_so() -> None:
    _, given = asked("big-cut", no_weather=True)
    assert given["settled_by"] == ["ask again when there is weather"]


def test_an_answer_that_is_clear_needs_nothing_to_settle_it() -> None:
    for work, case in (("big-cut", {}), ("big-cut", {"strength": 1})):
        assert asked(work, **case)[1]["settled_by"] == []


def test_journal_lines_that_do_not_fit_are_told_beside_the_answer() -> None:
    situation, day = situation_of(HARD)
    state = replace(situation.states["t1"], contradictions=("line 5: unwired on 2026-06-18, but ...",))
    text, given = told(replace(situation, states={"t1": state}), "big-cut", day)
    assert "Journal: line 5: unwired" in text
    assert given["journal"] == ["line 5: unwired on 2026-06-18, but ..."]


# --- best half days, preparation, aftercare ------------------------------------------------------------


def test_half_days_without_a_but_come_before_earlier_ones_with_care() -> None:
    text, _ = asked("big-cut", days={day: {"tmax": 28.0, "tmin": 25.0} for day in range(3)})
    spans = text.split("Half days that suit best: ")[1].split(". ")[0]
    assert "with care" not in spans
    assert spans.startswith("Tue 23 Jun")


def test_what_it_will_ask_and_until_when_stands_under_a_yes_only() -> None:
    text, _ = asked("defoliate")
    assert "Before: " in text
    assert "bare after stripping: until about 4 July to 1 August" in text
    assert "After: " not in asked("defoliate", strength=1)[0]


# --- cautions -----------------------------------------------------------------------------------------

OPEN: dict[str, dict[str, Any]] = {
    "unwire": {"events": [["leaves-hard", 10], ["wired", 42]], "flags": [["wired", 42]]},
    "seal": {"events": [["leaves-hard", 10], ["cut", 0, 0.1]]},
}
"""What work that ends something wants to find in the journal."""

FITTING = {
    "acer-palmatum": [
        "big-cut", "defoliate", "carve", "wire", "part-defoliate", "bend", "repot", "start-layer", "unwire",
        "small-cut", "carve-deadwood", "seal", "lime-sulphur", "feed", "separate-layer",
    ],
    "pinus-thunbergii": ["candle-cut"],
}  # fmt: skip


@pytest.mark.parametrize(
    ("species", "work"), [(species, work) for species, works in FITTING.items() for work in works]
)
def test_cautions_are_printed_with_the_work_they_belong_to(species: str, work: str) -> None:
    text, given = asked(work, species=species, **OPEN.get(work, {}))
    rule = TABLES.works[work]
    assert rule.cautions
    for name in rule.cautions:
        assert " ".join(TABLES.cautions[name].split()) in text
        assert TABLES.cautions[name] in given["cautions"]
    for name in set(TABLES.cautions) - set(rule.cautions):
        assert TABLES.cautions[name] not in given["cautions"]


def test_every_kind_of_work_has_its_cautions_looked_at() -> None:
    assert {work for works in FITTING.values() for work in works} == set(TABLES.works)


def test_shortest_day_counts_are_dates_of_the_almanac() -> None:
    """The winter solstice falls on 21 or 22 December, south on 20 or 21 June (astronomy)."""
    _, north = asked("big-cut", species="ulmus-parvifolia", now="2026-12-21T08:00", stage="DORMANT",
                     weather={"tmax": 8, "tmin": 2})  # fmt: skip
    part = next(reason for reason in north["reasons"] if reason["check"] == "part-of-winter")
    assert abs(part["value"]) <= 1
    assert timedelta(days=abs(int(part["value"]))) <= timedelta(days=1)
