"""Reading an exposure: spans, local days, direct sun that counts, and CSV."""

import csv
import io
from dataclasses import replace
from datetime import UTC, date, datetime, timedelta

import numpy as np
import pytest
from exposure.exposure_builders import (
    GARDEN,
    changed,
    holdings_of,
    morning,
    state_of,
    summer,
    tree_of,
    with_members,
)

from advisor.exposure.compute import compute_exposure
from advisor.exposure.csv_out import exposure_csv
from advisor.exposure.reading import day_slice, direct_sun_hours, span_slice, sun_on
from advisor.garden.model import Place

NOW = morning()
# the columns that README, scripts and spreadsheets rely on
COLUMNS = (
    "start_utc,direct_sun_share,shortwave_w_m2,leaf_temperature_c,vpd_kpa,wind_m_s,gust_m_s,rain_reaching_pot_mm,"
    "water_use_l,water_left_share,pot_rim_c,pot_core_c,bench_temperature_c,wet_bulb_c"
)


BENCH = (Place("bench", "Bench"),)


def compute(tables, weather, places=BENCH, **options):
    trees = [tree_of(tables, place.id, place=place.id) for place in places]
    states = {tree.id: state_of(tables, tree, NOW) for tree in trees}
    return compute_exposure(holdings_of(trees, places), states, weather, tables, NOW, **options)


def test_span_takes_hours_that_overlap_and_nothing_outside(tables):
    found = compute(tables, summer(3))
    start = datetime(2023, 7, 13, 22, tzinfo=UTC)
    assert span_slice(found, start, start + timedelta(hours=2)) == slice(0, 2)
    assert span_slice(found, start + timedelta(minutes=30), start + timedelta(minutes=61)) == slice(0, 2)
    assert span_slice(found, start - timedelta(days=2), start) == slice(0, 0)
    after = span_slice(found, start + timedelta(days=9), start + timedelta(days=10))
    assert after.stop == after.start


# EU directive 2000/84/EC: clocks go on by an hour on the last Sunday of March, back on the last of October
@pytest.mark.parametrize(
    ("day", "hours"), [(date(2023, 3, 26), 23), (date(2023, 10, 29), 25), (date(2023, 7, 1), 24)]
)
def test_day_has_the_hours_of_the_garden_clock(tables, day, hours):
    start = datetime(day.year, day.month, day.day, tzinfo=GARDEN.zone) - timedelta(days=2)
    found = compute(tables, summer(5, start=start))
    span = day_slice(found, day, GARDEN)
    assert span.stop - span.start == hours


def test_sun_hours_clear_day_most_of_the_daylight_and_cloudy_day_none(tables):
    weather = summer(3)
    clear = compute(tables, weather)
    span = (datetime(2023, 7, 15, tzinfo=GARDEN.zone), datetime(2023, 7, 16, tzinfo=GARDEN.zone))
    hours = direct_sun_hours(clear, "bench", *span, tables)
    # day length at 48 N in mid July is 15.7 h (FAO-56 table 2.7 between 48 and 50 N: 15.7 to 15.9)
    assert 13.5 < hours.value < 15.7
    assert hours.coverage == 1.0
    grey = changed(weather, diffuse_w_m2=weather.value("shortwave_w_m2"))
    assert direct_sun_hours(compute(tables, grey), "bench", *span, tables).value == 0.0


# WMO-No. 8: direct irradiance above 120 W/m2 is sunshine; a beam of 850 under nets of 80 and 90 % is
# 170 and 85
def test_sun_counts_under_a_net_while_the_beam_passes_the_sunshine_limit(tables):
    places = tuple(Place(f"n{p}", "", shade_fraction=p / 100) for p in (0, 80, 90))
    found = compute(tables, summer(2), places)
    noon = int(np.argmax(found.sun_elevation_deg))
    assert sun_on(found, tables)[:, noon].tolist() == [True, True, False]


def test_sun_hours_gap_is_said_not_counted_as_shade(tables):
    weather = summer(3)
    broken = weather.value("diffuse_w_m2").copy()
    row = weather.index_at(datetime(2023, 7, 15, 12, tzinfo=GARDEN.zone))
    broken[row] = np.nan
    found = compute(tables, changed(weather, diffuse_w_m2=broken))
    span = (datetime(2023, 7, 15, tzinfo=GARDEN.zone), datetime(2023, 7, 16, tzinfo=GARDEN.zone))
    assert np.isnan(direct_sun_hours(found, "bench", *span, tables).value)
    most = direct_sun_hours(found, "bench", *span, tables, minimum_coverage=0.9)
    assert most.coverage == pytest.approx(23 / 24)
    assert most.value > 12.0


def test_sun_hours_with_members_one_for_each(tables):
    found = compute(tables, with_members(summer(3), 4), members=True)
    span = (datetime(2023, 7, 15, tzinfo=GARDEN.zone), datetime(2023, 7, 16, tzinfo=GARDEN.zone))
    assert direct_sun_hours(found, "bench", *span, tables).value.shape == (4,)


def test_csv_has_the_agreed_columns_one_line_an_hour_and_empty_gaps(tables):
    weather = summer(3)
    air = weather.value("air_temperature_c").copy()
    air[50] = np.nan
    found = compute(tables, changed(weather, air_temperature_c=air))
    text = exposure_csv(found, "bench")
    assert text.split("\r\n")[0] == COLUMNS
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == weather.hours
    assert rows[0]["start_utc"] == "2023-07-13T22:00:00Z"
    assert rows[50]["leaf_temperature_c"] == ""
    assert rows[50]["bench_temperature_c"] == ""
    assert "nan" not in text.lower()
    for name in ("leaf_temperature_c", "pot_core_c", "wind_m_s"):
        assert float(rows[40][name]) == pytest.approx(getattr(found, name)[0, 40], abs=0.005)
    assert "-0.0" not in text


def test_csv_zero_has_no_sign_whatever_rounds_to_it(tables):
    found = compute(tables, summer(1))
    use = found.water_use_l.copy()
    use[0, :6] = [-0.00004, -0.00006, -0.0, 0.00004, -1.00004, -10.0]  # four digits after the point
    rows = list(csv.DictReader(io.StringIO(exposure_csv(replace(found, water_use_l=use), "bench"))))
    told = [row["water_use_l"] for row in rows[:6]]
    assert told == ["0.0000", "-0.0001", "0.0000", "0.0000", "-1.0000", "-10.0000"]


def test_csv_unknown_tree_and_member_confusion_are_refused(tables):
    found = compute(tables, summer(2))
    with pytest.raises(ValueError, match="tuple"):
        exposure_csv(found, "nobody")
    with pytest.raises(ValueError, match="member"):
        exposure_csv(found, "bench", member=0)
    many = compute(tables, with_members(summer(2), 2), members=True)
    with pytest.raises(ValueError, match="member"):
        exposure_csv(many, "bench")
    assert exposure_csv(many, "bench", member=1).startswith(COLUMNS)
    assert replace(found).tree_ids == ("bench",)
