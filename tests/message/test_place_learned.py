"""What a thermometer taught is said: in the foot of the mail, for the tree, and as numbers."""

from __future__ import annotations

from dataclasses import replace
from datetime import UTC, date, datetime

from exposure.exposure_builders import GARDEN, holdings_of, summer, tree_of

from advisor.exposure.places import place_temperature_c
from advisor.exposure.thermometer import readings_of_hours
from advisor.garden.model import Garden, Place, PlaceCorrection, PlaceReading
from advisor.message.answers import tree_text
from advisor.message.digest import digest_view
from advisor.message.json_out import tree_object
from advisor.message.place_learned import correction_words, corrections_object
from advisor.message.text import render_text
from advisor.message.view import DigestInput
from advisor.service.evaluate import AlertSettings, Evaluation, evaluate
from advisor.store.config_files import load_tables

NOW = datetime(2023, 7, 26, 5, tzinfo=UTC)
BENCH = Place("bench", "South bench")


def evaluation(garden: Garden = GARDEN) -> Evaluation:
    """A fortnight of clear nights, each 2 K colder at the bench than reckoned; one reading is absurd."""
    tables, table = load_tables(), summer(20)
    air = place_temperature_c(BENCH, table, GARDEN, tables)
    nights = [
        replace(one, air_c=one.air_c - 2.0)
        for one in readings_of_hours("bench", table.start_utc, air, GARDEN.zone, 0.99)
        if one.kind == "night-min" and one.day <= date(2023, 7, 26)
    ]
    nights[2] = replace(nights[2], air_c=40.0, line=7)
    holdings = replace(holdings_of([tree_of(tables)], (BENCH,), garden), readings=tuple(nights))
    return evaluate(holdings, tables, table, NOW, AlertSettings())


def test_mail_tree_and_numbers_say_the_same() -> None:
    found = evaluation()
    situation = found.situation
    mail = " ".join(render_text(digest_view(DigestInput(situation, found.advice))).split())
    correction = situation.holdings.places["bench"].correction
    assert correction is not None
    assert -2.0 < correction.night_k < -1.3
    words = f"nights {-correction.night_k:.1f} °C colder than reckoned, from {correction.night_readings}"
    assert f"South bench: {words} of your readings" in mail
    assert "40" in mail.split("set aside", 1)[1][:60]
    state = situation.states["a"]
    assert words in " ".join(tree_text(situation, state, found.advice).split())
    numbers = tree_object(situation, state)["place_correction"]
    assert numbers == corrections_object(situation)["bench"]
    assert numbers["night_readings"] == correction.night_readings
    assert numbers["set_aside"][0]["line"] == 7


def test_in_a_us_garden_degrees_are_fahrenheit() -> None:
    place = replace(BENCH, correction=PlaceCorrection(-1.0, 4))
    assert "nights 1.8 °F colder" in correction_words(place, "us")
    assert "nights 1.0 °C colder" in correction_words(place, "metric")


def test_one_reading_and_none_are_said_as_such() -> None:
    one = replace(BENCH, correction=PlaceCorrection(0.4, 1))
    assert correction_words(one, "metric").endswith("warmer than reckoned, from one reading of yours.")
    assert correction_words(BENCH, "metric") == ""
    wild = PlaceReading("bench", "night-min", date(2023, 7, 2), 31.0, 9)
    only = replace(BENCH, correction=PlaceCorrection(set_aside=(wild,)))
    assert "set aside" in correction_words(only, "metric")
    assert "line 9" in correction_words(only, "metric")
