"""The header of an hourly CSV: which column is what, and what to write instead of a foreign name."""

from __future__ import annotations

import difflib
import re
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from advisor.errors import Fault
from advisor.units import shown
from advisor.weather.table import VARIABLES

__all__ = ["LOCAL", "UTC_START", "Header", "read_header"]

UTC_START, LOCAL = "start_utc", "start_local"
PASSED_OVER = frozenset({"source", "reference_et_mm"})
"""Columns of our own output that are worked out afresh."""
OBLIGATORY = "air_temperature_c"
KNOWN = tuple(name for name in VARIABLES if name not in PASSED_OVER)
_STEMS: dict[str, str] = {
    "air_temperature": "air_temperature_c",
    "temperature": "air_temperature_c",
    "dew_point": "dew_point_c",
    "relative_humidity": "relative_humidity_pct",
    "humidity": "relative_humidity_pct",
    "wind_speed": "wind_speed_10m_m_s",
    "wind_gust": "wind_gust_m_s",
    "gust": "wind_gust_m_s",
    "rain_probability": "rain_probability_pct",
    "rain": "rain_mm",
    "precipitation": "rain_mm",
    "snow_depth": "snow_depth_cm",
    "shortwave": "shortwave_w_m2",
    "direct_normal": "direct_normal_w_m2",
    "diffuse": "diffuse_w_m2",
    "cloud_cover": "cloud_cover_pct",
    "pressure": "pressure_hpa",
}
"""Beginnings of names that mean one of ours in another unit, at another height, or without its unit."""
_CLOSE = 0.85
"""Likeness (0..1) from which an unknown name is a slip in a known one, not a column of another kind."""


@dataclass(frozen=True, slots=True)
class Header:
    """Where each column stands.

    Attributes
    ----------
    time_column, local : int, bool
        Place of the stamps, and whether they are garden-local.
    columns : tuple of (int, str)
        Place and canonical name of each variable read.
    width : int
        Fields a row must have.
    passed_over : tuple of str
        Columns that are not read.
    """

    time_column: int
    local: bool
    columns: tuple[tuple[int, str], ...]
    width: int
    passed_over: tuple[str, ...]


def read_header(
    file: str, line: int, fields: Sequence[str], renamed: Mapping[str, str] | None = None
) -> tuple[Header | None, tuple[Fault, ...]]:
    """Return the meaning of a header, or every fault in it.

    Parameters
    ----------
    file, line
        For faults.
    fields : sequence of str
        Of the first line, stripped.
    renamed : mapping of str to str, optional
        Further names that stand for one of ours.
    """
    faults: list[Fault] = []

    def fault(key: str, found: str, wanted: str) -> None:
        faults.append(Fault(file, line, key, found, wanted))

    other = renamed or {}
    names = [other.get(field.strip(), field.strip()) for field in fields]
    whole = ",".join(names)
    if len(names) == 1 and re.search(r"[;\t]", whole):
        sign = "semicolons" if ";" in whole else "tabs"
        fault("", f"its columns are parted by {sign}", "save it with commas between and points in numbers")
        return None, tuple(faults)
    if re.match(r"\d{4}-\d\d-\d\d|\d\d?[./]\d\d?[./]\d\d", names[0]):
        fault("", "no header, the first line is a row", f"begin with {UTC_START},{OBLIGATORY},...")
        return None, tuple(faults)
    for name in sorted({name for name in names if names.count(name) > 1 and name}):
        fault(name, "stands twice in the header", "keep one of the columns")
    times = [name for name in (UTC_START, LOCAL) if name in names]
    if not times:
        fault("", f"has no column {UTC_START}", f"name the start of the hour {UTC_START} (or {LOCAL})")
    elif len(times) > 1:
        fault(LOCAL, f"stands beside {UTC_START}", f"keep one of the two, best {UTC_START}")
    columns, passed_over = [], []
    for place, name in enumerate(names):
        if name in times:
            continue
        if name in KNOWN:
            columns.append((place, name))
        elif (meant := _meant(name)) is not None and name not in PASSED_OVER:
            fault(name, "is not a column of ours", _instead(meant))
        else:
            passed_over.append(name or f"column {place + 1}")
    if OBLIGATORY not in names and not any(OBLIGATORY in one.wanted for one in faults):
        fault("", f"has no column {OBLIGATORY}", _instead(OBLIGATORY))
    if faults:
        return None, tuple(faults)
    place = names.index(times[0])
    return Header(place, times[0] == LOCAL, tuple(columns), len(names), tuple(passed_over)), ()


def _meant(name: str) -> str | None:
    """Return which of our columns a foreign name stands for, or None."""
    plain = re.sub(r"[\s.\-()/°]+", "_", name.casefold()).strip("_")
    for stem, ours in _STEMS.items():
        if plain == stem or plain.startswith(f"{stem}_"):
            return ours
    close = difflib.get_close_matches(plain, KNOWN, n=1, cutoff=_CLOSE)
    return close[0] if close else None


def _instead(name: str) -> str:
    unit = VARIABLES[name].unit
    said = shown(0.0, unit).unit or "no unit"
    return f"write {name} [{said}] and turn the values into that unit; nothing is converted here"
