"""The engine of judging work: half days, order of reasons, shelter, season, the digest lines."""

from __future__ import annotations

import re
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from math import log10
from typing import Any, get_args, get_type_hints
from zoneinfo import ZoneInfo

import numpy as np
import pytest
from advice.work_builders import (
    FLAGS,
    PLACES,
    Weather,
    make_flag,
    make_situation,
    make_state,
    make_tree,
    situation_of,
)

from advisor.advice.checks import CHECKS
from advisor.advice.model import Check, Situation
from advisor.advice.season import SeasonShape, warmth_left, warmth_left_last_day
from advisor.advice.windows import half_days, half_spans, order_checks, verdict_of
from advisor.advice.work import judge, judge_all, windows, work_advice
from advisor.advice.work_case import band, matches, option_words
from advisor.errors import SettingsError
from advisor.garden.practice import SETTINGS, Practice
from advisor.garden.state_model import Stage
from advisor.store.config_files import load_tables
from advisor.units import Number

KINDS = (
    "defoliate", "part-defoliate", "big-cut", "small-cut", "carve", "carve-deadwood", "wire", "unwire",
    "bend", "repot", "start-layer", "separate-layer", "feed", "seal", "lime-sulphur", "candle-cut",
)  # fmt: skip


def summer(**case: Any) -> tuple[Situation, date]:
    return situation_of({"species": "acer-palmatum", "events": [["leaves-hard", 10]], **case})


# --- rows in config/ -----------------------------------------------------------------------------


def test_work_rows_cover_the_sixteen_kinds_of_the_contract() -> None:
    assert set(load_tables().works) == set(KINDS)


def test_work_checks_named_in_config_are_registered_and_all_used() -> None:
    assert {row.kind for rule in load_tables().works.values() for row in rule.checks} == set(CHECKS)


def test_work_rules_name_entry_and_time_and_preparation() -> None:
    for rule in load_tables().works.values():
        assert sum(row.kind == "time-left" for row in rule.checks) == 1, rule.id
        assert rule.entry
        assert rule.prepare
        assert rule.afterwards
        assert rule.cautions


def test_work_row_words_mean_something() -> None:
    tables = load_tables()
    flag_words = {word for flag in tables.flags.values() for word in (flag.id, *flag.starts, *flag.keeps)}
    for rule in tables.works.values():
        selectors = [word.removeprefix("!") for word in rule.not_for]
        for row in rule.checks:
            selectors += [
                *option_words(row, "only_for"),
                *option_words(row, "not_for"),
                *option_words(row, "unseen"),
            ]
            selectors += [name.partition(".")[0] for name in row.numbers if "." in name]
            stages = [*option_words(row, "only_stage"), *option_words(row, "not_stage")]
            if row.kind == "stage":
                stages += [*option_words(row, "seen"), *option_words(row, "tell")]
                for by in (*row.options.get("by", ()), row.options):  # type: ignore[misc]
                    stages += [*by.get("pass", ()), *by.get("care", ())]
                    selectors += by.get("on", ())
            if row.kind == "flags":
                for key in ("fail", "care", "same_session"):
                    for word in option_words(row, key):
                        assert word in flag_words, (rule.id, word)
            for options in (row.options, *row.options.get("by", ())):  # type: ignore[misc]
                for setting, values in options.get("only_with", {}).items():
                    allowed = get_args(get_type_hints(Practice)[setting])
                    assert values, (rule.id, row.id)
                    assert set(values) < set(allowed), (rule.id, row.id, values)
            if row.shelter_mends:
                assert "shelter_level" in row.numbers, (rule.id, row.id)
            for stage in stages:
                assert stage in Stage.__members__, (rule.id, row.id, stage)
        for word in selectors:
            assert any(
                matches(word, group, species)
                for group in tables.species.values()
                for species in group.species
            ), (rule.id, word)


def test_work_words_of_a_setting_are_those_of_values_that_exist() -> None:
    found = set()
    for rule in load_tables().works.values():
        for setting, by_value in rule.by_setting.items():
            allowed = get_args(get_type_hints(Practice)[setting])
            assert set(by_value) <= set(allowed) - {getattr(Practice(), setting)}, (rule.id, setting)
            found.add(setting)
    assert found


def test_every_setting_decides_some_row() -> None:
    tables = load_tables()
    named = {name for flag in tables.flags.values() for key in flag.numbers for name in key.split(".")[:1]}
    for rule in tables.works.values():
        for row in rule.checks:
            for options in (row.options, *row.options.get("by", ())):  # type: ignore[misc]
                named |= set(options.get("only_with", {}))
    assert set(SETTINGS) <= named


def test_worker_heat_limits_are_those_of_the_published_formula() -> None:
    """NIOSH 2016-106, ch. 8: RAL = 59.9 - 14.1 log10 M, REL = 56.7 - 11.5 log10 M; M in W.

    Light work up to 200 kcal/h (233 W), moderate up to 300 kcal/h (349 W); rows are rounded to half a degree.
    """
    wanted = {"light": 233.0, "moderate": 349.0}
    seen = 0
    for rule in load_tables().works.values():
        for row in rule.checks:
            if row.id != "heat-for-you":
                continue
            watts = next(value for word, value in wanted.items() if word in row.text)
            assert row.numbers["max"].value == pytest.approx(59.9 - 14.1 * log10(watts), abs=0.25)
            assert row.numbers["max"].high == pytest.approx(56.7 - 11.5 * log10(watts), abs=0.25)
            assert row.numbers["max"].evidence == "published"
            seen += 1
    assert seen >= 10


def test_cautions_defer_to_maker_local_codes_and_licensed_practice() -> None:
    cautions = load_tables().cautions
    for text in cautions.values():
        assert text.rstrip().endswith("take precedence.")
    for word in (
        "eye",
        "face",
        "ear",
        "both hands",
        "dust mask",
        "Clamp",
        "rated",
        "unplug",
        "no hand holds",
    ):
        assert word in cautions["rotary"]
    assert "30 mA" in cautions["mains"]
    assert "residual-current" in cautions["mains"]
    for word in ("corrosive", "gloves", "goggles", "outdoors", "acids", "Rinse".lower()):
        assert word in cautions["lime-sulphur"]


def test_power_work_always_shows_rotary_and_mains_cautions() -> None:
    works = load_tables().works
    for work in ("carve", "carve-deadwood"):
        assert {"rotary", "mains"} <= set(works[work].cautions)
    assert "lime-sulphur" in works["lime-sulphur"].cautions


def test_printed_cautions_never_lower_a_verdict() -> None:
    situation, day = summer()
    judgement = judge(situation, "carve", "t1", day)
    assert judgement.verdict == "suits"
    assert len(judgement.cautions) >= 3


# --- verdicts ------------------------------------------------------------------------------------


def check(verdict: str, gate: str = "weather", *, deciding: bool = True, name: str = "x") -> Check:
    return Check(gate, name, verdict, None, "", None, None, "", "", deciding)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("verdicts", "wanted"),
    [
        (["pass", "pass"], "suits"),
        (["pass", "care"], "suits-with-care"),
        (["care", "unknown"], "cannot-tell"),
        (["unknown", "fail"], "does-not-suit"),
        (["fail", "pass"], "does-not-suit"),
    ],
)
def test_verdicts_combine_fail_over_unknown_over_care(verdicts: list[str], wanted: str) -> None:
    assert verdict_of([check(verdict) for verdict in verdicts]) == wanted


def test_unknown_that_does_not_decide_is_ignored() -> None:
    assert verdict_of([check("unknown", deciding=False), check("pass")]) == "suits"


def test_order_puts_the_deciding_reason_first_then_gate_by_gate() -> None:
    given = [
        check("pass", "tree", name="a"),
        check("care", "tree", name="b"),
        check("fail", "person", name="c"),
        check("fail", "weather", name="d"),
    ]
    assert [one.check for one in order_checks(given)] == ["d", "a", "b", "c"]


@pytest.mark.parametrize(
    ("value", "side", "wanted"),
    [
        (26.0, "max", "pass"),
        (26.1, "max", "care"),
        (29.0, "max", "care"),
        (29.1, "max", "fail"),
        (8.0, "min", "fail"),
    ],
)
def test_band_is_pass_care_fail(value: float, side: str, wanted: str) -> None:
    number = Number(26.0, "degC", "estimate", "house", 24.0, 29.0)
    assert band(value, number, side)[0] == wanted


# --- half days -----------------------------------------------------------------------------------


def test_half_days_are_local_and_cut_at_now() -> None:
    situation, day = summer(now="2026-06-20T10:30")
    spans = [
        (begin.astimezone(ZoneInfo("Europe/Berlin")).time(), end.astimezone(ZoneInfo("Europe/Berlin")).time())
        for begin, end in half_spans(situation, day)
    ]
    assert spans == [(time(10, 30), time(13)), (time(13), time(18))]


def test_half_days_past_do_not_count() -> None:
    situation, day = summer(now="2026-06-20T13:00")
    assert len(half_spans(situation, day)) == 1


def test_half_days_follow_the_clock_change() -> None:
    """Europe/Berlin is UTC+2 until 25 October 2026, 01:00 UTC, then UTC+1 (IANA time zone database)."""
    situation, day = summer(now="2026-10-24T06:00")
    before, after = (half_spans(situation, day + timedelta(days=ahead))[0][0] for ahead in (0, 1))
    assert before == datetime(2026, 10, 24, 6, 0, tzinfo=UTC)
    assert after == datetime(2026, 10, 25, 7, 0, tzinfo=UTC)


def test_judge_after_working_hours_says_so_and_names_tomorrow() -> None:
    situation, day = summer(now="2026-06-20T20:00")
    judgement = judge(situation, "big-cut", "t1", day)
    assert judgement.verdict == "does-not-suit"
    assert judgement.checks[0].check == "time-left"
    assert judgement.next_window is not None
    assert judgement.next_window.day == day + timedelta(days=1)


def test_judge_with_half_an_hour_left_does_not_suit_a_big_cut() -> None:
    situation, day = summer(now="2026-06-20T17:30")
    assert judge(situation, "big-cut", "t1", day).checks[0].check == "time-left"


def test_judge_refuses_a_past_day_and_unknown_names() -> None:
    situation, day = summer()
    with pytest.raises(SettingsError, match="past"):
        judge(situation, "big-cut", "t1", day - timedelta(days=1))
    with pytest.raises(SettingsError, match="big-cut"):
        judge(situation, "bigcut", "t1", day)
    with pytest.raises(SettingsError, match="t1"):
        judge(situation, "big-cut", "t9", day)


def test_windows_are_every_half_day_and_the_judgement_keeps_those_that_suit() -> None:
    situation, day = summer(days={0: {"wind": 12.0}, 1: {"wind": 12.0}, 3: {"wind": 12.0}})
    every = windows(situation, "big-cut", "t1", day, 5)
    assert len(every) == 10
    assert [half.verdict for half in every[:4]] == ["does-not-suit"] * 4
    judgement = judge(situation, "big-cut", "t1", day)
    assert judgement.next_window is not None
    assert judgement.next_window.day == day + timedelta(days=2)
    assert judgement.windows[0] == judgement.next_window
    assert all(half.verdict in {"suits", "suits-with-care"} for half in judgement.windows)
    assert [half.from_utc for half in judgement.windows] == sorted(
        half.from_utc for half in judgement.windows
    )


# --- weather, shelter, gaps ------------------------------------------------------------------------


def test_shelter_without_room_mends_nothing() -> None:
    rain = [[0, 9, 3.0], [0, 15, 3.0]]
    full, day = summer(places=["full-shed"], rain=rain)
    assert judge(full, "big-cut", "t1", day).verdict == "does-not-suit"
    roomy, day = summer(places=["shed"], rain=rain)
    first = judge(roomy, "big-cut", "t1", day).checks[0]
    assert (first.check, first.verdict) == ("rain", "care")
    assert PLACES["shed"].name in first.text


def test_missing_wind_does_not_decide_missing_air_does() -> None:
    situation, day = summer()
    assert situation.exposure is not None
    blank = np.full_like(situation.exposure.wind_m_s, np.nan)
    no_wind = replace(situation, exposure=replace(situation.exposure, wind_m_s=blank))
    judgement = judge(no_wind, "big-cut", "t1", day)
    assert judgement.verdict == "suits"
    assert [one.verdict for one in judgement.checks if one.check == "wind"] == ["unknown"]
    no_air = replace(situation, exposure=replace(situation.exposure, bench_temperature_c=blank))
    assert judge(no_air, "big-cut", "t1", day).verdict == "cannot-tell"


def test_one_missing_hour_of_the_half_day_leaves_it_untold() -> None:
    situation, day = summer()
    assert situation.exposure is not None
    air = situation.exposure.bench_temperature_c.copy()
    begin = situation.exposure.start_utc[0]
    for hour in (9, 14):  # UTC; one in the morning, one in the afternoon of 20 June
        air[0, int((np.datetime64(f"2026-06-20T{hour:02}:00") - begin) // np.timedelta64(1, "h"))] = np.nan
    gap = replace(situation, exposure=replace(situation.exposure, bench_temperature_c=air))
    first = judge(gap, "big-cut", "t1", day).checks[0]
    assert (first.check, first.verdict) == ("air", "unknown")
    assert "1 of 5 hours" in first.text


def test_short_forecast_decides_by_what_it_covers() -> None:
    tables = load_tables()
    now = datetime(2026, 6, 20, 5, tzinfo=UTC)
    state = make_state(make_tree("acer-palmatum", tables), tables, now, events=[["leaves-hard", 10]])
    short = make_situation({"t1": state}, Weather(), now, tables, ahead_days=3)
    assert judge(short, "defoliate", "t1", short.day).verdict == "suits"


def test_first_frost_beyond_the_forecast_asks_for_care() -> None:
    situation, day = summer(now="2026-06-20T07:00", frost="2026-07-08")
    found = {one.check: one for one in judge(situation, "repot", "t1", day).checks}
    assert found["frost-after"].verdict == "pass"
    spring, day = situation_of(
        {"species": "acer-palmatum", "now": "2026-03-25T08:00", "stage": "BUD_SWELL", "events": [],
         "weather": {"tmax": 14, "tmin": 4}, "frost": "2026-04-08"}
    )  # fmt: skip
    later = {one.check: one for one in judge(spring, "repot", "t1", day).checks}["frost-later"]
    assert later.verdict == "care"
    assert "first frost" in later.text


def test_reasons_carry_value_limit_hour_and_source() -> None:
    situation, day = summer(wind_hours=[[0, 8, 18, 9.0]], hot_hours=[[0, 15, 16, 27.4], [0, 9, 10, 27.4]])
    found = {one.check: one for one in judge(situation, "big-cut", "t1", day).checks}
    assert found["air"].value == pytest.approx(27.4)
    assert found["air"].limit == 26.0
    assert found["air"].at_utc is not None
    assert "27" in found["air"].text
    assert found["air"].source == "estimate: house"
    assert "at most 8 m/s" in found["wind"].text


def test_reasons_are_shown_in_the_growers_units() -> None:
    situation, day = summer()
    garden = replace(situation.holdings.garden, units="us")
    us = replace(situation, holdings=replace(situation.holdings, garden=garden))
    text = " ".join(one.text for one in judge(us, "big-cut", "t1", day).checks)
    assert "°F" in text
    assert "°C" not in text


def test_ladder_gusts_are_held_only_for_tall_trees() -> None:
    gusty = {"weather": {"gust": 15.0}}
    short, day = summer(**gusty)
    assert judge(short, "big-cut", "t1", day).verdict == "suits"
    tall, day = summer(**gusty, height_cm=220)
    assert judge(tall, "big-cut", "t1", day).checks[0].check == "ladder-gusts"


# --- flags ---------------------------------------------------------------------------------------


def test_scorch_flag_raised_by_wilting_counts_as_wilting() -> None:
    """Slight wilting 10 days ago is care for stripping; scorch 10 days ago forbids it (common practice)."""
    tables, now = load_tables(), datetime(2026, 6, 20, 5, tzinfo=UTC)
    tree = make_tree("acer-palmatum", tables)
    for entry, wanted in (("wilted", "suits-with-care"), ("scorched", "does-not-suit")):
        state = make_state(tree, tables, now, events=[["leaves-hard", 20], [entry, 10]])
        flag = make_flag("scorched", 10, date(2026, 6, 20), rule=tables.flags["scorched"])
        situation = make_situation({"t1": replace(state, flags=(flag,))}, Weather(), now, tables)
        assert judge(situation, "defoliate", "t1", situation.day).verdict == wanted


def test_flag_past_its_late_end_asks_for_care_only() -> None:
    tables, now = load_tables(), datetime(2026, 6, 20, 5, tzinfo=UTC)
    state = make_state(make_tree("acer-palmatum", tables), tables, now, events=[["leaves-hard", 10]])
    flag = make_flag("tender-flush", 50, date(2026, 6, 20))
    situation = make_situation({"t1": replace(state, flags=(flag,))}, Weather(), now, tables)
    first = judge(situation, "big-cut", "t1", situation.day).checks[0]
    assert (first.check, first.verdict) == ("flags", "care")
    assert FLAGS["tender-flush"].name in first.text


def test_recovered_after_scorch_turns_a_refusal_into_care() -> None:
    case = {"events": [["leaves-hard", 30], ["scorched", 20]]}
    hurt, day = summer(**case)
    assert judge(hurt, "big-cut", "t1", day).verdict == "does-not-suit"
    healed, day = summer(events=[*case["events"], ["recovered", 2]])
    assert judge(healed, "big-cut", "t1", day).verdict == "suits-with-care"


# --- season --------------------------------------------------------------------------------------

FLAT = SeasonShape(0.0, 30.0)


def test_warmth_left_counts_to_the_equinox() -> None:
    """Days fall under 12 h at the autumn equinox, 22 or 23 September (astronomy): 95 days after 20 June."""
    left = warmth_left(
        47.9, date(2026, 6, 20), 17.5, base_temperature_c=5.0, day_length_limit_h=12.0, shape=FLAT
    )
    assert left == pytest.approx(95 * 12.5, abs=2 * 12.5)


def test_warmth_left_south_of_the_equator_counts_to_march() -> None:
    """The southern autumn equinox is 20 or 21 March: 90 days after 20 December."""
    left = warmth_left(
        -35.0, date(2026, 12, 20), 20.0, base_temperature_c=5.0, day_length_limit_h=12.0, shape=FLAT
    )
    assert left == pytest.approx(90 * 15.0, abs=3 * 15.0)


def test_warmth_left_is_nothing_in_late_autumn() -> None:
    shape = SeasonShape(9.0, 30.0)
    left = warmth_left(
        47.9, date(2026, 11, 1), 12.0, base_temperature_c=5.0, day_length_limit_h=12.0, shape=shape
    )
    assert left == 0.0


def test_warmth_left_last_day_agrees_with_warmth_left() -> None:
    shape = SeasonShape(9.0, 30.0)
    limits = {"base_temperature_c": 5.0, "day_length_limit_h": 12.0, "shape": SeasonShape(0.0, 30.0)}
    last = warmth_left_last_day(47.9, date(2026, 6, 20), 19.0, 720.0, **limits)  # type: ignore[arg-type]
    assert warmth_left(47.9, last, 19.0, **limits) >= 720.0  # type: ignore[arg-type]
    assert warmth_left(47.9, last + timedelta(days=1), 19.0, **limits) < 720.0  # type: ignore[arg-type]
    never = warmth_left_last_day(
        47.9, date(2026, 9, 20), 12.0, 720.0, base_temperature_c=5.0, day_length_limit_h=12.0, shape=shape
    )
    assert never == date(2026, 9, 19)


def test_last_sensible_day_is_the_earlier_of_both_counts() -> None:
    cool, day = summer()
    judgement = judge(cool, "defoliate", "t1", day)
    assert judgement.last_sensible_day is not None
    assert judgement.last_sensible_day <= date(2026, 10, 12) - timedelta(days=84)
    mild, day = summer(frost="2026-12-20")
    by_warmth = judge(mild, "defoliate", "t1", day)
    assert by_warmth.last_sensible_day is not None
    assert by_warmth.last_sensible_day < date(2026, 12, 20) - timedelta(days=84)
    assert "degree days" in by_warmth.last_sensible_why


def test_estimated_frost_date_asks_for_care_only_when_near() -> None:
    far, day = summer(frost_known="estimate")
    assert judge(far, "big-cut", "t1", day).verdict == "suits"
    near, day = summer(frost_known="estimate", now="2026-07-25T07:00")
    first = judge(near, "big-cut", "t1", day).checks[0]
    assert (first.check, first.verdict) == ("season", "care")
    assert "estimated" in first.text


# --- everything runs -------------------------------------------------------------------------------


def test_every_work_on_every_group_in_every_stage_has_an_answer_with_reasons() -> None:
    tables, now = load_tables(), datetime(2026, 6, 20, 5, tzinfo=UTC)
    for stage in Stage:
        states = {}
        for group in tables.species.values():
            tree = make_tree(group.species[0], tables, tree_id=group.id)
            states[tree.id] = make_state(
                tree, tables, now, stage=stage.name, known="estimated", leaves_hard_seen=False, events=[]
            )
        situation = make_situation(states, Weather(), now, tables)
        for work in KINDS:
            for state in states.values():
                halves = half_days(situation, tables.works[work], state, situation.day)
                assert len(halves) == 2
                for half in halves:
                    assert half.checks
                    assert all(one.text for one in half.checks)
                    assert not any("nan" in re.split(r"\W+", one.text) for one in half.checks)


def test_judge_all_answers_work_by_work_and_tree_by_tree() -> None:
    situation = garden_of(Weather(), datetime(2026, 6, 20, 5, tzinfo=UTC))
    found = judge_all(situation, ("wire", "feed"), ("m1", "m0"), situation.day)
    assert [(one.work, one.tree_id) for one in found] == [
        ("wire", "m1"), ("wire", "m0"), ("feed", "m1"), ("feed", "m0")
    ]  # fmt: skip


# --- the digest ------------------------------------------------------------------------------------


def garden_of(weather: Weather, now: datetime, *, strengths: tuple[int, ...] = (4, 4, 4)) -> Situation:
    tables = load_tables()
    states = {}
    for place, strength in enumerate(strengths):
        tree = make_tree("acer-palmatum", tables, strength=strength, tree_id=f"m{place}")
        states[tree.id] = make_state(tree, tables, now, events=[["leaves-hard", 10]])
    return make_situation(states, weather, now, tables)


def test_digest_groups_trees_and_says_at_most_three_kinds() -> None:
    lines = work_advice(garden_of(Weather(), datetime(2026, 6, 20, 5, tzinfo=UTC), strengths=(4, 5, 1)))
    assert 1 <= len(lines) <= 3
    cut = next(line for line in lines if line.id.startswith("work/big-cut"))
    assert cut.trees == ("m0", "m1")
    assert cut.kind == "work"
    assert cut.reasons


def test_digest_names_a_window_that_closes_within_two_weeks_first() -> None:
    lines = work_advice(garden_of(Weather(tmax=25, tmin=14), datetime(2026, 7, 10, 5, tzinfo=UTC)))
    assert lines[0].id.startswith("work/defoliate")
    assert lines[0].urgency == "today"
    assert "last sensible day" in lines[0].do


def test_digest_is_silent_about_heavy_work_before_a_heat_wave() -> None:
    """A heat wave is when nobody strips or cuts (common practice), shade at hand or not."""
    hot = Weather(days={ahead: {"tmax": 37.0} for ahead in range(2, 7)})
    ids = [line.id for line in work_advice(garden_of(hot, datetime(2026, 6, 20, 5, tzinfo=UTC)))]
    assert not any("big-cut" in one or "defoliate" in one for one in ids)


def test_digest_without_weather_says_nothing_of_work() -> None:
    situation = replace(
        garden_of(Weather(), datetime(2026, 6, 20, 5, tzinfo=UTC)), weather=None, exposure=None
    )
    assert work_advice(situation) == ()
