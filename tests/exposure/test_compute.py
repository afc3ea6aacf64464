"""The exposure as a whole: shares, members, chunks, gaps, order of trees, and the shape of every array."""

from dataclasses import replace
from datetime import datetime, timedelta

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

from advisor.errors import DataGap
from advisor.exposure.compute import compute_exposure
from advisor.exposure.model import HOURLY
from advisor.garden.model import Place

NOW = morning()
PLACES = (
    Place("bench", "Bench"),
    Place("net", "Under the net", shade_fraction=0.5),
    Place(
        "wall",
        "By the wall",
        sky_view=0.4,
        wind_shelter=0.6,
        horizon_deg=((0.0, 60.0), (180.0, 0.0), (270.0, 70.0)),
    ),
    Place("shed", "Shed", shelter_level=4),
    Place("floor", "On the floor", height_m=0.0, ground="paving"),
)
PER_TREE = (*HOURLY, "sun_w_m2", "pot_rim_shaded_c")


def trees_of(tables):
    sizes = ("mame", "shohin", "kifu", "chuhin", "large")
    kinds = ("acer-palmatum", "pinus-thunbergii", "juniperus-chinensis", "fagus", "ulmus-parvifolia")
    return [
        tree_of(tables, f"{place.id}-{n}", sizes[(n + k) % 5], place.id, kinds[n % 5])
        for k, place in enumerate(PLACES)
        for n in range(3)
    ]


def compute(tables, trees, weather, *, leaf=1.0, extra=0.0, now=NOW, places=PLACES, **options):
    states = {tree.id: state_of(tables, tree, now, leaf=leaf, extra_shade=extra) for tree in trees}
    return compute_exposure(holdings_of(trees, places), states, weather, tables, now, **options)


def test_shapes_and_finite_values_without_members(tables):
    trees, weather = trees_of(tables), summer(5)
    found = compute(tables, trees, weather)
    for name in PER_TREE:
        array = getattr(found, name)
        assert array.shape == (len(trees), weather.hours), name
        assert array.dtype == np.float64
        begun = array[:, weather.index_at(NOW) :]
        assert np.isfinite(begun).all(), name
    for name in ("reference_et_mm", "solar_hour", "sun_elevation_deg", "wbgt_c"):
        assert np.isfinite(getattr(found, name)).all()
        assert getattr(found, name).shape == (weather.hours,)
    assert found.waterings_l.shape == (len(trees), found.slot_utc.size)
    assert found.dry_at.shape == found.left_now_share.shape == found.capacity_l.shape == (len(trees),)
    assert len(found.water_known) == len(trees)


def test_shade_half_net_halves_beam_and_light_not_sun_hours(tables):
    trees = [tree_of(tables, "open", place="bench"), tree_of(tables, "net", place="net")]
    found = compute(tables, trees, summer(3))
    assert found.sun_w_m2[0].max() > 500.0
    assert found.sun_w_m2[1] == pytest.approx(0.5 * found.sun_w_m2[0])
    assert found.shortwave_w_m2[1] == pytest.approx(0.5 * found.shortwave_w_m2[0])
    assert np.array_equal(found.direct_sun_share[0], found.direct_sun_share[1])


def test_shade_net_over_one_tree_adds_to_that_of_the_place(tables):
    tree = tree_of(tables, place="net")
    weather = summer(3)
    plain, netted = compute(tables, [tree], weather), compute(tables, [tree], weather, extra=0.5)
    assert netted.sun_w_m2 == pytest.approx(0.5 * plain.sun_w_m2)


def test_shade_in_the_shed_no_sun_and_no_wind(tables):
    found = compute(tables, [tree_of(tables, place="shed")], summer(3, wind=8.0))
    assert found.direct_sun_share.max() == 0.0
    assert found.shortwave_w_m2.max() == 0.0
    assert found.wind_m_s.max() < 0.5


def test_leaf_more_sun_never_cooler(tables):
    weather = summer(4)
    trees = [tree_of(tables, f"t{n}", place=f"p{n}", species="fagus") for n in range(6)]
    places = [Place(f"p{n}", "", shade_fraction=1.0 - n / 5) for n in range(6)]
    found = compute(tables, trees, weather, places=places)
    hottest = found.leaf_temperature_c.max(axis=-1)
    assert np.all(np.diff(hottest) > 0.0)
    assert np.all(np.diff(found.pot_rim_c.max(axis=-1)) > 0.0)
    assert np.all(np.diff(found.water_use_l.sum(axis=-1)) > 0.0)


def test_leaf_bare_tree_has_none(tables):
    trees = [tree_of(tables, "bare"), tree_of(tables, "leafy")]
    states = {tree.id: state_of(tables, tree, NOW, leaf=float(tree.id == "leafy")) for tree in trees}
    found = compute_exposure(holdings_of(trees), states, summer(3), tables, NOW)
    assert np.isnan(found.leaf_temperature_c[0]).all()
    assert np.isfinite(found.leaf_temperature_c[1]).all()
    assert found.water_use_l[0].sum() < 0.5 * found.water_use_l[1].sum()


# Leuning and Cremer 1988: leaves under a clear sky 1 to 3 K below the air beside them
def test_leaf_clear_calm_night_below_screen_air_and_not_chained_with_the_bench(tables):
    weather = summer(3, wind=0.7, cloud=0.0, t_max=14.0, t_min=2.0, dew=-2.0)
    places = (Place("bench", "Bench", height_m=0.8), Place("ground", "Ground", height_m=0.0))
    trees = [tree_of(tables, place.id, place=place.id) for place in places]
    found = compute(tables, trees, weather, places=places)
    night = found.sun_elevation_deg < -5.0
    below = (weather.value("air_temperature_c") - found.leaf_temperature_c)[:, night]
    assert np.all((below > 0.7) & (below < 3.3))
    assert np.all(found.bench_temperature_c[1, night] < found.bench_temperature_c[0, night])
    # the colder bench does not make the leaf colder; only the drier-held air of the place plays in
    assert below[0] == pytest.approx(below[1], abs=0.15)


def test_pot_dark_wall_hotter_than_light_and_rim_halves_in_order(tables):
    dark = tree_of(tables, "dark")
    light = replace(tree_of(tables, "light"), pot=replace(dark.pot, wall="glazed-light"))
    found = compute(tables, [dark, light], summer(4))
    assert found.pot_rim_c[0].max() > found.pot_rim_c[1].max() + 1.0
    assert np.all(found.pot_rim_c >= found.pot_rim_shaded_c)
    assert found.pot_core_c[0].max() < found.pot_rim_c[0].max()


def test_order_of_trees_changes_nothing(tables):
    trees, weather = trees_of(tables), summer(4)
    forward, backward = compute(tables, trees, weather), compute(tables, trees[::-1], weather)
    for name in (*PER_TREE, "waterings_l", "left_now_share", "dry_at"):
        one, other = getattr(forward, name), getattr(backward, name)
        if one.dtype.kind == "M":
            assert np.array_equal(one, other[::-1], equal_nan=True), name
        else:
            assert np.allclose(one, other[::-1], atol=2e-3, equal_nan=True), name


def test_other_trees_change_nothing(tables):
    trees, weather = trees_of(tables), summer(4)
    together, alone = compute(tables, trees, weather), compute(tables, trees[4:5], weather)
    for name in PER_TREE:
        assert np.allclose(getattr(together, name)[4], getattr(alone, name)[0], atol=2e-3, equal_nan=True), (
            name
        )


def test_members_equal_a_loop_over_single_tables(tables):
    trees = trees_of(tables)[:4]
    weather = with_members(changed(summer(4), wind_gust_m_s=np.full(96, 6.0)), 3)
    found = compute(tables, trees, weather, members=True)
    for m in range(3):
        own = {name: array[m] for name, array in weather.members.items()}
        diffuse = found.shortwave_w_m2[m, 0] - found.sun_w_m2[m, 0]
        single = replace(changed(weather, **own, diffuse_w_m2=diffuse), members={})
        one = compute(tables, trees, single)
        for name in (*PER_TREE, "waterings_l", "left_now_share", "reference_et_mm", "wbgt_c"):
            assert np.allclose(getattr(found, name)[m], getattr(one, name), atol=2e-3, equal_nan=True), name
        assert np.array_equal(found.dry_at[m], one.dry_at, equal_nan=True)
    assert np.ptp(found.leaf_temperature_c.max(axis=-1), axis=0).min() > 0.1


def test_members_chunked_equal_unchunked(tables):
    trees, weather = trees_of(tables)[:5], with_members(summer(4), 5)
    whole = compute(tables, trees, weather, members=True)
    pieces = compute(tables, trees, weather, members=True, chunk_cells=2 * len(trees) * weather.hours)
    for name in (*PER_TREE, "waterings_l", "left_now_share", "reference_et_mm", "wbgt_c"):
        assert np.allclose(getattr(whole, name), getattr(pieces, name), atol=2e-3, equal_nan=True), name
    assert np.array_equal(whole.dry_at, pieces.dry_at, equal_nan=True)


def test_members_past_hours_they_lack_come_from_the_main_table(tables):
    weather = with_members(summer(4), 3)
    row = weather.index_at(NOW)
    members = {name: array.copy() for name, array in weather.members.items()}
    for array in members.values():
        array[:, :row] = np.nan
        array[1, row + 5] = np.nan
    found = compute(tables, trees_of(tables)[:2], replace(weather, members=members), members=True)
    main = compute(tables, trees_of(tables)[:2], weather)
    assert np.allclose(
        found.leaf_temperature_c[..., : row - 1], main.leaf_temperature_c[..., : row - 1], atol=2e-3
    )
    assert np.isnan(found.leaf_temperature_c[1, :, row + 5]).all()
    assert np.isfinite(found.leaf_temperature_c[0, :, row + 5]).all()


@pytest.mark.parametrize(
    ("missing", "touched"),
    [
        (
            "air_temperature_c",
            ("leaf_temperature_c", "vpd_kpa", "water_use_l", "pot_core_c", "bench_temperature_c"),
        ),
        ("dew_point_c", ("vpd_kpa", "wet_bulb_c", "leaf_temperature_c", "water_use_l")),
        ("shortwave_w_m2", ("shortwave_w_m2", "leaf_temperature_c", "pot_rim_c", "water_use_l")),
        ("wind_speed_10m_m_s", ("wind_m_s", "leaf_temperature_c", "pot_core_c", "water_use_l")),
        ("wind_gust_m_s", ("gust_m_s",)),
        ("rain_mm", ("rain_reaching_pot_mm",)),
    ],
)
def test_gap_in_weather_is_a_gap_in_those_hours_and_no_others(tables, missing, touched):
    weather = summer(5)
    row = weather.index_at(morning(day=17, hour=12))
    broken = weather.value(missing).copy()
    broken[row : row + 2] = np.nan
    found = compute(tables, trees_of(tables)[:3], changed(weather, **{missing: broken}))
    for name in touched:
        array = getattr(found, name)
        assert np.isnan(array[:, row : row + 2]).all(), name
        assert np.isfinite(array[:, row + 2 :]).all(), name
    for name in set(HOURLY) - set(touched) - {"water_left_share"}:
        if missing in {"wind_gust_m_s", "rain_mm"}:
            assert np.isfinite(getattr(found, name)).all(), name


def test_gap_of_a_whole_variable_leaves_the_rest(tables):
    weather = summer(3)
    without = replace(weather, values={k: v for k, v in weather.values.items() if k != "cloud_cover_pct"})
    found = compute(tables, trees_of(tables)[:2], without)
    assert np.isfinite(found.leaf_temperature_c).all()
    assert np.isfinite(found.bench_temperature_c).all()


def test_fault_empty_table_and_members_that_are_not_there(tables):
    trees, weather = trees_of(tables)[:1], summer(2)
    with pytest.raises(DataGap):
        compute(tables, trees, weather.between(0, 0))
    with pytest.raises(ValueError, match="no members"):
        compute(tables, trees, weather, members=True)


def test_trees_without_a_state_are_left_out_and_none_is_fine(tables):
    trees, weather = trees_of(tables)[:2], summer(2)
    states = {trees[1].id: state_of(tables, trees[1], NOW)}
    found = compute_exposure(holdings_of(trees, PLACES), states, weather, tables, NOW)
    assert found.tree_ids == (trees[1].id,)
    nobody = compute_exposure(holdings_of(trees, PLACES), {}, weather, tables, NOW)
    assert nobody.water_use_l.shape == (0, weather.hours)


# noon elevation at 48 N in mid July is 90 - 48 + declination (21.5 degrees on 15 July, almanac, from memory)
def test_sun_of_the_garden_noon_elevation(tables):
    found = compute(tables, trees_of(tables)[:1], summer(2))
    noon = int(np.argmin(np.abs(found.solar_hour[:24] - 12.0)))
    assert found.sun_elevation_deg[noon] == pytest.approx(63.5, abs=0.8)
    assert found.solar_hour[noon] == pytest.approx(12.0, abs=0.5)


def test_members_share_what_does_not_differ(tables):
    found = compute(tables, trees_of(tables)[:2], with_members(summer(3), 4), members=True)
    assert found.direct_sun_share.shape == found.water_use_l.shape == (4, 2, 72)
    assert found.capacity_l.shape == (2,)
    assert found.sun_elevation_deg.shape == (72,)
    assert found.wbgt_c.shape == (4, 72)
    assert GARDEN.elevation_m == 500.0


def test_pots_in_the_polar_night_draw_what_cloud_and_wind_let_them(tables):
    """At 69.6 degrees north the sun stays down from late November to mid January: no gap for that."""
    north = replace(GARDEN, latitude_deg=69.65, longitude_deg=18.96, elevation_m=10.0, timezone="Europe/Oslo")
    start = datetime(2023, 12, 18, tzinfo=north.zone)
    table = summer(5, north, start=start, t_max=1.0, t_min=-3.0, dew=-6.0)
    now = start + timedelta(days=2)
    tree = tree_of(tables)
    found = {}
    for cloud in (0.0, 100.0):
        dark = changed(table, cloud_cover_pct=np.full(table.hours, cloud))
        found[cloud] = compute_exposure(
            holdings_of([tree], garden=north), {"a": state_of(tables, tree, now)}, dark, tables, now
        )
        assert (found[cloud].direct_sun_share == 0.0).all()
        assert np.isfinite(found[cloud].reference_et_mm).all()
        assert np.isfinite(found[cloud].water_use_l).all()
    assert found[0.0].reference_et_mm.sum() <= found[100.0].reference_et_mm.sum()
    blind = changed(table, cloud_cover_pct=np.full(table.hours, np.nan))
    unknown = compute_exposure(
        holdings_of([tree], garden=north), {"a": state_of(tables, tree, now)}, blind, tables, now
    )
    assert np.isnan(unknown.water_use_l).all(), "no sun and no cloud: nothing is guessed"
