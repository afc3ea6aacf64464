"""Scores of warnings against published counts, hand-worked cases and what must hold for every table.

Sources stand beside the cases in verification_cases.toml.
"""

import tomllib
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.weather.verification import Contingency, brier_score, contingency, relative_value, runs_of

CASES = tomllib.loads(Path(__file__).with_name("verification_cases.toml").read_text(encoding="utf-8"))
COUNTS = ("hits", "misses", "false_alarms", "correct_negatives")


def table_of(case):
    return Contingency(*(case[name] for name in COUNTS))


def with_gaps(values):
    return [np.nan if value == "gap" else float(value) for value in values]


@pytest.mark.parametrize(
    ("score", "half_digit"),
    [
        ("proportion_correct", 5e-4),
        ("probability_of_detection", 5e-4),
        ("false_alarm_ratio", 5e-4),
        ("false_alarm_rate", 5e-5),
        ("frequency_bias", 5e-3),
        ("critical_success_index", 5e-4),
        ("heidke_skill_score", 5e-4),
        ("peirce_skill_score", 5e-4),
    ],
)
def test_scores_of_finleys_tornado_forecasts_are_as_published(score, half_digit):
    case = CASES["finley"]
    assert getattr(table_of(case), score) == pytest.approx(case[score], abs=half_digit)


def test_highest_value_is_at_the_base_rate_and_is_the_peirce_score_as_published():
    """Richardson 2000: the curve peaks where cost over loss equals the frequency of the event."""
    table = table_of(CASES["finley"])
    ratios = np.append(np.linspace(0.001, 0.5, 500), table.base_rate)
    values = relative_value(table, ratios)
    assert values[-1] == pytest.approx(CASES["finley"]["peirce_skill_score"], abs=5e-4)
    assert np.nanmax(values) == pytest.approx(values[-1], abs=1e-9)


@pytest.mark.parametrize("case", CASES["value"], ids=lambda case: f"{case['hits']} hits")
def test_value_of_a_small_table_is_as_worked_by_hand(case):
    assert relative_value(table_of(case), case["ratios"]) == pytest.approx(case["values"], abs=5e-5)


def test_days_with_a_gap_are_left_out_and_counted():
    case = CASES["counting"]
    found = contingency(with_gaps(case["warned"]), with_gaps(case["happened"]))
    assert found == Contingency(*(case[name] for name in COUNTS), unknown=case["unknown"])


def test_tables_add_up():
    assert Contingency(1, 2, 3, 4, 5) + Contingency(10, 20, 30, 40, 50) == Contingency(11, 22, 33, 44, 55)


def test_brier_score_with_gaps_is_as_worked_by_hand():
    case = CASES["brier"]
    found = brier_score(with_gaps(case["chances"]), with_gaps(case["outcomes"]))
    assert (found.days, found.left_out) == (case["days"], case["left_out"])
    assert found.score == pytest.approx(case["score"])


def test_brier_score_of_nothing_is_unknown():
    found = brier_score([np.nan], [1.0])
    assert np.isnan(found.score)
    assert found.days == 0
    assert np.isnan(brier_score([], []).score)


def test_brier_score_refuses_a_chance_in_percent():
    with pytest.raises(ValueError, match="between 0 and 1"):
        brier_score([30.0], [1.0])


def test_runs_of_days_end_at_a_gap():
    case = CASES["runs"]
    assert [list(run) for run in runs_of(with_gaps(case["flags"]))] == case["runs"]
    assert runs_of([]) == ()


def test_scores_without_events_or_warnings_are_unknown_not_nought():
    quiet = Contingency(0, 0, 0, 10)
    assert np.isnan(quiet.probability_of_detection)
    assert np.isnan(quiet.false_alarm_ratio)
    assert np.isnan(relative_value(quiet, [0.1, 0.5])).all()
    assert np.isnan(relative_value(Contingency(0, 0, 0, 0), [0.1])).all()


counts = st.integers(min_value=0, max_value=400)
mixed = st.tuples(counts, counts, counts, counts).filter(lambda n: n[0] + n[1] > 0 and n[2] + n[3] > 0)
RATIOS = np.arange(1, 20) / 20.0


@given(mixed)
def test_value_is_never_above_one_and_perfect_warnings_reach_it(numbers):
    table = Contingency(*numbers)
    assert (relative_value(table, RATIOS) <= 1.0 + 1e-12).all()
    perfect = Contingency(table.happened, 0, 0, table.known - table.happened)
    assert relative_value(perfect, RATIOS) == pytest.approx(np.ones(RATIOS.size))


@given(mixed)
def test_the_better_of_always_and_never_has_no_value_and_always_finds_everything(numbers):
    table = Contingency(*numbers)
    quiet = table.known - table.happened
    always, never = Contingency(table.happened, 0, quiet, 0), Contingency(0, table.happened, 0, quiet)
    assert always.probability_of_detection == 1.0
    assert never.probability_of_detection == 0.0
    better = np.maximum(relative_value(always, RATIOS), relative_value(never, RATIOS))
    assert better == pytest.approx(np.zeros(RATIOS.size), abs=1e-12)
    assert relative_value(never, RATIOS)[table.base_rate <= RATIOS] == pytest.approx(0.0, abs=1e-12)


@given(st.lists(st.sampled_from([0.0, 1.0, np.nan]), max_size=40), st.integers(0, 2**40))
def test_every_day_is_counted_once(happened, seed):
    warned = np.random.default_rng(seed).choice([0.0, 1.0, np.nan], len(happened))
    found = contingency(warned, happened)
    assert found.known + found.unknown == len(happened)
    runs = runs_of(happened)
    assert sum(last - first + 1 for first, last in runs) == np.nansum(happened)
