"""What the grower's own thermometers teach of a place: how much colder or warmer it is than reckoned.

Readings are held against what was reckoned for the same nights and days, weather and place alike, without
any correction. Their median is believed the more, the more readings agree; one that is absurd is set aside.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import date, datetime, time, timedelta
from typing import Literal
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import ArrayLike, NDArray

from advisor.exposure.places import clear_calm_share, clear_share, place_temperature_c, sun_of
from advisor.garden.model import Garden, Holdings, Place, PlaceCorrection, PlaceReading
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, as_float, reduce_over
from advisor.weather.days import at_local, day_bounds_utc
from advisor.weather.table import TimeArray, WeatherTable, stamp_of

__all__ = ["Learned", "believed", "readings_of_hours", "with_corrections"]

Kind = Literal["night-min", "day-max"]


@dataclass(frozen=True, slots=True)
class Learned:
    """A correction [K], the readings it rests on, and which of those given were set aside."""

    value_k: float
    count: int
    aside: NDArray[np.bool_]


def believed(differences_k: ArrayLike, tables: Tables, bound_k: float) -> Learned:
    """Return what differences, read less reckoned, are worth.

    Parameters
    ----------
    differences_k : float array, shape (n,)
        [K], none missing.
    tables : Tables
        With [thermometer] of config/physics.toml.
    bound_k : float
        Largest correction either way.

    Returns
    -------
    Learned
        Median of those that count, times n / (n + trust): one reading is hardly believed, many are.

    Source: median and scaled median absolute deviation (Huber 1981), shrinkage towards no correction; the
    numbers are estimates. Checked: tests/exposure/test_thermometer.py.
    """
    given, get = as_float(differences_k), tables.physics.value
    aside = np.abs(given) > get("thermometer.absurd_k", "K")
    kept = given[~aside]
    if kept.size:
        middle = float(np.median(kept))
        spread = 1.4826 * float(np.median(np.abs(kept - middle)))
        far = max(get("thermometer.far_spreads", "1") * spread, get("thermometer.far_k", "K"))
        aside |= np.abs(given - middle) > far
        kept = given[~aside]
    if not kept.size:
        return Learned(0.0, 0, aside)
    trusted = kept.size / (kept.size + get("thermometer.trust_readings", "count"))
    value = float(np.clip(np.median(kept) * trusted, -bound_k, bound_k))
    return Learned(value, int(kept.size), aside)


def with_corrections(
    holdings: Holdings, weather: WeatherTable | None, tables: Tables, now_utc: datetime
) -> Holdings:
    """Return the holdings with each place corrected by the readings up to now.

    Readings of hours that the weather does not cover teach nothing, nor do those of cloudy or windy nights
    outdoors, where the air at the pots is that of the screen.
    """
    places = {
        place.id: replace(place, correction=_correction(holdings, place, weather, tables, now_utc))
        for place in holdings.places.values()
    }
    return replace(holdings, places=places) if holdings.readings else holdings


def _correction(
    holdings: Holdings, place: Place, weather: WeatherTable | None, tables: Tables, now_utc: datetime
) -> PlaceCorrection | None:
    back = timedelta(days=tables.physics.value("thermometer.look_back_d", "d"))
    today = now_utc.astimezone(holdings.garden.zone).date()
    own = [one for one in holdings.readings if one.place_id == place.id and today - back <= one.day <= today]
    if not own:
        return None
    if weather is None or not weather.hours:
        return PlaceCorrection(unknown_weather=len(own))
    found = {}
    aside: list[PlaceReading] = []
    unknown = 0
    kinds: tuple[tuple[Kind, str], ...] = (("night-min", "night"), ("day-max", "day"))
    for kind, name in kinds:
        readings = [one for one in own if one.kind == kind]
        reckoned = [_reckoned(holdings.garden, place, weather, tables, one, now_utc) for one in readings]
        unknown += sum(value is not None and np.isnan(value) for value in reckoned)
        known = [
            (one, one.air_c - value)
            for one, value in zip(readings, reckoned, strict=True)
            if value is not None and not np.isnan(value)
        ]
        learned = believed(
            [difference for _, difference in known],
            tables,
            tables.physics.value(f"thermometer.most_{name}_k", "K"),
        )
        found[name] = learned
        aside += [one for (one, _), out in zip(known, learned.aside, strict=True) if out]
    night, day = found["night"], found["day"]
    if not night.count and not day.count and not aside and not unknown:
        return None
    return PlaceCorrection(night.value_k, night.count, day.value_k, day.count, tuple(aside), unknown)


def _span(garden: Garden, reading: PlaceReading) -> tuple[datetime, datetime]:
    """The night from noon to noon, or the day."""
    if reading.kind == "day-max":
        return day_bounds_utc(reading.day, garden.zone)
    noon = time(12)
    return (
        at_local(reading.day - timedelta(days=1), noon, garden.zone),
        at_local(reading.day, noon, garden.zone),
    )


def _reckoned(
    garden: Garden,
    place: Place,
    weather: WeatherTable,
    tables: Tables,
    reading: PlaceReading,
    now_utc: datetime,
) -> float | None:
    """What was reckoned for the time of a reading.

    NaN where too little of its weather is known, cloud and wind outdoors included: missing cloud counts as
    clear for frost, and a cloudy night taken for a clear one would teach a warmth that clear nights have not.
    None for one that teaches nothing since it was cloudy or windy.
    """
    begin, end = _span(garden, reading)
    # the evening's highest, read before midnight, is of a day not over yet: its warm hours are
    begin_row, end_row = weather.index_at(begin), weather.index_at(min(end, now_utc) + timedelta(hours=1))
    if begin_row < 0 or end_row > weather.hours:
        return np.nan
    near = weather.between(begin_row, end_row)
    air = place_temperature_c(replace(place, correction=None), near, garden, tables)
    coverage = tables.physics.value("thermometer.coverage_share", "share")
    night = reading.kind == "night-min"
    value = float(reduce_over(air, "min" if night else "max", minimum_coverage=coverage).value)
    if np.isnan(value):
        return np.nan
    dark = 1.0 - sun_of(near, garden, tables).sunlit_share
    if place.shelter_level < tables.physics.value("bench.indoor_level", "count"):
        share, when = (
            (clear_calm_share(near, tables), dark) if night else (clear_share(near, tables), 1 - dark)
        )
        told_by = ("cloud_cover_pct", "wind_speed_10m_m_s") if night else ("cloud_cover_pct",)
        seen = np.logical_and.reduce([np.isfinite(near.value(name)) for name in told_by])
        if when.sum() > 0.0 and (seen * when).sum() / when.sum() < coverage:
            return np.nan
        if when.sum() <= 0.0 or (share * when).sum() / when.sum() < tables.physics.value(
            "thermometer.clear_share", "share"
        ):
            return None
    return value


def readings_of_hours(
    place_id: str, start_utc: TimeArray, air_c: FloatArray, zone: ZoneInfo, coverage: float
) -> tuple[PlaceReading, ...]:
    """Return the lowest of each night and the highest of each day of a logger's hours.

    Parameters
    ----------
    place_id : str
    start_utc : datetime64 array, shape (H,)
        Whole hours.
    air_c : float array, shape (H,)
        NaN is missing.
    zone : ZoneInfo
        Of the garden.
    coverage : float
        Share of the hours of a night or day that must be known.
    """
    if not start_utc.size:
        return ()
    hour = np.timedelta64(3600, "s")
    first, last = (_local_date(start_utc[row], zone) for row in (0, -1))
    found = []
    for number in range((last - first).days + 2):
        day = first + timedelta(days=number)
        noons = (at_local(day - timedelta(days=1), time(12), zone), at_local(day, time(12), zone))
        spans: tuple[tuple[Kind, tuple[datetime, datetime]], ...] = (
            ("night-min", noons),
            ("day-max", day_bounds_utc(day, zone)),
        )
        for kind, (begin, end) in spans:
            wanted = round((end - begin).total_seconds() / 3600.0)
            row = int((stamp_of(begin) - start_utc[0]) // hour)
            values = air_c[max(row, 0) : max(row + wanted, 0)]
            known = values[np.isfinite(values)]
            if wanted and known.size / wanted >= coverage:
                extreme = known.min() if kind == "night-min" else known.max()
                found.append(PlaceReading(place_id, kind, day, float(extreme), 0))
    return tuple(found)


def _local_date(stamp: np.datetime64, zone: ZoneInfo) -> date:
    return datetime.fromtimestamp(int(stamp.astype("datetime64[s]").astype(np.int64)), tz=zone).date()
