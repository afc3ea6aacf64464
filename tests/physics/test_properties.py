"""What must hold for any weather: monotone, conserved, bounded."""

from __future__ import annotations

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra.numpy import arrays

from advisor.physics.air import (
    dew_point_c,
    pressure_kpa_from_elevation,
    relative_humidity_pct,
    saturation_vapour_pressure_kpa,
    vapour_pressure_kpa,
    wet_bulb_c,
)
from advisor.physics.degree_days import degree_days_hourly, degree_days_single_sine
from advisor.physics.evapotranspiration import reference_et_daily_mm, reference_et_hourly_mm
from advisor.physics.leaf import leaf_temperature_c
from advisor.physics.missing import longest_run, reduce_over
from advisor.physics.pot_heat import pot_thermal, simulate_pot_temperature
from advisor.physics.pot_water import container_capacity_share, rain_reaching_pot_mm, run_balance
from advisor.physics.radiation import (
    extraterrestrial_hourly_mj_m2,
    fao_sun_sine,
    sky_longwave_w_m2,
    split_shortwave,
)
from advisor.physics.sun import hourly_sun

few = settings(derandomize=True, max_examples=40, deadline=None, database=None)
temperature = st.floats(-25.0, 45.0)
humidity = st.floats(5.0, 100.0)
wind_speed = st.floats(0.0, 15.0)
latitude = st.floats(-65.0, 65.0)
DAY = np.datetime64("2024-05-10T00:00", "s") + np.arange(24) * np.timedelta64(1, "h")


@few
@given(temperature, humidity, st.floats(0.0, 3000.0))
def test_wet_bulb_lies_between_dew_point_and_air(air: float, rh: float, elevation: float) -> None:
    ea = vapour_pressure_kpa(air, rh)
    wet = wet_bulb_c(air, ea, pressure_kpa_from_elevation(elevation))
    assert dew_point_c(ea) - 1e-6 <= wet <= air + 1e-6


@few
@given(temperature, humidity)
def test_dew_point_round_trip(air: float, rh: float) -> None:
    dew = dew_point_c(vapour_pressure_kpa(air, rh))
    np.testing.assert_allclose(relative_humidity_pct(air, dew), rh, rtol=1e-9)


@few
@given(latitude, st.floats(-180.0, 180.0), st.integers(0, 365))
def test_extraterrestrial_is_zero_exactly_when_the_sun_is_down(lat: float, lon: float, day: int) -> None:
    start = np.datetime64("2024-01-01T00:00", "s") + (24 * day + np.arange(24)) * np.timedelta64(1, "h")
    ra = extraterrestrial_hourly_mj_m2(start, lat, lon)
    minutes = (start[:, np.newaxis] + np.arange(60) * np.timedelta64(1, "m")).ravel()
    # Sun at each minute by the same short formulas, the declination that of the hour's own day.
    sine = fao_sun_sine(minutes, lat, lon, 60.0).reshape(24, 60)
    assert (ra[(sine > 0.01).any(axis=-1)] > 0.0).all()
    assert (ra[(sine < -0.01).all(axis=-1)] == 0.0).all()


@few
@given(st.floats(0.0, 42.0), humidity, wind_speed, st.floats(50.0, 900.0), st.floats(1.0, 100.0), latitude)
def test_hourly_et_rises_with_sun_and_dry_air(
    air: float, rh: float, u: float, sun: float, more: float, lat: float
) -> None:
    """Cloudiness held: more sun means more energy, drier air more pull (with some wind)."""
    ea = float(vapour_pressure_kpa(air, rh))

    def et(shortwave: float, vapour: float, longwave_factor: float = 0.7) -> float:
        one_hour = DAY[12:13]
        return float(
            reference_et_hourly_mm(
                one_hour,
                air,
                vapour,
                u,
                np.array([shortwave]),
                lat,
                0.0,
                100.0,
                cloudiness_factor=longwave_factor,
            )[0]
        )

    assert et(sun + more, ea) > et(sun, ea)
    # Longwave loss grows in drier air; at the same net radiation (overcast) the pull decides.
    if u > 0.5:
        assert et(sun, 0.8 * ea, 0.05) > et(sun, ea, 0.05)


@few
@given(arrays(np.float64, 24, elements=st.floats(0.0, 1.0)), temperature, humidity, wind_speed, latitude)
def test_hourly_et_is_never_strongly_negative(
    share: np.ndarray, air: float, rh: float, u: float, lat: float
) -> None:
    ra = extraterrestrial_hourly_mj_m2(DAY, lat, 0.0)
    et = reference_et_hourly_mm(
        DAY, air, vapour_pressure_kpa(air, rh), u, 0.75 * share * ra / 0.0036, lat, 0.0, 0.0
    )
    assert np.nanmin(et) > -0.06


@few
@given(st.floats(5.0, 40.0), st.floats(1.0, 20.0), st.floats(1.0, 8.0), st.floats(8.0, 25.0))
def test_daily_et_rises_with_vapour_deficit(high: float, spread: float, u: float, rs: float) -> None:
    low = high - spread
    ea = float(saturation_vapour_pressure_kpa(low))
    # Overcast sky, so that the longwave term stays the same.
    damp = reference_et_daily_mm(high, low, ea, u, 0.2 * rs, 45.0, 180, 0.0)
    dry = reference_et_daily_mm(high, low, 0.7 * ea, u, 0.2 * rs, 45.0, 180, 0.0)
    assert dry > damp


@few
@given(temperature, humidity, st.floats(0.0, 1000.0), st.floats(0.0, 0.5), st.floats(0.005, 0.2))
def test_leaf_comes_to_air_temperature_in_endless_wind(
    air: float, rh: float, sun: float, stomata: float, width: float
) -> None:
    ea = vapour_pressure_kpa(air, rh)

    def away(wind: float) -> float:
        sky = sky_longwave_w_m2(air, ea, 0.0)
        solved = leaf_temperature_c(
            air, ea, wind, sun, sky, air, 100.0, leaf_width_m=width, stomatal_conductance_mol_m2_s=stomata
        )
        return abs(float(solved) - air)

    near, nearer = away(1e6), away(1e8)
    assert nearer < 0.1
    assert nearer <= near + 1e-3


@few
@given(
    st.floats(0.1, 5.0),
    st.floats(0.0, 1.2),
    arrays(np.float64, (2, 30), elements=st.floats(0.0, 0.4)),
    arrays(np.float64, (2, 30), elements=st.floats(0.0, 1.0)),
    arrays(np.bool_, (2, 30)),
    st.floats(0.0, 1.0),
)
def test_water_is_conserved(
    capacity: float, filled: float, use: np.ndarray, rain: np.ndarray, watered: np.ndarray, stress: float
) -> None:
    initial = filled * capacity
    water, drained, used = run_balance(initial, capacity, use, rain, None, stress)
    before = np.concatenate([np.full((2, 1), initial), water[:, :-1]], axis=1)
    np.testing.assert_allclose(before + rain, water + drained + used, atol=1e-12)
    assert (water >= 0.0).all()
    assert (water <= capacity + 1e-12).all()
    assert (used <= use + 1e-12).all()
    # With watering the one free term is what was given, which fills the pot and no more.
    water, drained, used = run_balance(initial, capacity, use, rain, watered, stress)
    before = np.concatenate([np.full((2, 1), initial), water[:, :-1]], axis=1)
    given_l = water + drained + used - before - rain
    expected = np.where(watered, np.maximum(capacity - before - rain, 0.0), 0.0)
    np.testing.assert_allclose(given_l, expected, atol=1e-12)


@few
@given(arrays(np.float64, 30, elements=st.floats(0.0, 5.0)), st.floats(0.0, 3.0), st.floats(0.0, 1.0))
def test_rain_in_the_pot_is_never_more_than_rain(rain: np.ndarray, storage: float, capture: float) -> None:
    reached = rain_reaching_pot_mm(rain, storage, capture, False)
    assert (reached >= 0.0).all()
    assert (reached <= capture * rain + 1e-12).all()
    more_storage = rain_reaching_pot_mm(rain, storage + 1.0, capture, False)
    assert more_storage.sum() <= reached.sum() + 1e-9


@few
@given(
    arrays(np.float64, 48, elements=st.floats(-15.0, 40.0)),
    st.floats(0.5, 40.0),
    st.floats(0.0, 900.0),
    st.floats(0.0, 8.0),
)
def test_pot_stays_between_the_extremes_of_its_surroundings(
    air: np.ndarray, volume: float, sun: float, wind: float
) -> None:
    """Coldest: air less what a clear sky can take at the least convection. Warmest: air plus all sun."""
    pot = pot_thermal(
        volume,
        20.0,
        wall_absorptance=0.9,
        wall_resistance_m2k_w=0.01,
        wall_wetness=0.0,
        solid_fraction=0.2,
        solid_heat_capacity_mj_m3_k=2.2,
        conductivity_w_m_k=0.4,
        water_share=0.3,
    )
    sky = 0.7 * 5.670374419e-8 * (air + 273.15) ** 4
    result = simulate_pot_temperature(
        pot,
        air,
        saturation_vapour_pressure_kpa(air),
        wind,
        sun,
        0.2 * sun,
        sun,
        40.0,
        sky,
        0.0,
        initial_c=float(air[0]),
        top_cover_share=0.0,
        top_wetness=0.0,
    )
    warmest = air.max() + 2.5 * sun / 4.0
    coldest = air.min() - 0.3 * 5.670374419e-8 * (air.max() + 273.15) ** 4 / 4.0
    for values in (result.rim_sunlit_c, result.rim_shaded_c, result.core_c):
        assert values.max() <= warmest + 0.5
        assert values.min() >= coldest - 0.5


@few
@given(arrays(np.float64, 48, elements=st.floats(-15.0, 15.0)))
def test_pot_without_radiation_exchange_stays_between_the_airs_it_met(air: np.ndarray) -> None:
    """Sky and ground as warm as the air, no sun, no drying: the equivalent temperature is the air's."""
    pot = pot_thermal(
        [0.7, 10.0],
        [5.0, 24.0],
        wall_absorptance=0.9,
        wall_resistance_m2k_w=0.01,
        wall_wetness=0.0,
        solid_fraction=0.2,
        solid_heat_capacity_mj_m3_k=2.2,
        conductivity_w_m_k=0.4,
        water_share=0.35,
    )
    sky = 5.670374419e-8 * (air + 273.15) ** 4
    result = simulate_pot_temperature(
        pot,
        air,
        0.5,
        2.0,
        0.0,
        0.0,
        0.0,
        -10.0,
        sky,
        0.0,
        initial_c=0.5,
        top_cover_share=0.0,
        top_wetness=0.0,
    )
    low, high = min(air.min(), 0.5), max(air.max(), 0.5)
    for values in (result.rim_sunlit_c, result.rim_shaded_c, result.core_c):
        # A quarter kelvin for the longwave emission linearised around the pot's own temperature.
        assert values.min() >= low - 0.25
        assert values.max() <= high + 0.25


@few
@given(arrays(np.float64, 24, elements=st.floats(0.0, 1.3)), latitude)
def test_split_radiation_keeps_energy(share: np.ndarray, lat: float) -> None:
    sun = hourly_sun(DAY, lat, 0.0)
    shortwave = share * 1000.0 * sun.mean_sin_elevation
    direct, diffuse = split_shortwave(shortwave, sun, DAY)
    np.testing.assert_allclose(diffuse + direct * sun.mean_sin_elevation, shortwave, atol=1e-9)


@few
@given(temperature, st.floats(0.0, 20.0), st.floats(0.0, 15.0), st.floats(16.0, 40.0))
def test_degree_days_between_none_and_the_span(low: float, spread: float, base: float, upper: float) -> None:
    sine = degree_days_single_sine(low, low + spread, base, upper)
    assert -1e-9 <= sine <= upper - base + 1e-9
    constant = degree_days_hourly(low, base, upper) * 24.0
    assert sine >= constant - 1e-9


@few
@given(st.floats(1.0, 40.0), st.floats(0.1, 2.0), st.floats(1.1, 4.0))
def test_deeper_pots_hold_less_per_volume(depth: float, alpha: float, n: float) -> None:
    shallow = container_capacity_share(depth, 0.7, 0.15, alpha, n)
    deep = container_capacity_share(2.0 * depth, 0.7, 0.15, alpha, n)
    assert 0.15 <= deep < shallow <= 0.7


@few
@given(arrays(np.float64, 20, elements=st.sampled_from([0.0, 1.0, np.nan])))
def test_longest_run_is_that_of_a_plain_count(mask: np.ndarray) -> None:
    best = run = 0
    for value in mask:
        run = run + 1 if value == 1.0 else 0
        best = max(best, run)
    reduced = longest_run(mask, minimum_coverage=0.0)
    assert np.isnan(reduced.value) if np.isnan(mask).all() else reduced.value == best
    assert reduced.coverage == reduce_over(mask, "mean", minimum_coverage=0.0).coverage
