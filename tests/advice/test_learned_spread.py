"""The error learned here changes how likely harm is said to be, and nothing else."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from statistics import NormalDist

import numpy as np
import pytest
from advice.rule_builders import ZONE, build
from weather.error_tables import learned, noise

from advisor.advice.chance import gust_spread_share, spread_k
from advisor.advice.frost import judge_night
from advisor.advice.gale import judge_wind
from advisor.advice.heat import heat_day
from advisor.advice.model import Situation
from advisor.message.error_table import error_object, error_text, spread_words
from advisor.message.parts.foot import weather_line

SURE, UNSURE = (learned(90, noise(0.0, sd)) for sd in (0.4, 6.0))
BIASED = learned(90, noise(2.0, 1.0))


def night(**day: float) -> Situation:
    return build(
        {
            "now": datetime(2026, 4, 20, 6, tzinfo=ZONE),
            "weather": [{"from": 0, "to": 9, "air_min_c": 1.5, "air_max_c": 15.0, **day}],
            "trees": [{"id": "ember", "stage": "LEAVES_UNFOLDING", "needs": {"frost_limit_c": 0.0}}],
        }
    )


def test_a_surer_forecast_makes_a_near_frost_less_likely_and_moves_no_margin():
    plain = night()
    usual, sure, unsure = (
        judge_night(replace(plain, forecast_error=error), date(2026, 4, 21)) for error in (None, SURE, UNSURE)
    )
    np.testing.assert_array_equal(usual.shoot_margin_k, sure.shoot_margin_k)
    assert usual.shoot_margin_k[0] < 0.0
    assert sure.shoot_chance[0] < usual.shoot_chance[0] < unsure.shoot_chance[0] < 0.5
    # The chance is that of a normal error, by another library.
    middle = datetime(2026, 4, 22, 0, tzinfo=ZONE)
    for found, error in ((usual, None), (sure, SURE), (unsure, UNSURE)):
        width = spread_k(replace(plain, forecast_error=error), middle)
        expected = NormalDist().cdf(float(found.shoot_margin_k[0]) / width)
        assert found.shoot_chance[0] == pytest.approx(expected, abs=0.02)


def test_heat_and_wind_follow_the_learned_error_too():
    hot = build(
        {
            "now": datetime(2026, 7, 10, 6, tzinfo=ZONE),
            "weather": [{"from": 0, "to": 9, "air_max_c": 33.0, "gust_m_s": 12.0}],
            "trees": [
                {"id": "ember", "needs": {"leaf_limit_c": 40.0, "gust_m_s": 14.0, "vpd_limit_kpa": 9.0}}
            ],
        }
    )
    known = replace(hot, forecast_error=UNSURE)
    day = date(2026, 7, 12)
    plain, learned_day = heat_day(hot, day), heat_day(known, day)
    assert learned_day.margin_k[0] == plain.margin_k[0] != 0.0
    assert abs(learned_day.chance[0] - 0.5) < abs(plain.chance[0] - 0.5)
    at = datetime(2026, 7, 12, 12, tzinfo=ZONE)
    # Gusts a fifth too high and the same every time: more certain than the usual error.
    assert gust_spread_share(known, at) < gust_spread_share(hot, at)
    blows = [judge_wind(one, at, at + timedelta(hours=3)) for one in (hot, known)]
    np.testing.assert_array_equal(blows[0].gust_m_s, blows[1].gust_m_s)


def test_an_old_forecast_is_less_sure_by_its_age():
    fresh = replace(night(), forecast_error=SURE, weather_age_h=1.0)
    stale = replace(fresh, weather_age_h=60.0)
    at = datetime(2026, 4, 27, 3, tzinfo=ZONE)
    assert spread_k(stale, at) > spread_k(fresh, at)


def test_the_foot_says_whose_error_is_used():
    plain = night()
    assert "single forecast, usual error" in weather_line(plain)
    known = replace(plain, forecast_error=replace(SURE, reference="Mill Field (FIELD, 6 km away)"))
    assert "error of the last 91 days here, against Mill Field (FIELD, 6 km away)" in weather_line(known)
    few = replace(plain, forecast_error=learned(5, noise(0.0, 1.0)))
    assert spread_words(few) == "usual error"


@pytest.mark.parametrize(("units", "bias", "spread"), [("metric", "+2.0 ±", "K"), ("us", "+3.6 ±", "°F")])
def test_the_table_has_a_row_a_lead_time_in_the_growers_units(units, bias, spread):
    plain = night()
    garden = replace(plain.holdings.garden, units=units)
    known = replace(plain, holdings=replace(plain.holdings, garden=garden), forecast_error=BIASED)
    text = error_text(known)
    assert f", in {spread}," in " ".join(text.split())
    rows = [line for line in text.splitlines() if line.split(" ")[1:3] == ["to", line.split(" ")[2]]]
    assert [row.split(" h ")[0] for row in rows] == [
        "0 to 24",
        "24 to 48",
        "48 to 96",
        "96 to 168",
        "168 to 240",
    ]
    tenths = round(BIASED.by_lead[0].bias * (1.8 if units == "us" else 1.0), 1)
    assert f"+{tenths} ±" in rows[0]
    assert abs(tenths - float(bias[1:4])) <= 0.2
    assert "Corrected 0 to 24 h ahead" in text
    assert error_text(plain).startswith("Nothing is learned")


def test_json_of_the_error_has_no_gap_in_disguise():
    known = replace(night(), forecast_error=learned(2, noise(0.0, 1.0)))
    found = error_object(known)
    assert found is not None
    last = found["leads"][-1]
    assert last["air_temperature_k"] == {
        "count": 0, "days": 0, "bias": None, "spread": None, "root_mean_square": None,
    }  # fmt: skip
    assert found["leads"][0]["air_temperature_k"]["count"] > 0
    assert error_object(night()) is None
