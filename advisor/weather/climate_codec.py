"""A climate as plain JSON values and back: what the store keeps."""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np

from advisor.physics.missing import FloatArray
from advisor.weather.climate import Climate
from advisor.weather.stations import Station

__all__ = ["VERSION", "climate_from_plain", "plain_climate"]

VERSION = 1
_MISSING = -32768
"""Temperatures are kept as whole hundredths of a degree in 16 bits; this one means missing."""


def plain_climate(climate: Climate) -> dict[str, Any]:
    """Return values that JSON can hold: some 40 KB for thirty years."""
    station = climate.station
    return {
        "version": VERSION,
        "station": {
            "id": station.id,
            "name": station.name,
            "latitude_deg": station.latitude_deg,
            "longitude_deg": station.longitude_deg,
            "elevation_m": station.elevation_m,
            "distance_km": station.distance_km,
            "height_difference_m": station.height_difference_m,
        },
        "latitude_deg": climate.latitude_deg,
        "first_day": str(climate.day[0]),
        "days": int(climate.day.size),
        "minimum_c": _packed(climate.minimum_c),
        "maximum_c": _packed(climate.maximum_c),
        "years": list(climate.years),
        "attribution": list(climate.attribution),
        "notes": list(climate.notes),
    }


def climate_from_plain(data: Mapping[str, Any]) -> Climate:
    """Return the climate that ``plain_climate`` gave.

    Raises
    ------
    ValueError
        Another version, or damaged: make it anew.
    """
    if data.get("version") != VERSION:
        raise ValueError(f"a climate of version {data.get('version')!r}, not {VERSION}; make it anew")
    try:
        days = int(data["days"])
        day = np.datetime64(str(data["first_day"]), "D") + np.arange(days)
        return Climate(
            station=Station(**data["station"]),
            latitude_deg=float(data["latitude_deg"]),
            day=day,
            minimum_c=_unpacked(str(data["minimum_c"]), days),
            maximum_c=_unpacked(str(data["maximum_c"]), days),
            years=tuple(int(year) for year in data["years"]),
            attribution=tuple(str(line) for line in data["attribution"]),
            notes=tuple(str(line) for line in data["notes"]),
        )
    except (KeyError, TypeError, ValueError, binascii.Error, zlib.error) as error:
        raise ValueError(f"the kept climate is damaged ({error}); make it anew") from error


def _packed(values: FloatArray) -> str:
    whole = np.where(np.isnan(values), _MISSING, np.round(np.nan_to_num(values) * 100.0))
    return base64.b64encode(zlib.compress(whole.astype("<i2").tobytes(), 9)).decode("ascii")


def _unpacked(text: str, days: int) -> FloatArray:
    whole = np.frombuffer(zlib.decompress(base64.b64decode(text, validate=True)), dtype="<i2")
    if whole.size != days:
        raise ValueError(f"{whole.size} values for {days} days")
    return np.where(whole == _MISSING, np.nan, np.round(whole / 100.0, 2))
