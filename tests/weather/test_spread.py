"""The spread without members: widths that grow, chances of the normal distribution."""

import json
from datetime import timedelta
from pathlib import Path

import numpy as np
import pytest
from servers.observations import observed
from weather.weather_tables import numbers

from advisor.errors import SettingsError
from advisor.units import NumberTable
from advisor.weather.spread import chance_above, chance_below, temperature_error_sd_k

CASES = json.loads((Path(__file__).parent / "weather_cases.json").read_text())


@pytest.mark.parametrize(("z", "share"), CASES["normal_table"]["rows"])
def test_chances_are_those_of_the_table_of_the_normal_distribution(z, share):
    assert chance_above(30.0 + 2.0 * z, 30.0, 2.0) == pytest.approx(share, abs=5.1e-5)
    assert chance_above(30.0 - 2.0 * z, 30.0, 2.0) == pytest.approx(1 - share, abs=5.1e-5)
    assert chance_below(30.0 - 2.0 * z, 30.0, 2.0) == pytest.approx(share, abs=5.1e-5)


def test_without_spread_the_forecast_is_the_truth():
    np.testing.assert_array_equal(chance_above([29.9, 30.0, 30.1], 30.0, 0.0), [0, 1, 1])
    np.testing.assert_array_equal(chance_below([29.9, 30.0, 30.1], 30.0, 0.0), [1, 1, 0])


def test_what_is_not_known_has_no_chance():
    assert np.isnan(
        chance_above([np.nan, 1.0, 1.0, 1.0], [1.0, np.nan, 1.0, 1.0], [1.0, 1.0, np.nan, -1.0])
    ).all()
    assert np.isnan(temperature_error_sd_k(np.nan, numbers()))


def test_width_is_that_of_the_rows_linear_between_and_held_outside():
    got = temperature_error_sd_k([-5, 0, 24, 72, 120, 156, 192, 400], numbers())
    np.testing.assert_allclose(got, [1.5, 1.5, 1.5, 2.0, 2.5, 3.0, 3.5, 3.5])


@pytest.mark.parametrize("days", [1, 5, 8])
def test_a_forecast_is_better_than_saying_that_nothing_will_change(days):
    """Common practice of verification: skill over persistence. Real hours of 2013 at LaGuardia (CC0)."""
    reports = observed("LGA")
    lead = timedelta(days=days)
    errors = [
        (reports[at].temperature_f - reports[at + lead].temperature_f) / 1.8
        for at in reports
        if at + lead in reports
    ]
    persistence = float(np.std(errors))
    assert 0.2 * persistence < float(temperature_error_sd_k(24.0 * days, numbers())) < persistence


def test_missing_rows_are_named():
    with pytest.raises(SettingsError, match=r"spread\.sd_dayN_k"):
        temperature_error_sd_k(24, NumberTable("physics.toml", {}))
