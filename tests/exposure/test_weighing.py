"""From weights in the journal to the thirst of a tree where it stands, and what follows from it."""

import tomllib
from dataclasses import replace
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from exposure.exposure_builders import GARDEN, changed, holdings_of, morning, state_of, summer, tree_of

from advisor.exposure.compute import compute_exposure
from advisor.exposure.places import place_temperature_c
from advisor.exposure.water import allowance_share
from advisor.exposure.weighing import learn_thirst
from advisor.garden.model import JournalEntry, Place
from advisor.garden.thirst import Factor, Thirst
from advisor.garden.warmth import warmth_from_hours
from advisor.message.tree_water import weights_words

NOW = morning(day=24)
HOUR = timedelta(hours=1)
BENCH = Place("bench", "Bench")
TREE_KG = 12.0


def weather(days=14):
    return summer(days, start=morning(day=14, hour=0))


def warmth_of(table, tables):
    warmth = warmth_from_hours(
        table.start_utc, place_temperature_c(BENCH, table, GARDEN, tables), GARDEN.zone
    )
    return {"bench": warmth}


def line(at, entry, amount=None, n=2):
    return JournalEntry(at, "a", entry, amount, "kg" if entry == "weighed" else "", "", n, n)


def tree_for(tables):
    return tree_of(tables, size="chuhin-large")


def in_leaf():
    """Seen in hard leaf long ago, so that the state is that of full leaf throughout."""
    return line(morning(month=6, day=10, hour=9), "leaves-hard", n=1)


def use_between(tables, from_utc, until_utc):
    """Litres that the class uses between two full hours, read from the exposure."""
    tree = tree_for(tables)
    found = compute_exposure(holdings_of([tree]), {"a": state_of(tables, tree, NOW)}, weather(), tables, NOW)
    first, last = weather().index_at(from_utc), weather().index_at(until_utc)
    return float(found.water_use_l[0, first:last].sum())


def weighed_days(tables, factor, days, *, slip=None):
    """Watered through at 7, weighed at 8 and at 13: a pot with more than 45 % left drinks without stint."""
    lines, n = [in_leaf()], 2
    for day in days:
        at = morning(day=day, hour=7)
        drunk = factor * use_between(tables, at + HOUR, at + 6 * HOUR)
        for when, entry, kg in (
            (at, "watered", None),
            (at + HOUR, "weighed", TREE_KG),
            (at + 6 * HOUR, "weighed", TREE_KG - drunk),
        ):
            lines.append(line(when, entry, kg, n))
            n += 1
    if slip is not None:
        which, kg = slip
        lines[which] = replace(lines[which], amount=kg)
    return lines


def learned(tables, journal, now=NOW, table=None):
    table = weather() if table is None else table
    holdings = holdings_of([tree_for(tables)], (BENCH,), journal=journal)
    return learn_thirst(holdings, table, warmth_of(table, tables), tables, now).get("a")


@pytest.mark.parametrize("factor", [0.75, 1.0, 1.3])
def test_thirst_put_into_weights_is_found_again(tables, factor):
    found = learned(tables, weighed_days(tables, factor, [16, 18, 20, 22]))
    assert found.weighings == 8
    # four pairs take the logarithm nine tenths of the way
    assert np.log(found.demand.value) == pytest.approx(0.91 * np.log(factor), abs=0.03)
    assert f"drinks {found.demand.value:.1f} times what its size class would" in found.words
    assert "from 8 weighings" in found.words
    assert not found.doubtful


def test_thirst_tree_never_weighed_has_none(tables):
    assert learned(tables, [in_leaf(), line(morning(day=20), "watered")]) is None


def test_thirst_slipped_point_is_named_and_moves_nothing(tables):
    clean = learned(tables, weighed_days(tables, 1.3, [16, 18, 20, 22]))
    spoilt = learned(tables, weighed_days(tables, 1.3, [16, 18, 20, 22], slip=(5, 120.0)))
    assert spoilt.demand.value == pytest.approx(clean.demand.value, rel=0.05)
    (words,) = spoilt.doubtful
    assert "120 kg" in words
    assert "was it 12.00 kg?" in words
    assert spoilt.wrong_lines == {6}


def test_thirst_wrong_weight_says_nothing_of_the_water_left(tables):
    """A full weight of 120 instead of 12 kg would read every later weight as an empty pot."""
    tree, now = tree_for(tables), morning(day=22, hour=14)
    left = []
    for slip in (None, (8, 120.0)):
        journal = weighed_days(tables, 1.0, [16, 18, 22], slip=slip)
        holdings = holdings_of([tree], (BENCH,), journal=journal)
        states = {"a": state_of(tables, tree, now)}
        thirst = learn_thirst(holdings, weather(), warmth_of(weather(), tables), tables, now)
        found = compute_exposure(holdings, states, weather(), tables, now, thirst=thirst)
        left.append(found.left_now_share[0])
    assert left[0] > 0.3
    assert left[1] == pytest.approx(left[0], abs=0.03)


def test_thirst_corrects_use_and_left_and_is_carried_by_the_exposure(tables):
    tree = tree_for(tables)
    journal = weighed_days(tables, 1.3, [16, 18, 20, 22])
    holdings = holdings_of([tree], (BENCH,), journal=journal)
    states = {"a": state_of(tables, tree, NOW)}
    thirst = learn_thirst(holdings, weather(), warmth_of(weather(), tables), tables, NOW)
    plain = compute_exposure(holdings, states, weather(), tables, NOW)
    taught = compute_exposure(holdings, states, weather(), tables, NOW, thirst=thirst)
    assert taught.water_use_l == pytest.approx(plain.water_use_l * thirst["a"].demand.value)
    assert taught.thirst["a"] is thirst["a"]


@pytest.mark.parametrize("name", ["air_temperature_c", "rain_mm"])
def test_thirst_pairs_over_unknown_weather_do_not_count(tables, name):
    table = weather()
    values = table.value(name).copy()
    row = table.index_at(morning(day=18, hour=12))
    values[row] = np.nan
    found = learned(
        tables, weighed_days(tables, 1.3, [16, 18, 20, 22]), table=changed(table, **{name: values})
    )
    assert found.weighings == 6


def test_thirst_pair_in_the_rain_does_not_count(tables):
    table = weather()
    rain = table.value("rain_mm").copy()
    row = table.index_at(morning(day=18, hour=12))
    rain[row : row + 3] = 6.0
    found = learned(tables, weighed_days(tables, 1.3, [16, 18, 20, 22]), table=changed(table, rain_mm=rain))
    assert found.weighings == 6


def test_thirst_a_mended_line_counts_at_once_and_later_lines_do_not(tables):
    journal = weighed_days(tables, 1.3, [16, 18, 20, 22])
    early = learned(tables, journal, now=morning(day=19))
    assert early.weighings == 4
    assert early.demand.log_spread > learned(tables, journal).demand.log_spread


def test_pot_that_wilted_late_holds_more_than_its_mix(tables):
    tree = tree_for(tables)
    plain = compute_exposure(holdings_of([tree]), {"a": state_of(tables, tree, NOW)}, weather(), tables, NOW)
    at = morning(day=20, hour=7)
    lost = 1.4 * float(plain.usable_l[0])
    journal = [
        in_leaf(),
        line(at, "watered", None, 2),
        line(at + HOUR, "weighed", TREE_KG, 3),
        line(at + 34 * HOUR, "weighed", TREE_KG - lost, 4),
        line(at + 34 * HOUR, "wilted", None, 5),
    ]
    holdings = holdings_of([tree], (BENCH,), journal=journal)
    thirst = learn_thirst(holdings, weather(), warmth_of(weather(), tables), tables, NOW)
    found = compute_exposure(
        holdings, {"a": state_of(tables, tree, NOW)}, weather(), tables, NOW, thirst=thirst
    )
    assert 1.15 < found.usable_l[0] / plain.usable_l[0] < 1.4
    # what the pot holds for good and what it gives go up together
    assert found.capacity_l[0] - plain.capacity_l[0] == pytest.approx(found.usable_l[0] - plain.usable_l[0])
    repotted = [*journal, line(morning(day=22), "repotted", None, 6)]
    anew = learn_thirst(
        holdings_of([tree], (BENCH,), journal=repotted), weather(), warmth_of(weather(), tables), tables, NOW
    )
    assert anew["a"].usable.value == 1.0


@pytest.mark.parametrize(
    "case",
    tomllib.loads(Path(__file__).with_name("water_told.toml").read_text(encoding="utf-8"))["allowance"],
    ids=lambda case: case["id"],
)
def test_allowance_goes_with_what_weights_taught(tables, case):
    known = None
    if "readings" in case:
        spread = case["of_prior"] * tables.physics.value("thirst.demand_spread", "1")
        known = Thirst(Factor(1.2, spread, case["readings"]), Factor(1.0, 0.2, 0), 2 * case["readings"])
    assert allowance_share(known, tables) == pytest.approx(case["expected"])


def test_well_weighed_tree_is_watered_no_earlier_than_one_known_by_its_size(tables):
    """The same tree, factor one: what is known for sure needs no allowance (monotone)."""
    tree = tree_of(tables, size="chuhin")
    found = []
    for of_prior in (1.0, 0.2):
        spread = of_prior * tables.physics.value("thirst.demand_spread", "1")
        taught = {"a": Thirst(Factor(1.0, spread, 20), Factor(1.0, 0.2, 0), 40)}
        state = state_of(tables, tree, NOW)
        found.append(
            compute_exposure(holdings_of([tree]), {"a": state}, weather(), tables, NOW, thirst=taught)
        )
    unsure, sure = (np.flatnonzero(one.waterings_l[0] > 0.0) for one in found)
    assert unsure.size
    assert not sure.size or sure[0] >= unsure[0]
    np.testing.assert_array_equal(found[0].water_use_l, found[1].water_use_l)


def test_tree_whose_weights_do_not_count_is_told_why_and_not_only_to_weigh(tables):
    """Who stood at the scale for nothing must learn what to do otherwise (common sense)."""
    at = morning(day=20, hour=8)
    journal = [in_leaf(), line(at, "weighed", TREE_KG, 2), line(at + HOUR, "weighed", TREE_KG - 0.1, 3)]
    found = learned(tables, journal)
    assert found.demand.readings == 0
    assert found.unused == ("less than 4 h apart (1 of 1 pairs)",)
    said = weights_words(found, 0.4)
    assert "weights logged do not count yet: less than 4 h apart (1 of 1 pairs)" in said
    assert "between two waterings" in said
    assert "do not count" not in weights_words(None, 0.4)
    assert learned(tables, weighed_days(tables, 1.0, [16, 18])).unused == ()
