"""The exposure of every tree: weather times places times trees, hour by hour, with or without members.

Trees that stand in the same place under the same net share their weather, and trees there with the same
kind of leaf share their leaf temperature; only water and pots step through the hours. A tree that was moved
meets in each hour what its place of that hour brings (``stays``). Members are worked
off in chunks, so that what is held besides the result stays bounded.

Missing weather stays missing in the hours it is missing in; pots and water are held over such hours.
Two gaps are read on the safe side instead and are for the caller to say: missing cloud counts as clear
(frost), missing rain as none (drought).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime

import numpy as np

from advisor.errors import DataGap
from advisor.exposure.leaves import leaf_temperatures_c
from advisor.exposure.model import Exposure
from advisor.exposure.places import PlaceSun, SpotTraits, place_sun, spot_traits, sun_of
from advisor.exposure.spot_weather import (
    OpenWeather,
    SpotWeather,
    garden_heat_stress_c,
    garden_reference_et_mm,
    open_weather,
    spot_weather,
)
from advisor.exposure.stays import SpotStay, Tracks, tracks_of
from advisor.exposure.water import PotWater, pot_water, rain_at_pots_mm, water_use_l
from advisor.exposure.water_known import KnownWater, ToldWatering, known_water
from advisor.exposure.watering import plan_watering
from advisor.garden.model import Holdings, Tree
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.thirst import Thirst
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_heat import PotTemperatures, PotThermal, pot_thermal, simulate_pot_temperature
from advisor.physics.sun import HourlySun, solar_hour
from advisor.weather.table import TimeArray, WeatherTable

__all__ = ["PotsBefore", "compute_exposure"]

CHUNK_CELLS = 1_000_000
"""Members x trees x hours worked on at once; about 400 MB beside the result at the peak."""


@dataclass(frozen=True, slots=True)
class PotsBefore:
    """Pots as an earlier reckoning left them at the start of an hour; arrays of shape (T,).

    Attributes
    ----------
    row : of the hour in the table; before it nothing is reckoned of water and pots, which is NaN there.
    water_left_share : of the usable water.
    pot_rim_c, pot_rim_shaded_c, pot_core_c : the sunlit half of the rim, which is the warmer one; the
        shaded half; the core.
    """

    row: int
    water_left_share: FloatArray
    pot_rim_c: FloatArray
    pot_rim_shaded_c: FloatArray
    pot_core_c: FloatArray

    @property
    def temperatures(self) -> PotTemperatures:
        """Of the three nodes."""
        return PotTemperatures(self.pot_rim_c, self.pot_rim_shaded_c, self.pot_core_c)


@dataclass(frozen=True, slots=True)
class _GardenHours:
    """What is the garden's own, over the hours of a table."""

    reference_et_mm: FloatArray
    wbgt_c: FloatArray
    solar_hour: FloatArray


@dataclass(frozen=True, slots=True)
class _Setting:
    """Everything that does not change from member to member."""

    holdings: Holdings
    trees: tuple[Tree, ...]
    states: tuple[TreeState, ...]
    weather: WeatherTable
    tables: Tables
    now_utc: datetime
    sun: HourlySun
    tracks: Tracks
    traits: SpotTraits
    place: PlaceSun
    hourly_traits: SpotTraits
    """With a row for each path of the tracks."""
    timer_l: FloatArray
    pots: PotWater
    thermal: PotThermal
    known: KnownWater
    simulate_pots: Callable[..., PotTemperatures]
    before: PotsBefore | None
    own: _GardenHours | None


def compute_exposure(
    holdings: Holdings,
    states: Mapping[str, TreeState],
    weather: WeatherTable,
    tables: Tables,
    now_utc: datetime,
    *,
    members: bool = False,
    chunk_cells: int = CHUNK_CELLS,
    simulate_pots: Callable[..., PotTemperatures] = simulate_pot_temperature,
    told_watering: Sequence[ToldWatering] = (),
    thirst: Mapping[str, Thirst] | None = None,
    ahead: Mapping[str, Sequence[SpotStay]] | None = None,
    before: PotsBefore | None = None,
    beside: Exposure | None = None,
) -> Exposure:
    """Compute what each tree meets in each hour of the weather table.

    Parameters
    ----------
    holdings : Holdings
        Garden, places, trees and journal.
    states : mapping from tree id to TreeState
        Trees without a state are left out.
    weather : WeatherTable
        Complete: dew point, radiation and its diffuse part are there, NaN where truly missing.
    tables : Tables
    now_utc : datetime
        Aware. Hours before it are past: watering is known or assumed; later ones are ahead.
    members : bool
        True: arrays carry a leading member axis M (``reference_et_mm`` and ``wbgt_c`` too);
        ``solar_hour``, ``sun_elevation_deg``, ``capacity_l`` and ``usable_l`` do not.
    chunk_cells : int
        Members x trees x hours worked on at once.
    simulate_pots : callable
        What runs the pots through the hours; another one may remember what it has run before.
    told_watering : sequence of ToldWatering
        What the digests of the last days told on water: taken as done where nothing is logged.
    thirst : mapping from tree id to Thirst, optional
        What weights have taught of use and usable water (``weighing.learn_thirst``).
    ahead : mapping from tree id to sequence of SpotStay, optional
        Where trees will stand from an hour on, after all that the journal says.
    before : PotsBefore, optional
        The pots at some hour of the table, trees with a state in the order of ``holdings.trees``; without it
        they enter the table full of water and as warm as the air.
    beside : Exposure, optional
        Of the same garden and weather: what is the garden's own, not a tree's, is taken from its hours.

    Returns
    -------
    Exposure
        Trees in the order of ``holdings.trees``.

    Raises
    ------
    DataGap
        The table has no hours.
    ValueError
        ``members`` is asked of a table without members.
    SettingsError
        A place, substrate or wall has no row in config/.

    Source: the modules of ``exposure``. Checked: tests/exposure/.
    """
    if not weather.hours:
        raise DataGap("air_temperature_c", None, None)
    if members and not weather.member_count:
        raise ValueError("the weather table has no members; ask for the main forecast")
    setting = _setting(
        holdings,
        states,
        weather,
        tables,
        now_utc,
        simulate_pots,
        told_watering,
        thirst,
        ahead or {},
        before,
        None if members or beside is None else _garden_hours(beside, weather),
    )
    cells = max(1, len(setting.trees)) * weather.hours
    step = max(1, chunk_cells // cells)
    total = weather.member_count if members else 1
    chunks: Sequence[slice | None]
    chunks = [slice(n, min(n + step, total)) for n in range(0, total, step)] if members else [None]
    found: dict[str, FloatArray] = {}
    slot_utc: TimeArray = np.zeros(0, dtype="datetime64[s]")
    dry_at = np.full((total, len(setting.trees)), np.datetime64("NaT", "s"))
    for chunk in chunks:
        at = slice(0, 1) if chunk is None else chunk
        arrays, of_spots, dry_at[at], slot_utc = _chunk(setting, chunk)
        rows = list(setting.tracks.tree_row)
        if len(chunks) == 1:
            found = arrays | {name: array[:, rows] for name, array in of_spots.items()}
            break
        for name, array in arrays.items():
            if name not in found:
                found[name] = np.empty((total, *array.shape[1:]))
            found[name][at] = array
        for name, array in of_spots.items():
            if name not in found:
                found[name] = np.empty((total, len(rows), weather.hours))
            np.take(array, rows, axis=1, out=found[name][at], mode="clip")
    tracks = setting.tracks
    direct = tracks.stitched(setting.place.direct_share, weather.hours)[list(tracks.tree_row)]
    if members:
        direct = np.broadcast_to(direct, (total, *direct.shape))
    else:
        found = {name: array[0] for name, array in found.items()}
        dry_at = dry_at[0]
    return Exposure(
        start_utc=weather.start_utc,
        tree_ids=tuple(tree.id for tree in setting.trees),
        now_utc=now_utc,
        direct_sun_share=direct,
        solar_hour=_solar_hour(setting),
        sun_elevation_deg=_sun_elevation_deg(setting),
        slot_utc=slot_utc,
        dry_at=dry_at,
        capacity_l=setting.pots.capacity_l,
        usable_l=setting.pots.usable_l,
        water_known=setting.known.text,
        thirst=thirst or {},
        **found,
    )


def _setting(
    holdings: Holdings,
    states: Mapping[str, TreeState],
    weather: WeatherTable,
    tables: Tables,
    now_utc: datetime,
    simulate_pots: Callable[..., PotTemperatures],
    told_watering: Sequence[ToldWatering],
    thirst: Mapping[str, Thirst] | None,
    ahead: Mapping[str, Sequence[SpotStay]],
    before: PotsBefore | None,
    own: _GardenHours | None,
) -> _Setting:
    """Gather what all members share: spots, sun, pots and the journal's word on water."""
    trees = tuple(tree for tree in holdings.trees if tree.id in states)
    of_trees = tuple(states[tree.id] for tree in trees)
    tracks = tracks_of(holdings, of_trees, weather, tables, ahead)
    sun = sun_of(weather, holdings.garden, tables)
    traits = spot_traits(tracks.spots, tables)
    pots = pot_water(trees, of_trees, tables, thirst, holdings.places, _later(ahead))
    timers = np.array([[spot.place.timer_l] for spot in tracks.spots], dtype=np.float64).reshape(-1, 1)
    return _Setting(
        holdings=holdings,
        trees=trees,
        states=of_trees,
        weather=weather,
        tables=tables,
        now_utc=now_utc,
        sun=sun,
        tracks=tracks,
        traits=traits,
        place=place_sun(tracks.spots, traits, sun),
        hourly_traits=tracks.all_stitched(traits, weather.hours),
        timer_l=tracks.stitched(timers, weather.hours)[list(tracks.tree_row)],
        pots=pots,
        thermal=_thermal(trees, tables),
        known=known_water(
            holdings,
            trees,
            of_trees,
            pots,
            weather=weather,
            now_utc=now_utc,
            tables=tables,
            told=told_watering,
            thirst=thirst,
        ),
        simulate_pots=simulate_pots,
        before=before,
        own=own,
    )


def _garden_hours(beside: Exposure, weather: WeatherTable) -> _GardenHours | None:
    """Cut what is the garden's own from an exposure; None where it does not hold all hours of the table."""
    first = int((weather.start_utc[0] - beside.start_utc[0]) // np.timedelta64(3600, "s"))
    rows = slice(first, first + weather.hours)
    if first < 0 or not np.array_equal(beside.start_utc[rows], weather.start_utc):
        return None
    return _GardenHours(beside.reference_et_mm[rows], beside.wbgt_c[rows], beside.solar_hour[rows])


def _garden_arrays(setting: _Setting, outside: OpenWeather) -> dict[str, FloatArray]:
    garden, own = setting.holdings.garden, setting.own
    if own is not None:
        return {"reference_et_mm": own.reference_et_mm[np.newaxis], "wbgt_c": own.wbgt_c[np.newaxis]}
    return {
        "reference_et_mm": garden_reference_et_mm(outside, setting.weather.start_utc, garden),
        "wbgt_c": garden_heat_stress_c(outside, setting.sun, garden),
    }


def _solar_hour(setting: _Setting) -> FloatArray:
    if setting.own is not None:
        return setting.own.solar_hour
    middle = setting.weather.start_utc + np.timedelta64(1800, "s")
    return solar_hour(middle, setting.holdings.garden.longitude_deg)


def _sun_elevation_deg(setting: _Setting) -> FloatArray:
    steps = setting.sun.elevation_deg.shape[1]
    return as_float(setting.sun.elevation_deg[:, (steps - 1) // 2 : steps // 2 + 1].mean(axis=-1))


def _later(ahead: Mapping[str, Sequence[SpotStay]]) -> dict[str, tuple[str, ...]]:
    return {tree: tuple(stay.place_id for stay in stays) for tree, stays in ahead.items()}


def _thermal(trees: Sequence[Tree], tables: Tables) -> PotThermal:
    """Return the pots' thermal traits."""
    walls = [tables.walls[tree.pot.wall] for tree in trees]
    substrates = [tables.substrates[tree.substrate] for tree in trees]
    return pot_thermal(
        np.array([tree.pot.volume_l for tree in trees]),
        np.array([tree.pot.depth_cm for tree in trees]),
        wall_absorptance=np.array([wall.value("absorptance_share", "share") for wall in walls]),
        wall_resistance_m2k_w=np.array([wall.value("resistance_m2k_w", "m2K/W") for wall in walls]),
        wall_wetness=np.array([wall.value("wetness", "1") for wall in walls]),
        solid_fraction=np.array([mix.value("solid_share", "share") for mix in substrates]),
        solid_heat_capacity_mj_m3_k=np.array(
            [mix.value("solid_heat_capacity_mj_m3_k", "MJ/m3/K") for mix in substrates]
        ),
        conductivity_w_m_k=np.array([mix.value("conductivity_w_m_k", "W/m/K") for mix in substrates]),
        water_share=np.array([mix.value("water_share", "share") for mix in substrates]),
    )


def _chunk(
    setting: _Setting, members: slice | None
) -> tuple[dict[str, FloatArray], dict[str, FloatArray], TimeArray, TimeArray]:
    """Compute the arrays of some members, each with a leading member axis: over trees, and over spots."""
    weather, tables, garden = setting.weather, setting.tables, setting.holdings.garden
    now_row = weather.index_at(setting.now_utc)
    outside = open_weather(weather, setting.sun, garden, members, now_row)
    of_spots = spot_weather(
        outside,
        weather.start_utc,
        setting.traits,
        place=setting.place,
        sun=setting.sun,
        garden=garden,
        tables=tables,
    )
    at_spot = setting.tracks.all_stitched(of_spots, weather.hours)
    spot = list(setting.tracks.tree_row)
    wind = at_spot.wind_m_s[:, spot]
    use = water_use_l(at_spot.reference_et_mm[:, spot], setting.pots)
    rain = rain_at_pots_mm(outside.rain_mm, wind, setting.hourly_traits.roofed[spot], setting.pots, tables)
    plan, slot_utc = plan_watering(
        use,
        rain,
        setting.pots,
        setting.known,
        weather=weather,
        now_utc=setting.now_utc,
        garden=garden,
        tables=tables,
        timer_l=setting.timer_l,
        begun=None if setting.before is None else (setting.before.row, setting.before.water_left_share),
    )
    pot = _pot_temperatures(setting, at_spot, plan.left_share)
    leaf = leaf_temperatures_c(
        setting.states,
        setting.tracks.tree_row,
        at_spot,
        setting.hourly_traits,
        daylight=setting.sun.mean_sin_elevation,
        garden=garden,
        tables=tables,
    )
    arrays = {
        "leaf_temperature_c": leaf,
        "wind_m_s": wind,
        "rain_reaching_pot_mm": rain,
        "water_use_l": use,
        "water_left_share": plan.left_share,
        "pot_rim_c": np.maximum(pot.rim_sunlit_c, pot.rim_shaded_c),
        "pot_rim_shaded_c": np.minimum(pot.rim_sunlit_c, pot.rim_shaded_c),
        "pot_core_c": pot.core_c,
        **_garden_arrays(setting, outside),
        "waterings_l": plan.waterings_l,
        "left_now_share": plan.left_now_share,
        "dry_known_share": plan.dry_known_share,
    }
    at_spots = {
        "shortwave_w_m2": at_spot.shortwave_w_m2,
        "sun_w_m2": at_spot.beam_w_m2,
        "vpd_kpa": at_spot.vpd_kpa,
        "gust_m_s": at_spot.gust_m_s,
        "bench_temperature_c": at_spot.bench_air_c,
        "wet_bulb_c": at_spot.wet_bulb_c,
    }
    return arrays, at_spots, plan.dry_at, slot_utc


def _pot_temperatures(setting: _Setting, at_spot: SpotWeather, left_share: FloatArray) -> PotTemperatures:
    """Run the pots through the hours, wet or dry as the water balance has them."""
    get = setting.tables.physics.value
    unusable = 1.0 - setting.pots.usable_l / setting.pots.capacity_l
    held = unusable[:, np.newaxis] + (1.0 - unusable[:, np.newaxis]) * np.nan_to_num(left_share, nan=1.0)
    before = setting.before
    since = slice(0 if before is None else before.row, None)
    heating = setting.hourly_traits.ground_heating_k
    forcing = (
        at_spot.bench_air_c,
        at_spot.vapour_pressure_kpa,
        at_spot.wind_m_s,
        at_spot.beam_normal_w_m2,
        at_spot.diffuse_w_m2,
        at_spot.shortwave_w_m2,
        np.degrees(np.arcsin(np.clip(setting.sun.mean_sin_elevation, 0.0, 1.0))),
        at_spot.sky_longwave_w_m2,
    )
    found = setting.simulate_pots(
        setting.thermal,
        *(values[..., since] for values in forcing),
        heating if heating.shape[-1] == 1 else heating[..., since],
        **({} if before is None else {"initial_c": before.temperatures}),
        stands=setting.tracks.tree_row,
        side_lit_share=get("pot.side_lit_share", "share"),
        top_cover_share=setting.pots.cover_share[:, np.newaxis],
        theta=(setting.thermal.water_share[:, np.newaxis] * held)[..., since],
        substeps=round(get("pot.substeps", "count")),
        top_absorptance=get("pot.top_absorptance_share", "share"),
        top_wetness=get("pot.top_evaporation_wet", "1"),
        emissivity=get("pot.emissivity", "share"),
        bottom_conductance_w_m2_k=get("pot.bottom_conductance_w_m2_k", "W/m2/K"),
    )
    if before is None:
        return found
    gap = [(0, 0)] * (found.core_c.ndim - 1) + [(before.row, 0)]
    nodes = (found.rim_sunlit_c, found.rim_shaded_c, found.core_c)
    return PotTemperatures(*(np.pad(node, gap, constant_values=np.nan) for node in nodes))
