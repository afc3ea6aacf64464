"""Joining tables: newest first, whole rows, nothing patched silently."""

from datetime import UTC, datetime, timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from weather.weather_tables import table

from advisor.errors import DataGap
from advisor.weather.blend import blend

DAY = datetime(2026, 6, 10, tzinfo=UTC)


def _at(hour):
    return DAY + timedelta(hours=hour)


def test_the_newest_table_gives_every_hour_it_knows_and_older_ones_the_rest():
    new = table("2026-06-10T06", 24, _at(12), "new", air_temperature_c=1.0)
    old = table("2026-06-10T00", 48, _at(6), "old", air_temperature_c=2.0)
    joined = blend([new, old], _at(0), _at(48), _at(12))
    np.testing.assert_array_equal(joined.value("air_temperature_c"), [2.0] * 6 + [1.0] * 24 + [2.0] * 18)
    assert joined.source_by_hour == ("old",) * 6 + ("new",) * 24 + ("old",) * 18
    assert joined.provenance.source == "new"
    assert joined.provenance.fetched_at_utc == _at(12)
    assert any("18 h to come from old, 6 h old" in note for note in joined.provenance.notes)
    assert joined.provenance.attribution == ("by new", "by old")


def test_a_row_is_taken_whole_so_that_its_values_fit_one_another():
    hole = np.where(np.arange(24) == 5, np.nan, 3.0)
    new = table("2026-06-10T00", 24, _at(2), "new", rain_mm=hole)
    old = table("2026-06-10T00", 24, _at(1), "old", rain_mm=7.0, cloud_cover_pct=50.0)
    joined = blend([new, old], _at(0), _at(24), _at(2))
    assert np.isnan(joined.value("rain_mm")[5])
    assert np.isnan(joined.value("cloud_cover_pct")).all()


def test_an_hour_without_air_temperature_comes_from_the_older_table():
    new = table(
        "2026-06-10T00", 24, _at(2), "new", air_temperature_c=np.where(np.arange(24) == 5, np.nan, 1.0)
    )
    old = table("2026-06-10T00", 24, _at(1), "old", air_temperature_c=9.0, rain_mm=0.5)
    joined = blend([new, old], _at(0), _at(24), _at(2))
    assert joined.value("air_temperature_c")[5] == 9.0
    assert joined.value("rain_mm")[5] == 0.5
    assert np.isnan(joined.value("rain_mm")[6])


def test_hours_nobody_knows_are_gaps_and_said():
    joined = blend([table("2026-06-10T06", 6, _at(2))], _at(0), _at(24), _at(2))
    assert joined.hours == 24
    assert np.isfinite(joined.value("air_temperature_c")).sum() == 6
    assert joined.source_by_hour[0] == ""
    assert "gap: 18 h without any weather" in joined.provenance.notes


def test_what_was_fetched_later_does_not_exist_yet():
    late = table("2026-06-10T00", 24, _at(13), "late", air_temperature_c=1.0)
    early = table("2026-06-10T00", 24, _at(6), "early", air_temperature_c=2.0)
    assert set(blend([late, early], _at(0), _at(24), _at(12)).source_by_hour) == {"early"}
    with pytest.raises(DataGap, match="air_temperature_c"):
        blend([late], _at(0), _at(24), _at(12))


def test_the_seam_is_where_the_forecast_begins():
    whole = table("2026-06-10T00", 48, _at(12) + timedelta(minutes=20))
    assert blend([whole], _at(0), _at(48), _at(14)).seam_utc == _at(12)
    past = table("2026-06-10T00", 10, _at(20))
    assert blend([past], _at(0), _at(10), _at(20)).seam_utc is None


def test_past_hours_known_only_as_forecast_are_said():
    joined = blend([table("2026-06-10T00", 48, _at(2))], _at(0), _at(48), _at(12))
    assert any(note.startswith("past as forecast: 10 h") for note in joined.provenance.notes)


def test_hail_is_named_only_if_every_table_with_codes_may_name_it():
    from dataclasses import replace

    one = table("2026-06-10T00", 12, _at(2), weather_code=0.0)
    icon = replace(one, provenance=replace(one.provenance, model_names_hail=True))
    other = table("2026-06-10T12", 12, _at(1), weather_code=0.0)
    assert blend([icon], _at(0), _at(12), _at(2)).provenance.model_names_hail is True
    assert blend([icon, other], _at(0), _at(24), _at(2)).provenance.model_names_hail is False


def test_wrong_way_round_is_refused():
    with pytest.raises(ValueError, match="end after"):
        blend([table()], _at(5), _at(5), _at(6))


spans = st.lists(
    st.tuples(st.integers(-30, 60), st.integers(1, 50), st.integers(0, 40)), min_size=1, max_size=5
)


@given(spans, st.integers(-10, 40), st.integers(1, 60))
@settings(derandomize=True, max_examples=200, deadline=None)
def test_every_hour_is_that_of_the_first_table_that_has_it(parts, first, hours):
    tables = [
        table(
            str(np.datetime64("2026-06-10T00", "s") + np.timedelta64(begin, "h")),
            size,
            _at(fetched),
            f"t{n}",
            air_temperature_c=float(n),
        )
        for n, (begin, size, fetched) in enumerate(parts)
    ]
    now = _at(20)
    expected = []
    for hour in range(first, first + hours):
        takers = [
            n
            for n, (begin, size, fetched) in enumerate(parts)
            if fetched <= 20 and begin <= hour < begin + size
        ]
        expected.append(float(takers[0]) if takers else np.nan)
    if np.isnan(expected).all():
        with pytest.raises(DataGap):
            blend(tables, _at(first), _at(first + hours), now)
        return
    joined = blend(tables, _at(first), _at(first + hours), now)
    np.testing.assert_array_equal(joined.value("air_temperature_c"), expected)
    assert np.all(np.diff(joined.start_utc) == np.timedelta64(3600, "s"))
    again = blend([joined], _at(first), _at(first + hours), now)
    np.testing.assert_array_equal(again.value("air_temperature_c"), expected)
