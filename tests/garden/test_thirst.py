"""What weights say of a tree, held against figures worked on paper, and what must hold of any weights."""

import math
import tomllib
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from advisor.garden.model import JournalEntry
from advisor.garden.thirst import learn_demand, learn_usable
from advisor.garden.weights import Pair, Weight, pairs_of, sound_weights, weights_since, why_unused
from advisor.store.config_files import load_tables

CASES = tomllib.loads(Path(__file__).with_name("thirst_cases.toml").read_text(encoding="utf-8"))
NUMBERS = load_tables().physics
NOW = datetime(2024, 7, 10, 6, tzinfo=UTC)


def ids(case):
    return case["id"]


def pair(lost_l, modelled_l, days_ago=0.0, line=1):
    at = NOW - timedelta(days=days_ago)
    return Pair(at - timedelta(hours=22), at, lost_l, modelled_l, (line, line + 1))


def demand(pairs, repotted=()):
    return learn_demand(pairs, repotted, NOW, NUMBERS)


@pytest.mark.parametrize("case", CASES["demand"], ids=ids)
def test_demand_as_on_paper(case):
    pairs = [pair(row["lost_l"], row["modelled_l"], row["days_ago"]) for row in case["pairs"]]
    repotted = [NOW for row in case["pairs"] if row.get("repotted_since")]
    factor, doubtful = demand(pairs, repotted)
    assert factor.value == pytest.approx(case["factor"], abs=case["within"])
    assert factor.log_spread == pytest.approx(case["spread"], abs=case["within"])
    assert factor.readings == len(pairs)
    far = [row for row in case["pairs"] if row["lost_l"] > 2.0]
    assert len(doubtful) == len(far)


# any journal of weights: the middle of them is what they say, whatever a single line says
ratios = st.floats(0.4, 2.5)
litres = st.floats(0.5, 5.0)


@given(ratios, litres, st.integers(3, 8))
def test_demand_agreeing_pairs_draw_near_and_never_beyond(ratio, use, count):
    factor, doubtful = demand([pair(ratio * use, use)] * count)
    assert min(1.0, ratio) - 1e-6 <= factor.value <= max(1.0, ratio) + 1e-6
    assert abs(math.log(factor.value / ratio)) <= abs(math.log(ratio)) * 0.5 + 1e-6
    assert not doubtful


@given(ratios, litres, st.floats(0.01, 100.0))
def test_demand_one_wrong_entry_moves_it_little(ratio, use, wrong):
    honest = [pair(ratio * use, use)] * 4
    clean, _ = demand(honest)
    spoilt, doubtful = demand([*honest, pair(wrong * use, use, line=9)])
    assert abs(math.log(spoilt.value / clean.value)) < 0.15
    if abs(math.log(wrong / clean.value)) > 2.0 and wrong * use > 0.1:  # less is within the scale's error
        assert [doubt.line for doubt in doubtful] == [10]


@given(ratios, litres, st.integers(0, 6))
def test_demand_more_of_the_same_is_surer(ratio, use, count):
    fewer, _ = demand([pair(ratio * use, use)] * count)
    more, _ = demand([pair(ratio * use, use)] * (count + 1))
    assert more.log_spread < fewer.log_spread or (count == 0 and abs(math.log(ratio)) > 0.6)
    assert more.log_spread <= 0.4 + 1e-9


@given(st.lists(ratios, min_size=1, max_size=6), st.floats(2.0, 50.0))
def test_demand_the_unit_of_litres_does_not_matter(found, scale):
    """With a scale of no error only ratios count; with a real one a larger pot is only surer."""
    small, _ = demand([pair(20.0 * ratio, 20.0) for ratio in found])
    large, _ = demand([pair(20.0 * scale * ratio, 20.0 * scale) for ratio in found])
    assert large.value == pytest.approx(small.value, rel=1e-3)


@given(st.lists(ratios, min_size=1, max_size=6), st.integers(0, 5), st.floats(1.0, 1.3))
def test_demand_a_thirstier_reading_near_the_rest_never_lowers_it(found, which, more):
    middle = float(np.median(found))
    found = [min(max(ratio, middle / 1.25), middle * 1.25) for ratio in found]
    row = which % len(found)
    raised = [*found]
    raised[row] = min(found[row] * more, middle * 1.25)
    before, _ = demand([pair(ratio, 1.0) for ratio in found])
    after, _ = demand([pair(ratio, 1.0) for ratio in raised])
    assert after.value >= before.value - 1e-9


@given(ratios, st.floats(0.0, 400.0), st.floats(1.0, 400.0))
def test_demand_fades_with_age_and_grows_unsure(ratio, age, older):
    near, _ = demand([pair(ratio, 1.0, age)])
    far, _ = demand([pair(ratio, 1.0, age + older)])
    assert abs(math.log(far.value)) <= abs(math.log(near.value)) + 1e-9
    if abs(math.log(ratio)) < 0.6:
        assert near.log_spread <= far.log_spread <= 0.4 + 1e-9


def test_demand_order_of_lines_and_lines_to_come_do_not_matter():
    pairs = [pair(0.6, 0.5, 30), pair(0.7, 0.5, 10), pair(0.4, 0.5, 3)]
    assert demand(pairs)[0] == demand(pairs[::-1])[0]
    assert demand([*pairs, pair(3.0, 0.5, -2)])[0] == demand(pairs)[0]


def test_demand_repotting_keeps_a_part_and_loses_surety():
    pairs = [pair(0.8, 0.5, 40)] * 3
    kept, _ = demand(pairs)
    lost, _ = demand(pairs, [NOW - timedelta(days=20)])
    assert 1.0 < lost.value < kept.value
    assert kept.log_spread < lost.log_spread < 0.4


# --- from the journal ---------------------------------------------------------------------------------------


def lines(rows):
    begin = NOW - timedelta(days=10)
    return [
        JournalEntry(
            begin + timedelta(hours=row[0]), "a", row[1], row[2] if len(row) > 2 else None, "", "", n, n
        )
        for n, row in enumerate(rows, start=2)
    ]


def steady(from_utc, until_utc):
    return 0.01 * (until_utc - from_utc) / timedelta(hours=1), 0.0


@pytest.mark.parametrize("case", CASES["journal"], ids=ids)
def test_journal_gives_the_pairs_a_pencil_finds(case):
    entries = lines(case["lines"])
    pairs, _ = pairs_of(entries, weights_since(entries)[-1], 0.5, steady, NUMBERS)
    found = [(one.lost_l, one.modelled_l) for one in pairs]
    assert found == [pytest.approx((row["lost_l"], row["modelled_l"]), abs=1e-9) for row in case["pairs"]]


def test_journal_heavier_without_watering_is_named():
    entries = lines([[0, "watered"], [0.5, "weighed", 4.60], [22.5, "weighed", 4.80]])
    _, doubts = pairs_of(entries, weights_since(entries)[-1], 0.5, steady, NUMBERS)
    assert [(doubt.line, "without a watering" in doubt.found) for doubt in doubts] == [(4, True)]


@pytest.mark.parametrize(
    "hours", [(math.nan, 0.0), (0.22, 0.05), (0.22, math.nan)], ids=["no weather", "rain", "rain not known"]
)
def test_journal_pairs_in_rain_or_unknown_weather_do_not_count(hours):
    entries = lines([[0, "watered"], [0.5, "weighed", 4.80], [22.5, "weighed", 4.58]])
    pairs, _ = pairs_of(entries, weights_since(entries)[-1], 0.5, lambda *_: hours, NUMBERS)
    assert pairs == []


def test_journal_a_dry_tree_that_drank_less_for_want_of_water_is_not_called_frugal():
    """FAO-56 eq. 84: below 45 % uptake falls in a straight line; the tree would have drunk as modelled."""
    usable, wanted = 0.5, 0.40
    left = 0.225 * math.exp(-(wanted - 0.275) / 0.225)  # from full, by hand
    entries = lines([[0, "watered"], [0.5, "weighed", 4.80], [22.5, "weighed", 4.80 - (usable - left)]])
    (one,), _ = pairs_of(entries, weights_since(entries)[-1], usable, lambda *_: (wanted, 0.0), NUMBERS)
    assert one.lost_l == pytest.approx(wanted)


def test_journal_repotting_parts_the_weights():
    entries = lines([[0, "weighed", 4.8], [1, "repotted"], [2, "weighed", 5.6]])
    assert [[weight.kg for weight in pot] for pot in weights_since(entries)] == [[4.8], [5.6]]


@pytest.mark.parametrize("case", CASES["doubt"], ids=ids)
def test_doubtful_weights_are_named_with_what_was_meant(case):
    weights = [Weight(NOW + timedelta(days=n), kg, n) for n, kg in enumerate(case["kg"])]
    sound, doubtful = sound_weights(weights, case["holds_l"], case["pot_kg"], NUMBERS)
    assert [doubt.found for doubt in doubtful] == [f"{row['kg']:g} kg" for row in case["doubtful"]]
    for doubt, row in zip(doubtful, case["doubtful"], strict=True):
        if "meant" in row:
            assert doubt.meant_kg == pytest.approx(row["meant"], abs=0.005)
        else:
            assert doubt.meant_kg is None
    assert len(sound) + len(doubtful) == len(weights)


@given(st.lists(st.floats(4.0, 4.9), min_size=2, max_size=8), st.floats(0.001, 1000.0), st.integers(0, 7))
def test_doubtful_any_one_wrong_weight_leaves_the_others_sound(kg, wrong, place):
    row = place % (len(kg) + 1)
    mixed = [*kg[:row], wrong, *kg[row:]]
    weights = [Weight(NOW + timedelta(days=n), one, n) for n, one in enumerate(mixed)]
    sound, doubtful = sound_weights(weights, 1.0, 5.0, NUMBERS)
    if not 2.5 < wrong < 6.6:
        assert [doubt.line for doubt in doubtful] == [row]
        assert [weight.kg for weight in sound] == kg


# --- what the pot holds -------------------------------------------------------------------------------------


@pytest.mark.parametrize("case", CASES["usable"], ids=ids)
def test_usable_as_on_paper(case):
    factor = learn_usable(case["by_mix_l"], case["wilted_at_l"], case["survived_l"], NUMBERS)
    found = factor.value * case["by_mix_l"]
    if "usable_l" in case:
        assert found == pytest.approx(case["usable_l"], abs=case["within"])
    else:
        assert case["usable_low_l"] <= found <= case["usable_high_l"]


@given(st.floats(0.3, 0.8), st.floats(1.0, 1.5))
def test_usable_wilting_later_means_more_water(lost, later):
    """Within what a pot may hold beside its mix."""
    less = learn_usable(0.5, [lost], [], NUMBERS)
    more = learn_usable(0.5, [min(lost * later, 0.8)], [], NUMBERS)
    assert more.value >= less.value - 1e-9 or min(lost * later, 0.8) < lost
    assert less.log_spread < 0.3
    old = learn_usable(0.5, [lost], [], NUMBERS, age_d=400.0)
    assert old.log_spread > less.log_spread


def test_usable_one_impossible_loss_moves_it_little():
    clean = learn_usable(0.5, [0.6, 0.62], [0.3], NUMBERS)
    spoilt = learn_usable(0.5, [0.6, 0.62], [0.3, 4.0], NUMBERS)
    assert spoilt.value == pytest.approx(clean.value, rel=0.05)


@pytest.mark.parametrize("case", CASES["unused"], ids=ids)
def test_weights_that_tell_nothing_say_why(case):
    hourly = [float(case.get(name, usual)) for name, usual in (("use_l_per_h", 0.01), ("rain_l_per_h", 0.0))]

    def modelled(from_utc, until_utc):
        hours = (until_utc - from_utc) / timedelta(hours=1)
        return hourly[0] * hours, hourly[1] * hours

    entries = lines(case["rows"])
    sound = weights_since(entries)[-1]
    assert list(why_unused(entries, [sound], 0.5, modelled, NUMBERS)) == case["why"]
    pairs, _ = pairs_of(entries, sound, 0.5, modelled, NUMBERS)
    assert bool(pairs) is (not case["why"])
