"""One table over every public formula: a missing input makes its own output missing and no other.

The table is checked against ``__all__`` of every module, so a formula without a row fails.
"""

from __future__ import annotations

import copy
import dataclasses
import importlib
import inspect
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
import pytest

import advisor.physics
from advisor.physics import (
    air,
    degree_days,
    evapotranspiration,
    heat_stress,
    leaf,
    missing,
    pot_faces,
    pot_heat,
    pot_water,
    radiation,
    sun,
    wind,
)

N = 6
GAP = 3
START = np.datetime64("2024-06-21T09:00", "s") + np.arange(N) * np.timedelta64(1, "h")


def f(value: float) -> np.ndarray:
    return np.full(N, float(value))


@dataclass(frozen=True)
class Row:
    """How to call a formula and what to poison.

    ``spread`` says why a gap may reach other hours than its own (a recursion in time); ``fixed``
    are arguments that are not data; ``reduces`` marks formulas whose result has no hour axis.
    """

    function: Callable[..., Any]
    data: dict[str, np.ndarray]
    fixed: dict[str, Any] = field(default_factory=dict)
    spread: str = ""
    reduces: bool = False
    unpoisoned: tuple[str, ...] = ()


HOURLY_SUN = sun.hourly_sun(START, 48.0, 11.0)
POT = pot_heat.pot_thermal(
    3.0,
    15.0,
    wall_absorptance=0.9,
    wall_resistance_m2k_w=0.01,
    wall_wetness=0.1,
    solid_fraction=0.3,
    solid_heat_capacity_mj_m3_k=2.0,
    conductivity_w_m_k=0.4,
    water_share=0.3,
)
PLACE = {"latitude_deg": 48.0, "longitude_deg": 11.0}

ROWS = [
    Row(missing.as_float, {"values": f(1)}),
    Row(missing.reduce_over, {"values": f(1)}, {"how": "sum"}, reduces=True),
    Row(missing.hours_at_or_above, {"values": f(1), "limit": f(1)}, reduces=True),
    Row(
        missing.reduce_stretches,
        {"values": f(1)},
        {"how": "max", "first": np.array([0]), "last": np.array([6])},
        reduces=True,
    ),
    Row(missing.longest_run, {"mask_values": f(1)}, reduces=True),
    Row(air.saturation_vapour_pressure_kpa, {"air_temperature_c": f(20)}),
    Row(air.saturation_slope_kpa_per_k, {"air_temperature_c": f(20)}),
    Row(air.vapour_pressure_kpa, {"air_temperature_c": f(20), "relative_humidity_pct": f(50)}),
    Row(air.dew_point_c, {"vapour_pressure_kpa": f(1)}),
    Row(air.relative_humidity_pct, {"air_temperature_c": f(20), "dew_point_c": f(9)}),
    Row(air.vapour_pressure_deficit_kpa, {"surface_temperature_c": f(30), "vapour_pressure_kpa": f(1)}),
    Row(air.pressure_kpa_from_elevation, {"elevation_m": f(500)}),
    Row(air.psychrometric_constant_kpa_per_k, {"pressure_kpa": f(95)}),
    Row(air.wet_bulb_c, {"air_temperature_c": f(20), "vapour_pressure_kpa": f(1), "pressure_kpa": f(95)}),
    Row(wind.wind_at_height_m_s, {"wind_speed_m_s": f(3), "from_height_m": f(10), "to_height_m": f(2)}),
    Row(
        wind.bench_wind_m_s,
        {"wind_speed_10m_m_s": f(3), "wind_shelter_share": f(0.2), "bench_factor": f(0.75)},
    ),
    Row(sun.sun_position, {"instants_utc": START}, PLACE),
    Row(sun.hourly_sun, {"start_utc": START}, PLACE),
    Row(
        lambda elevation_deg: sun.clear_sky_w_m2(
            dataclasses.replace(HOURLY_SUN, elevation_deg=elevation_deg[:, np.newaxis])
        ),
        {"elevation_deg": f(40)},
    ),
    Row(sun.day_length_h, {"latitude_deg": f(48), "day_of_year": f(180)}),
    Row(sun.solar_hour, {"instants_utc": START}, {"longitude_deg": 11.0}),
    Row(radiation.fao_sun_sine, {"start_utc": START, "latitude_deg": f(48), "longitude_deg": f(11)}),
    Row(
        radiation.extraterrestrial_hourly_mj_m2,
        {"start_utc": START, "latitude_deg": f(48), "longitude_deg": f(11)},
    ),
    Row(radiation.extraterrestrial_daily_mj_m2, {"latitude_deg": f(48), "day_of_year": f(180)}),
    Row(radiation.clear_sky_shortwave_mj_m2, {"extraterrestrial_mj_m2": f(30), "elevation_m": f(500)}),
    Row(radiation.shortwave_from_cloud_w_m2, {"clear_sky_w_m2": f(800), "cloud_cover_pct": f(50)}),
    Row(
        radiation.shortwave_from_sunshine_mj_m2,
        {"sunshine_h": f(8), "day_length_h": f(16), "extraterrestrial_mj_m2": f(40)},
    ),
    Row(
        radiation.shortwave_from_temperature_range_mj_m2,
        {
            "temperature_max_c": f(25),
            "temperature_min_c": f(15),
            "extraterrestrial_mj_m2": f(40),
            "coefficient": f(0.16),
        },
    ),
    Row(
        radiation.clear_share_from_temperature_range,
        {
            "temperature_max_c": f(25),
            "temperature_min_c": f(15),
            "extraterrestrial_mj_m2": f(40),
            "elevation_m": f(500),
        },
    ),
    Row(
        radiation.split_shortwave, {"shortwave_w_m2": f(500), "start_utc": START}, {"hourly_sun": HOURLY_SUN}
    ),
    Row(
        radiation.sky_longwave_w_m2,
        {"air_temperature_c": f(20), "vapour_pressure_kpa": f(1), "cloud_share": f(0.5)},
    ),
    Row(
        evapotranspiration.mean_saturation_vapour_pressure_kpa,
        {"temperature_max_c": f(25), "temperature_min_c": f(15)},
    ),
    Row(evapotranspiration.net_shortwave_mj_m2, {"shortwave_mj_m2": f(20), "albedo": f(0.23)}),
    Row(
        evapotranspiration.net_longwave_daily_mj_m2,
        {
            "temperature_max_c": f(25),
            "temperature_min_c": f(15),
            "vapour_pressure_kpa": f(1.5),
            "cloudiness": f(0.8),
        },
    ),
    Row(
        evapotranspiration.net_longwave_hourly_mj_m2,
        {"air_temperature_c": f(20), "vapour_pressure_kpa": f(1.5), "cloudiness": f(0.8)},
    ),
    Row(
        evapotranspiration.penman_monteith_mm,
        {
            "air_temperature_c": f(20),
            "available_energy_mj_m2": f(10),
            "wind_speed_2m_m_s": f(2),
            "vapour_pressure_deficit_kpa": f(1),
            "pressure_kpa": f(95),
            "numerator": f(900),
            "denominator": f(0.34),
        },
    ),
    Row(
        evapotranspiration.cloudiness_factor,
        {
            "start_utc": START,
            "shortwave_w_m2": f(500),
            "latitude_deg": f(48),
            "longitude_deg": f(11),
            "elevation_m": f(500),
        },
        unpoisoned=("start_utc", "latitude_deg", "longitude_deg", "elevation_m"),
    ),
    Row(
        evapotranspiration.reference_et_hourly_mm,
        {
            "start_utc": START,
            "air_temperature_c": f(20),
            "vapour_pressure_kpa": f(1.5),
            "wind_speed_2m_m_s": f(2),
            "shortwave_w_m2": f(500),
            "latitude_deg": f(48),
            "longitude_deg": f(11),
            "elevation_m": f(500),
            "shortwave_at_surface_w_m2": f(250),
        },
        unpoisoned=("start_utc", "latitude_deg", "longitude_deg"),
    ),
    Row(
        evapotranspiration.reference_et_daily_mm,
        {
            "temperature_max_c": f(25),
            "temperature_min_c": f(15),
            "vapour_pressure_kpa": f(1.5),
            "wind_speed_2m_m_s": f(2),
            "shortwave_mj_m2": f(20),
            "latitude_deg": f(48),
            "day_of_year": f(180),
            "elevation_m": f(500),
        },
    ),
    Row(
        evapotranspiration.hargreaves_mm,
        {"temperature_max_c": f(25), "temperature_min_c": f(15), "extraterrestrial_mj_m2": f(40)},
    ),
    Row(degree_days.degree_days_hourly, {"air_temperature_c": f(20), "base_c": f(5), "cap_c": f(30)}),
    Row(
        degree_days.degree_days_single_sine,
        {"temperature_min_c": f(10), "temperature_max_c": f(20), "base_c": f(5), "upper_c": f(30)},
    ),
    Row(degree_days.chilling_hours, {"air_temperature_c": f(5), "lowest_c": f(0), "highest_c": f(7.2)}),
    Row(degree_days.utah_units, {"air_temperature_c": f(5)}),
    Row(degree_days.chill_days, {"daily_mean_temperature_c": f(4), "limit_c": f(5)}),
    Row(
        heat_stress.wbgt_c,
        {
            "air_temperature_c": f(30),
            "relative_humidity_pct": f(50),
            "pressure_hpa": f(1000),
            "wind_speed_10m_m_s": f(2),
            "shortwave_w_m2": f(600),
            "direct_fraction": f(0.6),
            "cos_zenith": f(0.8),
        },
    ),
    Row(heat_stress.heat_index_c, {"air_temperature_c": f(30), "relative_humidity_pct": f(50)}),
    Row(heat_stress.niosh_recommended_limit_c, {"metabolic_rate_w": f(300)}),
    Row(
        leaf.leaf_heat_conductance_mol_m2_s,
        {"wind_speed_m_s": f(1), "leaf_width_m": f(0.05), "difference_k": f(2)},
    ),
    Row(
        leaf.leaf_vapour_conductance_mol_m2_s,
        {"wind_speed_m_s": f(1), "leaf_width_m": f(0.05), "stomatal_conductance_mol_m2_s": f(0.2)},
    ),
    Row(
        leaf.leaf_absorbed_radiation_w_m2,
        {"shortwave_w_m2": f(500), "sky_longwave_w_m2": f(330), "ground_temperature_c": f(20)},
    ),
    Row(leaf.leaf_emitted_radiation_w_m2, {"leaf_temperature_c": f(20), "emissivity": f(0.97)}),
    Row(
        leaf.leaf_energy_balance_w_m2,
        {
            "leaf_temperature_c": f(22),
            "air_temperature_c": f(20),
            "vapour_pressure_kpa": f(1),
            "absorbed_w_m2": f(1000),
            "heat_conductance_mol_m2_s": f(1),
            "vapour_conductance_mol_m2_s": f(0.3),
            "pressure_kpa": f(95),
        },
    ),
    Row(
        leaf.leaf_temperature_c,
        {
            "air_temperature_c": f(20),
            "vapour_pressure_kpa": f(1),
            "wind_speed_m_s": f(1),
            "shortwave_w_m2": f(500),
            "sky_longwave_w_m2": f(330),
            "ground_temperature_c": f(20),
            "pressure_kpa": f(95),
            "leaf_width_m": f(0.05),
            "stomatal_conductance_mol_m2_s": f(0.2),
        },
    ),
    Row(
        leaf.stomatal_conductance_mol_m2_s,
        {"vapour_pressure_deficit_kpa": f(1.5), "reference_mol_m2_s": f(0.2)},
    ),
    Row(
        lambda **data: pot_heat.pot_thermal(**data).rim_depth_m,
        {"volume_l": f(3), "depth_cm": f(15)},
        {
            "wall_absorptance": 0.9,
            "wall_resistance_m2k_w": 0.01,
            "wall_wetness": 0.0,
            "solid_fraction": 0.3,
            "solid_heat_capacity_mj_m3_k": 2.0,
            "conductivity_w_m_k": 0.4,
            "water_share": 0.3,
        },
    ),
    Row(pot_heat.wall_convection_w_m2_k, {"wind_speed_m_s": f(2), "diameter_m": f(0.2)}),
    Row(
        pot_heat.pot_enthalpy_mj_m3,
        {"temperature_c": f(-0.4), "heat_capacity_mj_m3_k": f(1.8), "latent_heat_mj_m3": f(90)},
    ),
    Row(
        pot_heat.freezing_temperature_c,
        {"enthalpy_mj_m3": f(-30), "heat_capacity_mj_m3_k": f(1.8), "latent_heat_mj_m3": f(90)},
    ),
    Row(
        pot_heat.simulate_pot_temperature,
        {
            "air_temperature_c": f(20),
            "vapour_pressure_kpa": f(1),
            "wind_speed_m_s": f(1),
            "direct_normal_w_m2": f(500),
            "diffuse_w_m2": f(100),
            "shortwave_w_m2": f(500),
            "sun_elevation_deg": f(50),
            "sky_longwave_w_m2": f(330),
            "ground_heating_k": f(5),
            "side_lit_share": f(0.7),
            "top_cover_share": f(0.3),
            "theta": f(0.3),
        },
        {"pot": POT},
        spread="the state is held over the gap",
    ),
    Row(
        pot_water.water_share_at_suction,
        {
            "suction_kpa": f(5),
            "saturated_share": f(0.7),
            "residual_share": f(0.1),
            "alpha_per_cm": f(0.6),
            "n": f(1.8),
        },
    ),
    Row(
        pot_water.container_capacity_share,
        {
            "depth_cm": f(10),
            "saturated_share": f(0.7),
            "residual_share": f(0.1),
            "alpha_per_cm": f(0.6),
            "n": f(1.8),
        },
    ),
    Row(pot_water.crown_area_m2, {"width_cm": f(40)}),
    Row(pot_water.top_area_m2, {"length_cm": f(40), "width_cm": f(30), "fill_share": f(1)}),
    Row(pot_water.pot_volume_l, {"top_area_m2": f(0.1), "depth_cm": f(8), "taper_share": f(0.9)}),
    Row(pot_water.litres_from_mm, {"depth_mm": f(5), "area_m2": f(0.1)}),
    Row(pot_water.transpiration_l, {"reference_et_mm": f(5), "leaf_area_m2": f(0.3), "shape_factor": f(1.2)}),
    Row(
        pot_water.substrate_evaporation_l,
        {"reference_et_mm": f(5), "top_area_m2": f(0.1), "evaporation_coefficient": f(0.5)},
    ),
    Row(
        pot_water.rain_reaching_pot_mm,
        {"rain_mm": f(2), "crown_storage_mm": f(0.5), "capture_share": f(0.8)},
        {"covered": False},
    ),
    Row(pot_water.stress_factor, {"water_l": f(0.3), "capacity_l": f(1), "stress_from_share": f(0.5)}),
    Row(pot_faces.by_wind, {"wind_speed_m_s": f(3)}),
    Row(pot_faces.by_diameter, {"diameter_m": f(0.2)}),
    Row(
        pot_water.deplete,
        {
            "water_l": f(0.6),
            "use_l": f(0.1),
            "rain_l": f(0.2),
            "capacity_l": f(1),
            "stress_from_share": f(0.5),
        },
        {"watered": False},
        spread="what drains does not hang on the use",
    ),
    Row(
        pot_water.run_balance,
        {"use_l": f(0.1), "rain_l": f(0.0)},
        {"initial_l": 1.0, "capacity_l": 1.0},
        spread="unknown until watered; what drains does not hang on the use of the same hour",
    ),
]
YES_OR_NO = {("advisor.physics.missing", "covered")}
"""Gives no values; tests/physics/test_missing.py holds it against ``reduce_over`` on rows with gaps."""
WRAPPED = {(sun, "clear_sky_w_m2"), (pot_heat, "pot_thermal")}
"""Formulas that take a dataclass, called through a lambda in their row."""


def public_functions() -> set[tuple[str, str]]:
    found = set()
    for info in pkgutil.iter_modules(advisor.physics.__path__):
        module = importlib.import_module(f"advisor.physics.{info.name}")
        for name in module.__all__:
            if inspect.isfunction(getattr(module, name)):
                found.add((module.__name__, name))
    return found


def test_every_public_formula_has_a_row() -> None:
    rows = {(row.function.__module__, row.function.__name__) for row in ROWS}
    rows -= {key for key in rows if key[1] == "<lambda>"}
    rows |= {(module.__name__, name) for module, name in WRAPPED}
    assert rows == public_functions() - YES_OR_NO
    assert len(ROWS) == len(public_functions() - YES_OR_NO)


def outputs(result: Any) -> list[np.ndarray]:
    """Every array of a result, with the hour axis first kept whole."""
    if isinstance(result, missing.Reduced):
        return [result.value]
    if dataclasses.is_dataclass(result):
        return [getattr(result, entry.name) for entry in dataclasses.fields(result)]
    return list(result) if isinstance(result, tuple) else [result]


def at_hour(values: np.ndarray, hour: int) -> np.ndarray:
    """Values of one hour, whichever axis is the hours."""
    axis = next(i for i, length in enumerate(values.shape) if length == N)
    return np.take(values, hour, axis=axis)


def label(row: Row) -> str:
    name = row.function.__name__
    return name if name != "<lambda>" else f"wrapped-{next(iter(row.data))}"


@pytest.mark.parametrize("row", ROWS, ids=label)
def test_known_inputs_give_known_float_outputs_and_are_left_alone(row: Row) -> None:
    before = copy.deepcopy(row.data)
    for values in outputs(row.function(**row.data, **row.fixed)):
        assert values.dtype == np.float64
        assert np.isfinite(values).all()
    for name, values in row.data.items():
        np.testing.assert_array_equal(values, before[name])


CASES = [(row, name) for row in ROWS for name in row.data if name not in row.unpoisoned]


@pytest.mark.parametrize(("row", "name"), CASES, ids=[f"{label(row)}-{name}" for row, name in CASES])
def test_missing_input_is_missing_output(row: Row, name: str) -> None:
    data = {key: values.copy() for key, values in row.data.items()}
    data[name][GAP] = "NaT" if data[name].dtype.kind == "M" else np.nan
    results = outputs(row.function(**data, **row.fixed))
    if row.reduces:
        assert all(np.isnan(values) for values in results)
        return
    first = results[0]
    assert np.isnan(at_hour(first, GAP)).all()
    if not row.spread:
        whole = outputs(row.function(**row.data, **row.fixed))
        for values, known in zip(results, whole, strict=True):
            assert np.isnan(at_hour(values, GAP)).all()
            for hour in set(range(N)) - {GAP}:
                np.testing.assert_allclose(at_hour(values, hour), at_hour(known, hour))
    else:
        for hour in range(GAP):
            assert np.isfinite(at_hour(first, hour)).all()


@pytest.mark.parametrize("row", [row for row in ROWS if not row.spread and not row.reduces], ids=label)
def test_whole_numbers_are_taken(row: Row) -> None:
    """Integer arrays give what the same numbers as floats give."""

    def whole(values: np.ndarray) -> np.ndarray:
        if values.dtype.kind == "M" or not np.all(values == np.round(values)):
            return values
        return values.astype(np.int64)

    as_integers = {name: whole(values) for name, values in row.data.items()}
    expected = outputs(row.function(**row.data, **row.fixed))
    for ours, theirs in zip(outputs(row.function(**as_integers, **row.fixed)), expected, strict=True):
        np.testing.assert_array_equal(ours, theirs)
