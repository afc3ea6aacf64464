"""The weather of each spot: light, wind, air and drying, for a chunk of members at a time."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from advisor.exposure.places import PlaceSun, SpotTraits, bench_air_c, bench_and_gust_m_s
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.physics.air import (
    pressure_kpa_from_elevation,
    saturation_vapour_pressure_kpa,
    vapour_pressure_deficit_kpa,
    wet_bulb_c,
)
from advisor.physics.evapotranspiration import cloudiness_factor, reference_et_hourly_mm
from advisor.physics.heat_stress import wbgt_c
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.radiation import (
    STEFAN_BOLTZMANN_W_M2_K4,
    ZERO_C_IN_K,
    shortwave_from_cloud_w_m2,
    sky_longwave_w_m2,
    split_shortwave,
)
from advisor.physics.sun import HourlySun
from advisor.physics.wind import wind_at_height_m_s
from advisor.weather.table import TimeArray, WeatherTable

__all__ = [
    "OpenWeather",
    "SpotWeather",
    "garden_heat_stress_c",
    "garden_reference_et_mm",
    "open_weather",
    "spot_weather",
]


@dataclass(frozen=True, slots=True)
class OpenWeather:
    """The open garden, arrays of shape (M, H); M is 1 without members.

    ``beam_w_m2`` is the direct beam on the level. ``cloudiness`` is fcd of the evapotranspiration
    standard. Missing stays NaN, but missing cloud counts as clear in ``sky_longwave_w_m2``: the side that
    is safe for frost.
    """

    air_temperature_c: FloatArray
    vapour_pressure_kpa: FloatArray
    wind_10m_m_s: FloatArray
    gust_10m_m_s: FloatArray
    rain_mm: FloatArray
    cloud_cover_pct: FloatArray
    shortwave_w_m2: FloatArray
    beam_w_m2: FloatArray
    diffuse_w_m2: FloatArray
    cloudiness: FloatArray
    sky_longwave_w_m2: FloatArray


@dataclass(frozen=True, slots=True)
class SpotWeather:
    """What reaches the trees of each spot, arrays of shape (M, P, H).

    ``bench_air_c`` is the air at the pot, ``leaf_air_c`` what the leaf model starts from (see ``places``).
    ``beam_normal_w_m2`` is the beam at right angles; all three radiations are after horizon and net.
    ``sky_longwave_w_m2`` mixes the sky with the walls and crowns that hide it, which shine at air
    temperature.
    """

    shortwave_w_m2: FloatArray
    beam_w_m2: FloatArray
    diffuse_w_m2: FloatArray
    beam_normal_w_m2: FloatArray
    wind_m_s: FloatArray
    gust_m_s: FloatArray
    bench_air_c: FloatArray
    leaf_air_c: FloatArray
    vapour_pressure_kpa: FloatArray
    vpd_kpa: FloatArray
    wet_bulb_c: FloatArray
    sky_longwave_w_m2: FloatArray
    reference_et_mm: FloatArray


def open_weather(
    weather: WeatherTable, sun: HourlySun, garden: Garden, members: slice | None, before_row: int
) -> OpenWeather:
    """Gather the open garden's weather for the main forecast, or for a slice of members.

    Members that know nothing of the hours before row ``before_row`` (the past) take those from the main
    table; gaps in their future stay gaps. Where members bring their own shortwave radiation but no
    diffuse part, it is split anew.
    """

    def read(name: str) -> FloatArray:
        main = weather.value(name)
        if members is None:
            return main[np.newaxis]
        found = np.array(weather.member(name)[members], dtype=np.float64)
        past = found[:, : max(before_row, 0)]
        past[...] = np.where(np.isnan(past), main[: past.shape[1]], past)
        return found

    air, cloud, shortwave = read("air_temperature_c"), read("cloud_cover_pct"), read("shortwave_w_m2")
    shortwave = np.maximum(shortwave, 0.0)
    own_split = members is not None and "shortwave_w_m2" in weather.members
    if own_split and "diffuse_w_m2" not in weather.members:
        diffuse = split_shortwave(shortwave, sun, weather.start_utc)[1]
    else:
        diffuse = np.clip(read("diffuse_w_m2"), 0.0, shortwave)
    vapour = np.minimum(
        saturation_vapour_pressure_kpa(read("dew_point_c")), saturation_vapour_pressure_kpa(air)
    )
    return OpenWeather(
        air_temperature_c=air,
        vapour_pressure_kpa=vapour,
        wind_10m_m_s=read("wind_speed_10m_m_s"),
        gust_10m_m_s=read("wind_gust_m_s"),
        rain_mm=np.maximum(read("rain_mm"), 0.0),
        cloud_cover_pct=cloud,
        shortwave_w_m2=shortwave,
        beam_w_m2=shortwave - diffuse,
        diffuse_w_m2=diffuse,
        cloudiness=_cloudiness(weather.start_utc, shortwave, cloud, sun, garden),
        sky_longwave_w_m2=sky_longwave_w_m2(
            air, vapour, np.clip(np.nan_to_num(cloud, nan=0.0) / 100.0, 0.0, 1.0)
        ),
    )


def _cloudiness(
    start_utc: TimeArray, shortwave_w_m2: FloatArray, cloud_pct: FloatArray, sun: HourlySun, garden: Garden
) -> FloatArray:
    """Cloudiness factor by the sun; in nights with no sun within a day, as in the polar night, by the cloud.

    Source: Rs/Rso of the cloud after Kasten and Czeplak 1980, put into ASCE-EWRI 2005 eq. 45; the standard is
    silent on nights without days. Checked: tests/exposure/test_compute.py.
    """
    by_sun = cloudiness_factor(
        start_utc, shortwave_w_m2, garden.latitude_deg, garden.longitude_deg, garden.elevation_m
    )
    through = np.clip(shortwave_from_cloud_w_m2(1.0, cloud_pct), 0.3, 1.0)
    by_cloud = np.clip(1.35 * through - 0.35, 0.05, 1.0)
    dark = np.isnan(by_sun) & (sun.mean_sin_elevation <= 0.0)
    return as_float(np.where(dark, by_cloud, by_sun))


def garden_reference_et_mm(outside: OpenWeather, start_utc: TimeArray, garden: Garden) -> FloatArray:
    """Reference evapotranspiration of the open garden, shape (M, H)."""
    return reference_et_hourly_mm(
        start_utc,
        outside.air_temperature_c,
        outside.vapour_pressure_kpa,
        wind_at_height_m_s(outside.wind_10m_m_s, 10.0),
        outside.shortwave_w_m2,
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        cloudiness_factor=outside.cloudiness,
    )


def garden_heat_stress_c(outside: OpenWeather, sun: HourlySun, garden: Garden) -> FloatArray:
    """Heat stress of a person in the open garden, shape (M, H); air pressure from the elevation."""
    saturation = saturation_vapour_pressure_kpa(outside.air_temperature_c)
    humidity = np.minimum(100.0 * outside.vapour_pressure_kpa / saturation, 100.0)
    lit = outside.shortwave_w_m2 > 0.0
    direct = np.divide(outside.beam_w_m2, outside.shortwave_w_m2, out=np.zeros_like(humidity), where=lit)
    return wbgt_c(
        outside.air_temperature_c,
        humidity,
        10.0 * pressure_kpa_from_elevation(garden.elevation_m),
        outside.wind_10m_m_s,
        outside.shortwave_w_m2,
        direct,
        sun.mean_sin_elevation,
    )


def spot_weather(
    outside: OpenWeather,
    start_utc: TimeArray,
    traits: SpotTraits,
    *,
    place: PlaceSun,
    sun: HourlySun,
    garden: Garden,
    tables: Tables,
) -> SpotWeather:
    """Carry the open garden's weather to each spot.

    The bench wind stands for the wind at 2 m in the evapotranspiration: its factor is that between 10 m
    and 2 m, and shelter comes off on top. The radiation that dries is that at the spot, the cloudiness
    that of the open sky.
    """
    spots = (slice(None), np.newaxis)
    beam = outside.beam_w_m2[spots] * (place.beam_share * traits.beam_share)
    diffuse = outside.diffuse_w_m2[spots] * traits.diffuse_share
    shortwave = beam + diffuse
    lowest = np.sin(np.radians(tables.physics.value("sun.lowest_elevation_deg", "deg")))
    high = sun.mean_sin_elevation > lowest
    normal = np.where(high, beam / np.where(high, sun.mean_sin_elevation, 1.0), 0.0 * beam)
    wind, gust = bench_and_gust_m_s(outside.wind_10m_m_s, outside.gust_10m_m_s, traits, tables)
    bench = bench_air_c(
        outside.air_temperature_c,
        outside.cloud_cover_pct,
        outside.wind_10m_m_s,
        dark_share=1.0 - sun.sunlit_share,
        traits=traits,
        tables=tables,
    )
    leaf_air = np.where(traits.indoors, bench, outside.air_temperature_c[spots])
    vapour = np.minimum(outside.vapour_pressure_kpa[spots], saturation_vapour_pressure_kpa(bench))
    sky = traits.open_share * outside.sky_longwave_w_m2[spots]
    sky = sky + (1.0 - traits.open_share) * STEFAN_BOLTZMANN_W_M2_K4 * (leaf_air + ZERO_C_IN_K) ** 4
    drying = reference_et_hourly_mm(
        start_utc,
        leaf_air,
        np.minimum(outside.vapour_pressure_kpa[spots], saturation_vapour_pressure_kpa(leaf_air)),
        wind,
        outside.shortwave_w_m2[spots],
        garden.latitude_deg,
        garden.longitude_deg,
        garden.elevation_m,
        cloudiness_factor=outside.cloudiness[spots],
        shortwave_at_surface_w_m2=shortwave,
    )
    return SpotWeather(
        shortwave_w_m2=shortwave,
        beam_w_m2=beam,
        diffuse_w_m2=diffuse,
        beam_normal_w_m2=normal,
        wind_m_s=wind,
        gust_m_s=gust,
        bench_air_c=bench,
        leaf_air_c=leaf_air,
        vapour_pressure_kpa=vapour,
        vpd_kpa=np.maximum(vapour_pressure_deficit_kpa(bench, vapour), 0.0),
        wet_bulb_c=wet_bulb_c(bench, vapour, pressure_kpa_from_elevation(garden.elevation_m)),
        sky_longwave_w_m2=sky,
        reference_et_mm=drying,
    )
