"""What a place makes of the weather: sun over its horizon, shade, bench wind and bench air.

Two temperatures are kept apart. *Bench air* is the air at the pot, colder than the screen on clear calm
nights; growers' frost limits, pots, degree days and roots go by it. *Leaf air* is screen air, on which
the leaf model does its own radiative cooling; published leaf limits go by the leaf. Neither correction
is ever put on top of the other. In a shed or room both are the air of the room.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.described_sun import horizon_from_hours
from advisor.garden.model import Garden, Place
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.sun import HourlySun, hourly_sun
from advisor.physics.wind import bench_wind_m_s
from advisor.weather.table import WeatherTable

__all__ = [
    "PlaceSun",
    "Spot",
    "SpotTraits",
    "bench_air_c",
    "bench_and_gust_m_s",
    "clear_calm_share",
    "clear_night_offset_k",
    "clear_share",
    "horizon_elevation_deg",
    "horizon_of",
    "place_sun",
    "place_temperature_c",
    "place_temperatures_c",
    "spot_traits",
    "sun_of",
]


@dataclass(frozen=True, slots=True)
class Spot:
    """A place together with a net put over single trees there: trees of one spot share their weather."""

    place: Place
    extra_shade: float = 0.0


@dataclass(frozen=True, slots=True)
class SpotTraits:
    """What the spots do to the weather, each an array of shape (P, 1).

    Attributes
    ----------
    beam_share, diffuse_share : what nets, roofs and walls let through of a beam that clears the horizon
        and of diffuse light.
    open_share : share of the sky that takes up night radiation.
    wind_shelter : share of the wind taken away; indoors the walls add theirs.
    height_m : as the place has it.
    night_gain_k : warmer than the open bench, on clear calm nights, or on all nights indoors.
    floor_c : lowest air temperature the place lets happen; -inf where it has none.
    indoors, roofed : True from the shelter levels of config/physics.toml on.
    ground_heating_k, ground_reflectance : of the ground under the pots.
    night_learned_k, day_learned_k : what the grower's thermometer taught, 0 without.
    """

    beam_share: FloatArray
    diffuse_share: FloatArray
    open_share: FloatArray
    wind_shelter: FloatArray
    height_m: FloatArray
    night_gain_k: FloatArray
    floor_c: FloatArray
    indoors: NDArray[np.bool_]
    roofed: NDArray[np.bool_]
    ground_heating_k: FloatArray
    ground_reflectance: FloatArray
    night_learned_k: FloatArray
    day_learned_k: FloatArray


@dataclass(frozen=True, slots=True)
class PlaceSun:
    """Where the sun clears the horizon of each spot.

    Attributes
    ----------
    direct_share : float array, shape (P, H)
        Share of the hour with the sun over the horizon; zero indoors without sky.
    beam_share : float array, shape (P, H)
        Share of the hour's direct beam energy on the level that comes over the horizon.
    """

    direct_share: FloatArray
    beam_share: FloatArray


def sun_of(weather: WeatherTable, garden: Garden, tables: Tables) -> HourlySun:
    """Return the sun of a table's hours at the parts of the hour that config asks for."""
    return hourly_sun(
        weather.start_utc,
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        steps=round(tables.physics.value("sun.steps_per_hour", "count")),
    )


def spot_traits(spots: Sequence[Spot], tables: Tables) -> SpotTraits:
    """Gather what each spot does to the weather.

    Raises
    ------
    SettingsError
        config/ has no row for a ground or number that a place names.
    """
    physics = tables.physics
    indoor_level = physics.value("bench.indoor_level", "count")
    roofed_level = physics.value("bench.roofed_level", "count")

    def of_shelter(level: int, key: str, unit: str, otherwise: float) -> float:
        table = tables.shelters.get(level)
        return table.value(key, unit) if table is not None and key in table else otherwise

    rows = []
    for spot in spots:
        place = spot.place
        ground = tables.grounds[place.ground]

        level = place.shelter_level
        indoors = level >= indoor_level
        sky_open = of_shelter(level, "sky_open_share", "share", 0.0 if indoors else 1.0)
        wind_kept = 1.0 - place.wind_shelter
        if indoors:
            wind_kept = min(wind_kept, of_shelter(level, "wind_kept_share", "share", 0.0))
        net = (1.0 - place.shade_fraction) * (1.0 - spot.extra_shade)
        through_walls = sky_open if indoors else 1.0
        rows.append(
            (
                net * through_walls,
                net * place.sky_view * through_walls,
                place.sky_view * sky_open,
                1.0 - wind_kept,
                place.height_m,
                max(place.night_gain_c, of_shelter(level, "night_gain_c", "K", 0.0)),
                of_shelter(level, "floor_c", "degC", -np.inf),
                float(indoors),
                float(place.rain == "covered" or level >= roofed_level),
                ground.value("heating_k", "K"),
                ground.value("reflectance_share", "share"),
                0.0 if place.correction is None else place.correction.night_k,
                0.0 if place.correction is None else place.correction.day_k,
            )
        )
    columns = np.array(rows, dtype=np.float64).reshape(len(rows), 13).T[:, :, np.newaxis]
    return SpotTraits(
        beam_share=columns[0],
        diffuse_share=columns[1],
        open_share=columns[2],
        wind_shelter=columns[3],
        height_m=columns[4],
        night_gain_k=columns[5],
        floor_c=columns[6],
        indoors=columns[7] > 0.0,
        roofed=columns[8] > 0.0,
        ground_heating_k=columns[9],
        ground_reflectance=columns[10],
        night_learned_k=columns[11],
        day_learned_k=columns[12],
    )


def horizon_elevation_deg(horizon_deg: Sequence[tuple[float, float]], azimuth_deg: FloatArray) -> FloatArray:
    """Elevation below which the sun is hidden.

    Parameters
    ----------
    horizon_deg : sequence of (azimuth, elevation)
        From north clockwise; linear between, wrapping over north; empty is flat.
    azimuth_deg : float array, shape (...)

    Returns
    -------
    float array, same shape
        Never below zero.
    """
    if not horizon_deg:
        return np.zeros_like(azimuth_deg)
    points = sorted((azimuth % 360.0, elevation) for azimuth, elevation in horizon_deg)
    azimuths, elevations = np.array(points, dtype=np.float64).T
    return as_float(np.maximum(np.interp(azimuth_deg, azimuths, elevations, period=360.0), 0.0))


def horizon_of(place: Place) -> tuple[tuple[float, float], ...]:
    """Return the horizon of a place, as surveyed or from the hours of sun told."""
    return place.horizon_deg if place.sun_hours is None else horizon_from_hours(place.sun_hours)


def place_sun(spots: Sequence[Spot], traits: SpotTraits, sun: HourlySun) -> PlaceSun:
    """Hold the sun of each hour against the horizon of each spot."""
    hours = sun.elevation_deg.shape[0]
    direct, beam = np.zeros((len(spots), hours)), np.zeros((len(spots), hours))
    sine = np.maximum(np.sin(np.radians(sun.elevation_deg)), 0.0)
    energy = sine.sum(axis=-1)
    known: dict[tuple[tuple[float, float], ...], tuple[FloatArray, FloatArray]] = {}
    for row, spot in enumerate(spots):
        horizon = horizon_of(spot.place)
        if horizon not in known:
            hidden_below = horizon_elevation_deg(horizon, sun.azimuth_deg)
            over = (sun.elevation_deg > hidden_below).astype(np.float64)
            share = np.divide((over * sine).sum(axis=-1), energy, out=np.zeros(hours), where=energy > 0.0)
            known[horizon] = over.mean(axis=-1), share
        direct[row], beam[row] = known[horizon]
    through = traits.beam_share > 0.0
    return PlaceSun(np.where(traits.indoors & ~through, 0.0, direct), beam)


def bench_and_gust_m_s(
    wind_10m_m_s: FloatArray, gust_10m_m_s: FloatArray, traits: SpotTraits, tables: Tables
) -> tuple[FloatArray, FloatArray]:
    """Wind and gust at the bench from those at 10 m, shape (M, H) to (M, P, H)."""
    factor = tables.physics.value("bench.wind_factor", "1")
    wind = bench_wind_m_s(wind_10m_m_s[:, np.newaxis, :], traits.wind_shelter, factor)
    return wind, bench_wind_m_s(gust_10m_m_s[:, np.newaxis, :], traits.wind_shelter, factor)


def bench_air_c(
    air_temperature_c: FloatArray,
    cloud_cover_pct: FloatArray,
    wind_10m_m_s: FloatArray,
    *,
    dark_share: FloatArray,
    traits: SpotTraits,
    tables: Tables,
) -> FloatArray:
    """Air temperature at the pots.

    Parameters
    ----------
    air_temperature_c, cloud_cover_pct, wind_10m_m_s : float array, shape (M, H)
        Screen air, cloud and 10 m wind. Missing cloud counts as clear and missing wind as calm: the side
        that is safe for frost.
    dark_share : float array, shape (H,)
        Share of the hour with the sun below the level horizon.
    traits : SpotTraits
        Of P spots.

    Returns
    -------
    float array, shape (M, P, H)
        [degC]. By day the screen air. NaN where the screen air is missing. What a thermometer taught comes
        on top: of nights as far as they are clear and calm, indoors of all; of days as far as they are clear.

    Source: estimates after Ackerman and Knox and Snyder and de Melo-Abreu 2005, see config/physics.toml.
    """
    clear = _clear(cloud_cover_pct, tables)
    night = (clear * _calm(wind_10m_m_s, tables) * dark_share)[:, np.newaxis, :]
    cooling = _clear_night_cooling_k(traits, tables)
    outdoors = night * (traits.night_gain_k - cooling * traits.open_share)
    indoors = dark_share * traits.night_gain_k
    air = air_temperature_c[:, np.newaxis, :] + np.where(traits.indoors, indoors, outdoors)
    air = np.maximum(air, traits.floor_c)
    if traits.night_learned_k.any() or traits.day_learned_k.any():
        light = (clear * (1.0 - dark_share))[:, np.newaxis, :]
        air = air + np.where(traits.indoors, dark_share, night) * traits.night_learned_k
        air = air + np.where(traits.indoors, 1.0 - dark_share, light) * traits.day_learned_k
    return as_float(air)


def _clear_night_cooling_k(traits: SpotTraits, tables: Tables) -> FloatArray:
    """How much colder than the screen the air is at the height of each spot on a clear calm night."""
    get = tables.physics.value
    heights = [0.0, get("night_cooling.bench_height_m", "m"), get("night_cooling.none_height_m", "m")]
    cooling = [get("night_cooling.ground_k", "K"), get("night_cooling.bench_k", "K"), 0.0]
    return as_float(np.interp(traits.height_m, heights, cooling))


def clear_night_offset_k(place: Place, tables: Tables, clear_share: float = 1.0) -> float:
    """Air at the pots of an outdoor place minus screen air, in a clear calm night.

    Parameters
    ----------
    clear_share : float
        Part of the cooling that is to be expected; the place's own gain counts whole.

    Returns
    -------
    float
        [K]; negative where the place is colder.

    Source: as ``bench_air_c``. Checked: tests/exposure/test_places.py.
    """
    traits = spot_traits([Spot(place)], tables)
    cooling = _clear_night_cooling_k(traits, tables) * traits.open_share * clear_share
    return float((traits.night_gain_k - cooling + traits.night_learned_k)[0, 0])


def _calm(wind_10m_m_s: FloatArray, tables: Tables) -> FloatArray:
    get = tables.physics.value
    full, none = get("night_cooling.full_wind_m_s", "m/s"), get("night_cooling.none_wind_m_s", "m/s")
    return _fade(wind_10m_m_s, full, none)


def _clear(cloud_cover_pct: FloatArray, tables: Tables) -> FloatArray:
    get = tables.physics.value
    full, none = get("night_cooling.full_cloud_pct", "pct"), get("night_cooling.none_cloud_pct", "pct")
    return _fade(cloud_cover_pct, full, none)


def clear_share(weather: WeatherTable, tables: Tables) -> FloatArray:
    """How clear each hour is, 1 clear to 0 cloudy, shape (H,); missing cloud counts as clear."""
    return _clear(weather.value("cloud_cover_pct"), tables)


def clear_calm_share(weather: WeatherTable, tables: Tables) -> FloatArray:
    """How clear and calm each hour is, 1 to 0, shape (H,): how much of a place's own cold it has."""
    return clear_share(weather, tables) * _calm(weather.value("wind_speed_10m_m_s"), tables)


def _fade(values: FloatArray, full_until: float, none_from: float) -> FloatArray:
    """One up to ``full_until``, falling to zero at ``none_from``; a missing value counts as one."""
    return np.clip((none_from - np.nan_to_num(values, nan=full_until)) / (none_from - full_until), 0.0, 1.0)


def place_temperature_c(place: Place, weather: WeatherTable, garden: Garden, tables: Tables) -> FloatArray:
    """Air temperature at the pots of one place, for degree days, chilling and drying.

    Parameters
    ----------
    place : Place
    weather : WeatherTable
    garden : Garden
    tables : Tables

    Returns
    -------
    float array, shape (H,)
        [degC]; NaN where the screen air is missing.

    Source: as ``bench_air_c``. Checked: tests/exposure/test_places.py.
    """
    found: FloatArray = place_temperatures_c([place], weather, garden, tables)[0]
    return found


def place_temperatures_c(
    places: Sequence[Place], weather: WeatherTable, garden: Garden, tables: Tables
) -> FloatArray:
    """``place_temperature_c`` of several places side by side, shape (P, H)."""
    if not weather.hours or not places:
        return np.zeros((len(places), weather.hours))
    sun = sun_of(weather, garden, tables)
    names = ("air_temperature_c", "cloud_cover_pct", "wind_speed_10m_m_s")
    air, cloud, wind = (weather.value(name)[np.newaxis] for name in names)
    traits = spot_traits([Spot(place) for place in places], tables)
    found: FloatArray = bench_air_c(
        air, cloud, wind, dark_share=1.0 - sun.sunlit_share, traits=traits, tables=tables
    )[0]
    return found
