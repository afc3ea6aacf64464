"""What the sources take and give: a place on the map, a declared variable, a reply made into a table."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Literal

from advisor.units import M_S_PER_KM_H, M_S_PER_KNOT, M_S_PER_MPH, MM_PER_INCH
from advisor.weather.table import FloatArray, Kind, WeatherTable

__all__ = ["CONVERSIONS", "Fetched", "Foreign", "Label", "Site", "accepted"]

Label = Literal["start", "end"]
Conversion = Callable[[FloatArray], FloatArray]


@dataclass(frozen=True, slots=True)
class Site:
    """Where the garden lies. Coordinates go out with at most four decimals (about 10 m).

    ``elevation_m`` is the garden's; None leaves it to the service.
    """

    latitude_deg: float
    longitude_deg: float
    elevation_m: float | None

    def latitude(self) -> str:
        """Text for a request."""
        return _degrees(self.latitude_deg)

    def longitude(self) -> str:
        """Text for a request."""
        return _degrees(self.longitude_deg)


@dataclass(frozen=True, slots=True)
class Foreign:
    """One variable of a source.

    Attributes
    ----------
    name : str
        The source's name.
    ours : str
        Canonical name.
    kind : str
        What the value is within the hour.
    label : {"start", "end"}
        Whether the time stamp marks the start (or the instant) or the end of the hour.
    units : mapping
        Every unit that is accepted, with its conversion to ours. Any other unit is refused.
    """

    name: str
    ours: str
    kind: Kind
    label: Label
    units: Mapping[str, Conversion]


@dataclass(frozen=True, slots=True)
class Fetched:
    """A fetched forecast: the table, the body as it came, and what the call counts at the service."""

    table: WeatherTable
    body: bytes
    weight: float


def _degrees(angle: float) -> str:
    text = f"{angle:.4f}".rstrip("0").rstrip(".")
    return "0" if text == "-0" else text


def _times(factor: float) -> Conversion:
    return lambda values: values * factor


def _same(values: FloatArray) -> FloatArray:
    return values


CONVERSIONS: dict[str, dict[str, Conversion]] = {
    "degC": {"°C": _same, "°F": lambda f: (f - 32.0) * 5.0 / 9.0},
    "m/s": {
        "m/s": _same,
        "km/h": _times(M_S_PER_KM_H),
        "mp/h": _times(M_S_PER_MPH),
        "mph": _times(M_S_PER_MPH),
        "kn": _times(M_S_PER_KNOT),
    },
    "mm": {"mm": _same, "inch": _times(MM_PER_INCH)},
    "cm": {"m": _times(100.0), "cm": _same},
    "W/m2": {"W/m²": _same},
    "pct": {"%": _same},
    "hPa": {"hPa": _same},
    "code": {"wmo code": _same},
    "J/kg": {"J/kg": _same},
}
"""Foreign spellings of units and how each becomes ours. Source: definitions (see ``units``)."""


def accepted(unit: str, *spellings: str) -> dict[str, Conversion]:
    """Return the conversions of ``unit`` for the spellings a source is known to use."""
    return {spelling: CONVERSIONS[unit][spelling] for spelling in spellings}
