"""Local days of warmth: clock changes, gaps, places. Expected values by hand from the definitions."""

from __future__ import annotations

from datetime import UTC, date, datetime, timedelta
from zoneinfo import ZoneInfo

import numpy as np
import pytest

from advisor.garden.warmth import Stay, Warmth, joined, spliced, warmth_from_hours, warmth_side_by_side

BERLIN = ZoneInfo("Europe/Berlin")


def _hours(first: datetime, count: int) -> np.ndarray:
    start = np.datetime64(first.astimezone(UTC).replace(tzinfo=None), "s")
    return start + np.arange(count) * np.timedelta64(3600, "s")


def _constant(first: date, count: int, value: float) -> Warmth:
    start = datetime(first.year, first.month, first.day, tzinfo=BERLIN)
    return warmth_from_hours(_hours(start, count * 24), np.full(count * 24, value), BERLIN)


def test_warmth_of_a_constant_day_is_mean_less_base() -> None:
    warmth = _constant(date(2026, 6, 1), 3, 15.0)
    assert warmth.days == (date(2026, 6, 1), date(2026, 6, 2), date(2026, 6, 3))
    np.testing.assert_allclose(warmth.degree_days_5, 10.0)
    np.testing.assert_allclose(warmth.degree_days_10, 5.0)
    np.testing.assert_allclose(warmth.mean_c, 15.0)
    assert warmth.warmth_between(date(2026, 6, 1), date(2026, 6, 3)) == (pytest.approx(30.0), 1.0)
    assert warmth.warmth_between(date(2026, 6, 2), date(2026, 6, 3), 10.0) == (pytest.approx(10.0), 1.0)


def test_warmth_half_the_day_cold_counts_the_warm_hours_only() -> None:
    """Hourly degree days: twelve hours at 17 and twelve at 0 give 6 over 5 degC, the daily mean only 3.5."""
    values = np.repeat([17.0, 0.0], 12)
    warmth = warmth_from_hours(_hours(datetime(2026, 6, 1, tzinfo=BERLIN), 24), values, BERLIN)
    assert warmth.degree_days_5[0] == pytest.approx(6.0)
    assert (warmth.max_c[0], warmth.min_c[0]) == (17.0, 0.0)


@pytest.mark.parametrize(
    ("day", "hours"), [(date(2026, 3, 29), 23), (date(2026, 10, 25), 25), (date(2026, 6, 1), 24)]
)
def test_warmth_clock_change_day_has_its_own_length(day: date, hours: int) -> None:
    """Clock changes of 2026 in central Europe: Directive 2000/84/EC (last Sundays of March and October)."""
    start = datetime(day.year, day.month, day.day, tzinfo=BERLIN)
    warmth = warmth_from_hours(_hours(start, hours), np.full(hours, 15.0), BERLIN)
    assert warmth.days == (day,)
    assert warmth.degree_days_5[0] == pytest.approx(10.0)
    short = warmth_from_hours(_hours(start, hours - 3), np.full(hours - 3, 15.0), BERLIN)
    assert np.isnan(short.degree_days_5[0])


@pytest.mark.parametrize(("missing", "known"), [(0, True), (2, True), (3, False), (24, False)])
def test_warmth_day_below_nine_tenths_is_missing_in_every_column(missing: int, known: bool) -> None:
    values = np.full(24, 4.0)
    values[:missing] = np.nan
    warmth = warmth_from_hours(_hours(datetime(2026, 6, 1, tzinfo=BERLIN), 24), values, BERLIN)
    for name in ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days"):
        assert np.isfinite(getattr(warmth, name)[0]) == known, name
    if known:
        assert warmth.chill_days[0] == 1.0
        assert warmth.degree_days_5[0] == 0.0


def test_warmth_between_outside_the_table_is_missing_not_cold() -> None:
    warmth = _constant(date(2026, 6, 1), 5, 15.0)
    total, coverage = warmth.warmth_between(date(2026, 5, 27), date(2026, 6, 5))
    assert (total, coverage) == (pytest.approx(50.0), pytest.approx(0.5))
    nothing, none = warmth.warmth_between(date(2020, 1, 1), date(2020, 1, 3))
    assert np.isnan(nothing)
    assert none == 0.0
    assert warmth.warmth_between(date(2026, 6, 3), date(2026, 6, 2)) == (0.0, 1.0)
    with pytest.raises(ValueError, match="5 and 10"):
        warmth.warmth_between(date(2026, 6, 1), date(2026, 6, 2), 7.0)


def test_warmth_without_hours_is_empty() -> None:
    warmth = warmth_from_hours(np.empty(0, "datetime64[s]"), np.empty(0), BERLIN)
    assert warmth.days == ()
    assert warmth.warmth_between(date(2026, 6, 1), date(2026, 6, 2))[1] == 0.0


def test_warmth_lengths_that_differ_raise() -> None:
    with pytest.raises(ValueError, match="hours"):
        warmth_from_hours(_hours(datetime(2026, 6, 1, tzinfo=UTC), 3), np.zeros(2), BERLIN)


def test_spliced_takes_each_day_from_the_place_the_tree_stood_in() -> None:
    first = date(2026, 1, 1)
    places = {"bench": _constant(first, 20, 0.0), "garage": _constant(first, 20, 12.0), "attic": None}
    stays = [Stay(None, "bench"), Stay(date(2026, 1, 6), "garage"), Stay(date(2026, 1, 16), "attic")]
    met = spliced(places, stays)
    assert met is not None
    np.testing.assert_allclose(met.mean_c[:5], 0.0)
    np.testing.assert_allclose(met.mean_c[5:15], 12.0)
    assert np.isnan(met.mean_c[15:]).all()
    assert spliced({}, stays) is None


def test_joined_prefers_the_observed_day() -> None:
    past, ahead = _constant(date(2026, 1, 1), 3, 1.0), _constant(date(2026, 1, 3), 3, 9.0)
    met = joined(past, ahead)
    assert met is not None
    np.testing.assert_allclose(met.mean_c, [1.0, 1.0, 1.0, 9.0, 9.0])
    assert met.days[-1] == date(2026, 1, 1) + timedelta(days=4)
    assert joined(None, None) is None


def test_warmth_of_places_side_by_side_is_that_of_each_alone() -> None:
    stamps = _hours(datetime(2026, 3, 27, 5, tzinfo=BERLIN), 24 * 4)  # over the change of clocks
    warm = 8.0 + 6.0 * np.sin(np.arange(stamps.size) / 24.0 * 2.0 * np.pi)
    gappy = np.where(np.arange(stamps.size) % 5 == 0, np.nan, warm - 7.0)
    together = warmth_side_by_side(stamps, np.stack([warm, gappy]), BERLIN)
    for found, air in zip(together, (warm, gappy), strict=True):
        alone = warmth_from_hours(stamps, air, BERLIN)
        assert found.days == alone.days
        for name in ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days"):
            np.testing.assert_array_equal(getattr(found, name), getattr(alone, name))
    assert not np.array_equal(together[0].mean_c, together[1].mean_c, equal_nan=True)
