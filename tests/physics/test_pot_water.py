from __future__ import annotations

import numpy as np
import pytest

from advisor.physics.pot_water import (
    PotBalance,
    container_capacity_share,
    crown_area_m2,
    deplete,
    litres_from_mm,
    pot_volume_l,
    rain_reaching_pot_mm,
    run_balance,
    stress_factor,
    substrate_evaporation_l,
    top_area_m2,
    transpiration_l,
    water_share_at_suction,
)

GRANULAR = (0.70, 0.15, 0.6, 1.8)


def test_container_capacity_is_the_mean_of_the_curve_over_the_depth() -> None:
    for depth in (4.0, 10.0, 40.0):
        heights = (np.arange(20000) + 0.5) * depth / 20000
        mean = water_share_at_suction(heights / 10.19716, *GRANULAR).mean()
        assert container_capacity_share(depth, *GRANULAR) == pytest.approx(mean, abs=1e-6)


def test_container_capacity_golden_unchanged() -> None:
    """golden: independent script, coarse granular mix."""
    ours = container_capacity_share([4, 6, 10, 20], *GRANULAR)
    np.testing.assert_allclose(ours, [0.54, 0.48, 0.41, 0.33], atol=0.006)


def test_water_share_at_its_ends() -> None:
    assert water_share_at_suction(0, *GRANULAR) == pytest.approx(0.70)
    assert water_share_at_suction(1e6, *GRANULAR) == pytest.approx(0.15, abs=1e-3)
    assert np.isnan(water_share_at_suction(-1, *GRANULAR))
    assert np.isnan(container_capacity_share(0, *GRANULAR))


def test_areas_and_volumes_by_hand() -> None:
    assert crown_area_m2(100) == pytest.approx(0.785398, abs=1e-6)
    assert top_area_m2(40, 30, 1) == pytest.approx(0.12)
    assert top_area_m2(20, 20) == pytest.approx(float(crown_area_m2(20)))
    assert pot_volume_l(0.12, 7) == pytest.approx(8.4)
    assert litres_from_mm(5, 0.12) == pytest.approx(0.6)


def test_demand_by_hand_and_dew_is_no_demand() -> None:
    """6 mm on 0.25 m2 of leaves: 6 x 0.25 / 2.88 = 0.5208 l; on 0.06 m2 at Ke 0.3: 0.108 l."""
    np.testing.assert_allclose(transpiration_l([6, -0.02, np.nan], 0.25), [0.520833, 0.0, np.nan], atol=1e-6)
    np.testing.assert_allclose(
        substrate_evaporation_l([6, -0.02, np.nan], 0.06, 0.3), [0.108, 0.0, np.nan], atol=1e-9
    )


def test_the_quick_step_is_the_step_without_watering() -> None:
    """Drained, stressed and empty pots, pots without stress, and pots that hold nothing."""
    random = np.random.default_rng(7)
    capacity = np.append(random.uniform(0.05, 8.0, 200), [0.0, 1.0])
    water = capacity * np.append(random.uniform(0.0, 1.0, 200), [0.5, 0.0])
    use, rain = random.uniform(0.0, 3.0, 202), np.where(random.uniform(size=202) < 0.5, 0.0, 2.0)
    for stress in (0.0, 0.5, np.append(np.full(201, 0.4), 0.0)):
        ours = PotBalance.of(capacity, stress).step(water, use, rain)
        np.testing.assert_allclose(
            ours, deplete(water, capacity, use, rain, False, stress)[0], rtol=1e-14, atol=1e-15
        )


def test_rain_wets_the_crown_once_an_event() -> None:
    rain = np.array([1.0, 1.0, 0.0, 2.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 3.0])
    reached = rain_reaching_pot_mm(rain, 1.5, 0.5, False)
    np.testing.assert_allclose(reached, [0.0, 0.25, 0, 1.0, 0, 0, 0, 0, 0, 0, 0.75])


def test_rain_five_dry_hours_are_the_same_event() -> None:
    rain = np.array([2.0, 0, 0, 0, 0, 0, 2.0])
    np.testing.assert_allclose(rain_reaching_pot_mm(rain, 1.5, 1.0, False)[-1], 2.0)


def test_rain_unknown_is_unknown_but_not_under_a_roof() -> None:
    rain = np.array([2.0, np.nan, 2.0])
    np.testing.assert_allclose(rain_reaching_pot_mm(rain, 1.0, 1.0, False), [1.0, np.nan, 2.0])
    np.testing.assert_array_equal(rain_reaching_pot_mm(rain, 1.0, 1.0, True), 0.0)


def test_stress_factor_fao_equation_84() -> None:
    """TAW 100, p 0.5, depleted by 75: Ks = 25 / 50."""
    np.testing.assert_allclose(stress_factor([100, 50, 25, 0, -5], 100, 0.5), [1, 1, 0.5, 0, 0])
    np.testing.assert_array_equal(stress_factor([1.0, 0.0, np.nan], 1.0, 0.0), [1.0, 0.0, np.nan])


def test_deplete_drains_what_is_over_and_takes_no_more_than_there_is() -> None:
    water, drained, used = deplete(0.8, 1.0, 0.3, 0.5, False)
    assert (water, drained, used) == (pytest.approx(0.7), pytest.approx(0.3), pytest.approx(0.3))
    water, _, used = deplete(0.1, 1.0, 0.3, 0.0, False)
    assert (water, used) == (0.0, pytest.approx(0.1))


def test_balance_unknown_hour_stays_unknown_until_watered() -> None:
    use = np.array([0.1, np.nan, 0.1, 0.1, 0.1])
    water_at = np.array([False, False, False, True, False])
    water, _, used = run_balance(1.0, 1.0, use, 0.0, water_at)
    np.testing.assert_allclose(water, [0.9, np.nan, np.nan, 0.9, 0.8])
    np.testing.assert_allclose(used, [0.1, np.nan, np.nan, 0.1, 0.1])


def test_balance_watering_fills() -> None:
    use = np.full(4, 0.3)
    water, drained, _ = run_balance(0.5, 1.0, use, 0.0, np.array([False, False, True, False]))
    np.testing.assert_allclose(water, [0.2, 0.0, 0.7, 0.4])
    np.testing.assert_array_equal(drained, 0.0)


def test_balance_members_and_pots_broadcast() -> None:
    use = np.full((5, 3, 12), 0.05)
    capacity = np.array([0.5, 1.0, 2.0])
    water, drained, used = run_balance(capacity, capacity, use, np.zeros(12), None, 0.5)
    assert water.shape == drained.shape == used.shape == (5, 3, 12)
    one, _, _ = run_balance(1.0, 1.0, use[0, 1], 0.0, None, 0.5)
    np.testing.assert_array_equal(water[4, 1], one)
    assert (np.diff(water[0, 0]) < 0.0).all()
    assert used[0, 0, -1] < 0.05  # stress
