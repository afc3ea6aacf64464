"""What a forecast would have said: the weather that happened, with an error that grows with lead time.

For replaying the past. The forecast is the truth plus an error; members are the forecast plus further
draws of the same error, never draws around the truth: their mean would give the truth away. Past hours
are exact. How the error is made, quantity by quantity, from noise of unit variance that hangs together
along the hours (first-order autoregression) and, in part, from one forecast to the next:

- air temperature: added;
- dew point: its distance from the air is multiplied, so that the air never passes saturation;
- wind and gust: multiplied by one factor of mean 1, so that the gust stays above the wind;
- cloud: added within 0..100; shortwave follows by what the change of cloud lets through, and is never
  above the clear sky; its direct and diffuse parts and evapotranspiration are left to be worked out;
- rain: shifted by hours, and multiplied by a factor of mean 1; the weather code is shifted with it.

Source of the form: common practice of forecast verification; the widths are rows of config/, estimates.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from advisor.physics.air import relative_humidity_pct
from advisor.physics.missing import as_float
from advisor.physics.radiation import shortwave_from_cloud_w_m2
from advisor.units import NumberTable
from advisor.weather.members import Ensemble
from advisor.weather.spread import temperature_error_sd_k
from advisor.weather.table import FloatArray, Provenance, TimeArray, WeatherTable, stamp_of, utc_of

__all__ = ["FORECAST", "OBSERVED", "Draws", "ErrorWidths", "error_widths", "made_forecast", "made_members"]

Draws = Callable[[str, int], np.random.Generator]
"""Gives the generator of a stream (``shared``, ``own``, ``members``) and an hour since 1970: the same
arguments, the same draws, in whatever order they are asked for."""

OBSERVED, FORECAST = "replay-observed", "replay-forecast"
"""Sources by hour of a made table."""
_QUANTITIES = ("air", "moisture", "wind", "cloud", "rain", "shift")
_BURN = 10
"""Correlation lengths before the first hour, after which the noise has forgotten where it began."""
_LEFT_OUT = ("direct_normal_w_m2", "diffuse_w_m2", "reference_et_mm")


@dataclass(frozen=True, slots=True)
class ErrorWidths:
    """One standard deviation by hour, shape (H,); zero in hours that are past.

    ``air_k`` [K]; ``moisture``, ``wind``, ``rain`` [of the logarithm]; ``cloud_pct`` [%]; ``shift_h`` [h].
    """

    air_k: FloatArray
    moisture: FloatArray
    wind: FloatArray
    cloud_pct: FloatArray
    rain: FloatArray
    shift_h: FloatArray
    dim_w_m2: float
    """Clear sky below which shortwave does not tell the cloud."""


def error_widths(
    start_utc: TimeArray, now_utc: datetime, numbers: NumberTable, *, growing: bool = True
) -> ErrorWidths:
    """Return how far a forecast made at ``now_utc`` may be off in each hour.

    Parameters
    ----------
    start_utc : datetime64[s] array, shape (H,)
    now_utc : datetime
        Hours that ended by then are past.
    numbers : NumberTable
        Rows ``spread.*`` and ``made_forecast.*``.
    growing : bool
        False: no error at all.
    """
    now = stamp_of(now_utc)
    lead_h = as_float((start_utc - now) / np.timedelta64(3600, "s"))
    first = numbers.value("made_forecast.first_share", "share")
    ramp = first + (1.0 - first) * np.clip(lead_h / 24.0, 0.0, 1.0)
    to_come = start_utc + np.timedelta64(3600, "s") > now
    ramp = np.where(to_come & growing, ramp, 0.0)

    def width(key: str, unit: str) -> FloatArray:
        one, five = (numbers.value(key.format(day), unit) for day in (1, 5))
        return as_float(ramp * np.interp(lead_h, [24.0, 120.0], [one, five]))

    return ErrorWidths(
        air_k=as_float(ramp * temperature_error_sd_k(lead_h, numbers)),
        moisture=width("made_forecast.depression_day{}_share", "share"),
        wind=width("spread.gust_day{}_share", "share"),
        cloud_pct=width("made_forecast.cloud_day{}_pct", "pct"),
        rain=width("made_forecast.rain_day{}_share", "share"),
        shift_h=width("made_forecast.rain_shift_day{}_h", "h"),
        dim_w_m2=numbers.value("made_forecast.dim_w_m2", "W/m2"),
    )


def made_forecast(
    truth: WeatherTable,
    clear_sky_w_m2: FloatArray,
    now_utc: datetime,
    from_utc: datetime,
    until_utc: datetime,
    numbers: NumberTable,
    draws: Draws,
    *,
    growing: bool = True,
) -> WeatherTable:
    """Return the table a weather service would have given at ``now_utc``.

    Parameters
    ----------
    truth : WeatherTable
        Complete (``derive.complete``), past and future.
    clear_sky_w_m2 : float array, shape (H,)
        On the truth's hours.
    from_utc, until_utc : datetime
        Hours wanted; where the truth ends earlier the table does too.
    draws : callable
    growing : bool
        False: a perfect forecast.

    Returns
    -------
    WeatherTable
        ``source_by_hour`` tells ``OBSERVED`` from ``FORECAST``; the seam is the first hour that had not
        ended. Missing hours stay missing.

    Raises
    ------
    ValueError
        ``clear_sky_w_m2`` has another length than the truth.
    """
    if clear_sky_w_m2.shape != truth.start_utc.shape:
        raise ValueError("clear_sky_w_m2 must have one value for each hour of the truth")
    first, last = max(truth.index_at(from_utc), 0), min(truth.index_at(until_utc), truth.hours)
    table = truth.between(first, last)
    seam = int((table.start_utc + np.timedelta64(3600, "s") <= stamp_of(now_utc)).sum())
    values: Mapping[str, FloatArray] = table.values
    if growing and seam < table.hours:
        # Rain is shifted in from around the table's edges, so the whole truth stands behind the hours.
        widths = error_widths(table.start_utc, now_utc, numbers)
        noise = _forecast_noise(table.start_utc, now_utc, numbers, draws)
        values = _off(truth.values, clear_sky_w_m2, first, widths, noise)
        for name in _LEFT_OUT:
            if name in values:
                kept = np.arange(table.hours) < seam
                values[name] = np.where(kept, values[name], np.nan)
    origin = Provenance(
        FORECAST,
        now_utc,
        now_utc,
        attribution=truth.provenance.attribution,
        derived=truth.provenance.derived,
    )
    return replace(
        table,
        values=values,
        provenance=origin,
        members={},
        seam_utc=utc_of(table.start_utc[seam]) if seam < table.hours else None,
        source_by_hour=(OBSERVED,) * seam + (FORECAST,) * (table.hours - seam),
    )


def made_members(
    forecast: WeatherTable,
    clear_sky_w_m2: FloatArray,
    now_utc: datetime,
    until_utc: datetime,
    count: int,
    numbers: NumberTable,
    draws: Draws,
    *,
    growing: bool = True,
) -> Ensemble | None:
    """Return ``count`` members around a made forecast, each off by a further draw of the same error.

    Parameters
    ----------
    forecast : WeatherTable
        From ``made_forecast``; members begin at its seam.
    clear_sky_w_m2 : float array, shape (H,)
        On the forecast's hours.
    until_utc : datetime
        End of the members.

    Returns
    -------
    Ensemble or None
        None without an hour to come.
    """
    if forecast.seam_utc is None or count < 1:
        return None
    first, last = forecast.index_at(forecast.seam_utc), min(forecast.index_at(until_utc), forecast.hours)
    if last <= first:
        return None
    start = forecast.start_utc[first:last]
    widths = error_widths(start, now_utc, numbers, growing=growing)
    generator = draws("members", _hour(now_utc))
    white = generator.standard_normal((len(_QUANTITIES), count, start.size))
    noise = _chained(white, numbers.value("made_forecast.correlation_h", "h"))
    values = _off(forecast.values, clear_sky_w_m2, first, widths, noise)
    names = ("air_temperature_c", "dew_point_c", "relative_humidity_pct", "wind_speed_10m_m_s",
             "wind_gust_m_s", "rain_mm", "cloud_cover_pct", "shortwave_w_m2")  # fmt: skip
    shape = (count, start.size)
    members = {name: np.broadcast_to(values[name], shape) for name in names if name in values}
    return Ensemble(start, members, FORECAST, now_utc)


# --- noise ---------------------------------------------------------------------------------------


def _hour(at_utc: datetime) -> int:
    return int(stamp_of(at_utc).astype(np.int64) // 3600)


def _chained(white: FloatArray, correlation_h: float) -> FloatArray:
    """First-order autoregression along the last axis, of unit variance from its first hour on."""
    from scipy.signal import lfilter

    keep = math.exp(-1.0 / correlation_h)
    fresh = math.sqrt(1.0 - keep * keep)
    driven = white * fresh
    driven[..., 0] = white[..., 0]
    return as_float(lfilter([1.0], [1.0, -keep], driven, axis=-1))


def _forecast_noise(
    start_utc: TimeArray, now_utc: datetime, numbers: NumberTable, draws: Draws
) -> FloatArray:
    """Return noise (quantity, H): a part that depends on the hour alone, and one of this forecast's own."""
    correlation_h = numbers.value("made_forecast.correlation_h", "h")
    shared = numbers.value("made_forecast.shared_share", "share")
    hours = start_utc.astype(np.int64) // 3600
    begin = int(hours[0]) - round(_BURN * correlation_h)
    first_day, last_day = begin // 24, int(hours[-1]) // 24
    days = [
        draws("shared", day * 24).standard_normal((len(_QUANTITIES), 24))
        for day in range(first_day, last_day + 1)
    ]
    common = _chained(np.concatenate(days, axis=1), correlation_h)[:, int(hours[0]) - first_day * 24 :]
    own = _chained(
        draws("own", _hour(now_utc)).standard_normal((len(_QUANTITIES), start_utc.size)), correlation_h
    )
    return as_float(math.sqrt(shared) * common[:, : start_utc.size] + math.sqrt(1.0 - shared) * own)


# --- the error -------------------------------------------------------------------------------------


def _off(
    base: Mapping[str, FloatArray],
    clear_sky_w_m2: FloatArray,
    first: int,
    widths: ErrorWidths,
    noise: FloatArray,
) -> dict[str, FloatArray]:
    """Return the hours from row ``first`` of ``base`` on, off by the noise (quantity, ..., H)."""
    air, moisture, wind, cloud, rain, shift = noise
    hours = widths.air_k.size
    rows = slice(first, first + hours)
    out = {name: array[rows] for name, array in base.items()}
    still = widths.air_k == 0.0

    if "air_temperature_c" in out:
        out["air_temperature_c"] = out["air_temperature_c"] + widths.air_k * air
    if "dew_point_c" in out and "air_temperature_c" in out:
        depression = np.maximum(base["air_temperature_c"][rows] - out["dew_point_c"], 0.0)
        wetter = out["air_temperature_c"] - depression * np.exp(widths.moisture * moisture)
        out["dew_point_c"] = np.where(still, out["dew_point_c"], wetter)
        if "relative_humidity_pct" in out:
            humid = np.minimum(relative_humidity_pct(out["air_temperature_c"], out["dew_point_c"]), 100.0)
            out["relative_humidity_pct"] = np.where(still, out["relative_humidity_pct"], humid)
    for name in ("wind_speed_10m_m_s", "wind_gust_m_s"):
        if name in out:
            out[name] = out[name] * np.exp(widths.wind * wind - widths.wind**2 / 2.0)
    clear = clear_sky_w_m2[rows]
    _cloud_off(out, clear, widths.cloud_pct * cloud, still, clear > widths.dim_w_m2)
    moved = np.arange(first, first + hours) + np.rint(widths.shift_h * shift).astype(np.int64)
    for name in ("rain_mm", "weather_code"):
        if name in out:
            whole = base[name]
            out[name] = whole[np.clip(moved, 0, whole.size - 1)]
    if "rain_mm" in out:
        out["rain_mm"] = out["rain_mm"] * np.exp(widths.rain * rain - widths.rain**2 / 2.0)
    return out


def _cloud_off(
    out: dict[str, FloatArray],
    clear: FloatArray,
    change_pct: FloatArray,
    still: object,
    bright: NDArray[np.bool_],
) -> None:
    """Change cloud, and shortwave by what the changed cloud lets through; no cloud known: by the share."""
    shortwave = out.get("shortwave_w_m2")
    cloud = out.get("cloud_cover_pct")
    told = np.full(clear.shape, np.nan)
    if shortwave is not None:
        with np.errstate(invalid="ignore", divide="ignore"):
            share = np.clip(shortwave / np.where(bright, clear, np.nan), 0.25, 1.0)
        told = 100.0 * ((1.0 - share) / 0.75) ** (1.0 / 3.4)
    known = told if cloud is None else np.where(np.isfinite(cloud), cloud, told)
    changed = np.clip(known + change_pct, 0.0, 100.0)
    if cloud is not None:
        out["cloud_cover_pct"] = np.where(np.isfinite(cloud), changed, cloud)
    if shortwave is not None:
        through = shortwave_from_cloud_w_m2(1.0, changed) / shortwave_from_cloud_w_m2(1.0, known)
        most = np.maximum(shortwave, clear)
        dimmed = np.minimum(shortwave * through, most)
        out["shortwave_w_m2"] = np.where(np.isfinite(dimmed) & ~np.asarray(still), dimmed, shortwave)
