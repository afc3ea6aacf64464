"""Values that cannot be: set to NaN, counted, and said; a table is never refused for them.

Source: WMO-No. 8, Guide to Instruments and Methods of Observation, part I (plausible value, time and
internal consistency checks).
"""

from __future__ import annotations

import re
from collections.abc import Iterable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from advisor.units import NumberTable
from advisor.weather.table import VARIABLES, FloatArray, WeatherTable

__all__ = ["LeftOut", "QualityNumbers", "checked", "in_range", "left_out", "standing"]

_NOTE = re.compile(r"(?P<rule>[a-z ]+): (?P<name>[a-z0-9_]+), (?P<hours>\d+) h (?P<what>.*)left out")


@dataclass(frozen=True, slots=True)
class LeftOut:
    """What a rule left out of one variable; ``what`` adds the range, else it is empty."""

    rule: str
    name: str
    hours: int
    what: str


def left_out(notes: Iterable[str]) -> tuple[LeftOut, ...]:
    """Read the findings of this module out of the notes of a table, the most hours first.

    A rule that struck one variable in several of the joined tables is told once, with the most hours.
    """
    found: dict[tuple[str, str], LeftOut] = {}
    for note in notes:
        match = _NOTE.fullmatch(note)
        if match is None or match["name"] not in VARIABLES:
            continue
        one = LeftOut(match["rule"], match["name"], int(match["hours"]), match["what"].strip())
        key = one.rule, one.name
        if key not in found or found[key].hours < one.hours:
            found[key] = one
    return tuple(sorted(found.values(), key=lambda one: (-one.hours, one.name, one.rule)))


@dataclass(frozen=True, slots=True)
class QualityNumbers:
    """Limits of the plausibility checks.

    Attributes
    ----------
    radiation_factor, radiation_margin_w_m2 : float
        Shortwave above factor x extraterrestrial + margin cannot be.
    dew_point_above_air_k : float
        A dew point higher than the air by more than this cannot be.
    stuck_h : float
        Temperature and humidity (dew point where there is none) both unchanged for so many hours: the
        instrument is stuck.
    stuck_alone_h : float
        The same by temperature alone, in hours without humidity and dew point.
    spike_k : float
        One hour of air that is so much warmer, or colder, than both its neighbours cannot be: a Fahrenheit
        value among Celsius.
    gust_below_wind_m_s : float
        A gust lower than the wind by more than this cannot be.
    """

    radiation_factor: float
    radiation_margin_w_m2: float
    dew_point_above_air_k: float
    stuck_h: float
    stuck_alone_h: float
    spike_k: float
    gust_below_wind_m_s: float

    @classmethod
    def from_numbers(cls, numbers: NumberTable) -> QualityNumbers:
        """Read the rows under ``weather.quality.``; ``SettingsError`` where one is missing."""
        key = "weather.quality."
        return cls(
            numbers.value(key + "radiation_factor", "1"),
            numbers.value(key + "radiation_margin_w_m2", "W/m2"),
            numbers.value(key + "dew_point_above_air_k", "K"),
            numbers.value(key + "stuck_h", "h"),
            numbers.value(key + "stuck_alone_h", "h"),
            numbers.value(key + "spike_k", "K"),
            numbers.value(key + "gust_below_wind_m_s", "m/s"),
        )


def in_range(name: str, values: FloatArray) -> tuple[FloatArray, str]:
    """Return ``values`` with those outside the range of ``VARIABLES`` as NaN, and a note (may be empty).

    Tiny negative radiation and ``-0`` become zero; humidity just above 100 becomes 100.
    """
    row = VARIABLES[name]
    with np.errstate(invalid="ignore"):
        outside = (values < row.low) | (values > row.high)
    kept = np.where(outside, np.nan, values) + 0.0
    if row.unit == "W/m2":
        kept = np.where(kept < 0.0, 0.0, kept)
    if name == "relative_humidity_pct":
        kept = np.where(kept > 100.0, 100.0, kept)
    count = int(outside.sum())
    return (
        kept,
        f"range: {name}, {count} h outside {row.low:g}..{row.high:g} {row.unit} left out" if count else "",
    )


def checked(
    table: WeatherTable, numbers: QualityNumbers, extraterrestrial_w_m2: FloatArray | None = None
) -> WeatherTable:
    """Return ``table`` without values that cannot be.

    Parameters
    ----------
    table : WeatherTable
    numbers : QualityNumbers
    extraterrestrial_w_m2 : float array, shape (H,), optional
        Hourly mean on a level surface outside the atmosphere; without it radiation is only held
        against its range.

    Returns
    -------
    WeatherTable
        Each rule that struck adds ``rule: variable, n h ...`` to ``provenance.notes``. Rules, in order:
        range; spike of the air; dew point above the air; gust below the wind (the gust goes); radiation
        above what the sun can send; temperature and humidity stuck (both go, the last rule may empty long
        runs).

    Raises
    ------
    ValueError
        ``extraterrestrial_w_m2`` has another length than the table.
    """
    values: dict[str, FloatArray] = {}
    notes = list(table.provenance.notes)

    def note(text: str) -> None:
        if text and text not in notes:
            notes.append(text)

    for name, array in table.values.items():
        values[name], text = in_range(name, array)
        note(text)

    def drop(name: str, bad: NDArray[np.bool_], rule: str) -> None:
        count = int((bad & np.isfinite(values[name])).sum())
        if count:
            values[name] = np.where(bad, np.nan, values[name])
            note(f"{rule}: {name}, {count} h left out")

    with np.errstate(invalid="ignore"):
        if "air_temperature_c" in values:
            drop("air_temperature_c", _spikes(values["air_temperature_c"], numbers.spike_k), "spike")
        if {"dew_point_c", "air_temperature_c"} <= values.keys():
            above = values["dew_point_c"] - values["air_temperature_c"] > numbers.dew_point_above_air_k
            drop("dew_point_c", above, "dew point above the air")
        if {"wind_gust_m_s", "wind_speed_10m_m_s"} <= values.keys():
            below = values["wind_speed_10m_m_s"] - values["wind_gust_m_s"] > numbers.gust_below_wind_m_s
            drop("wind_gust_m_s", below, "gust below the wind")
        if extraterrestrial_w_m2 is not None and "shortwave_w_m2" in values:
            if extraterrestrial_w_m2.shape != table.start_utc.shape:
                raise ValueError("extraterrestrial_w_m2 must have one value for each hour of the table")
            most = numbers.radiation_factor * extraterrestrial_w_m2 + numbers.radiation_margin_w_m2
            drop("shortwave_w_m2", values["shortwave_w_m2"] > most, "more than the sun can send")
    if "air_temperature_c" in values:
        stuck = _stuck(values, round(numbers.stuck_h), round(numbers.stuck_alone_h))
        for name in ("air_temperature_c", "relative_humidity_pct", "dew_point_c"):
            if name in values:
                drop(name, stuck, "stuck")
    return replace(table, values=values, provenance=replace(table.provenance, notes=tuple(notes)))


def standing(values: FloatArray, hours: int) -> NDArray[np.bool_]:
    """Return True in runs of at least so many hours of one and the same value; a gap ends a run.

    Parameters
    ----------
    values : float array, shape (H,)
    hours : int
    """
    return _long_runs(np.append(True, values[1:] != values[:-1])[: values.size], hours)


def _long_runs(begins: NDArray[np.bool_], hours: int) -> NDArray[np.bool_]:
    """True in runs of at least ``hours`` rows, where ``begins`` is True in the first row of each."""
    starts = np.flatnonzero(begins)
    lengths = np.diff(np.append(starts, begins.size))
    found: NDArray[np.bool_] = np.repeat(lengths >= hours, lengths)
    return found


def _spikes(air: FloatArray, spike_k: float) -> NDArray[np.bool_]:
    """True in hours that stand out from both their neighbours to the same side."""
    found = np.zeros(air.size, dtype=np.bool_)
    if air.size > 2:
        before, after = air[1:-1] - air[:-2], air[1:-1] - air[2:]
        found[1:-1] = (np.minimum(before, after) > spike_k) | (np.maximum(before, after) < -spike_k)
    return found


def _stuck(values: dict[str, FloatArray], hours: int, alone_h: int) -> NDArray[np.bool_]:
    """True in runs in which air keeps its value, with humidity, or dew point, or by itself for longer.

    Saturated air may stand still.
    """
    air = values["air_temperature_c"]
    none = np.full(air.size, np.nan)
    humidity, dew = values.get("relative_humidity_pct", none), values.get("dew_point_c", none)
    stuck = _still(air, humidity, humidity >= 100.0, hours)
    unknown = np.isnan(humidity)
    stuck |= _still(np.where(unknown, air, np.nan), dew, dew >= air, hours)
    return stuck | standing(np.where(unknown & np.isnan(dew), air, np.nan), alone_h)


def _still(air: FloatArray, other: FloatArray, saturated: NDArray[np.bool_], hours: int) -> NDArray[np.bool_]:
    """True in runs of at least ``hours`` in which both keep their value, but for saturated air."""
    same = np.zeros(air.size, dtype=np.bool_)
    same[1:] = (air[1:] == air[:-1]) & (other[1:] == other[:-1]) & ~saturated[1:]
    return _long_runs(~same, hours)
