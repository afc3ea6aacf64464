"""Columns of a JSON reply made into arrays, refused whole when their structure is wrong.

Nothing is guessed: a text where a number belongs, an unknown unit or an array of the wrong length
refuses the reply and names the variable.
"""

from __future__ import annotations

import json
import math
from datetime import UTC, datetime
from typing import Any, NoReturn

import numpy as np

from advisor.errors import SourceError
from advisor.sources.model import Foreign
from advisor.weather.table import FloatArray, TimeArray

__all__ = ["HOUR_S", "column", "converted", "hour_axis", "placed", "read_json", "refuse"]

HOUR_S = 3600
_LAST_SECOND = 253402300800
"""Year 10000: later stamps are no times."""


class _Token:
    """A bare NaN or Infinity, which JSON (RFC 8259) does not allow; kept to name where it stood."""

    def __init__(self, text: str) -> None:
        self.text = text

    def __repr__(self) -> str:
        return self.text


def refuse(source: str, words: str, *, transient: bool = False) -> NoReturn:
    """Raise ``SourceError`` for a reply that cannot be used."""
    raise SourceError(f"{source}: {words}; the reply is refused", transient=transient)


def read_json(source: str, body: bytes) -> Any:
    """Return the JSON value of ``body``; a broken one is a fault of the moment."""
    try:
        return json.loads(body, parse_constant=_Token)
    except (ValueError, RecursionError):
        refuse(source, f"the reply broke off or is not JSON ({len(body)} bytes)", transient=True)


def hour_axis(source: str, stamps: object, unit: object, utc_offset_s: object) -> TimeArray:
    """Return the UTC hours of a time column.

    Parameters
    ----------
    stamps : object
        The column: seconds since 1970 in UTC, or ISO 8601 texts.
    unit : object
        ``unixtime`` or ``iso8601``.
    utc_offset_s : object
        What the service says its texts are ahead of UTC; texts with an offset of their own ignore it.

    Returns
    -------
    datetime64[s] array
        Strictly hourly, on full hours of UTC.

    Raises
    ------
    SourceError
        No times, no full hours, or not one hour apart.
    """
    if not isinstance(stamps, list) or not stamps:
        refuse(source, "no times in it")
    if (
        isinstance(utc_offset_s, bool)
        or not isinstance(utc_offset_s, int | float)
        or abs(utc_offset_s) > 86400
    ):
        refuse(source, f"utc_offset_seconds is {utc_offset_s!r}, not a number of seconds")
    seconds: list[int] = []
    for stamp in stamps:
        if unit == "unixtime" and type(stamp) is int and 0 <= stamp < _LAST_SECOND:
            seconds.append(stamp)
        elif unit == "iso8601" and isinstance(stamp, str):
            seconds.append(_iso_seconds(source, stamp, float(utc_offset_s)))
        else:
            refuse(source, f"time {stamp!r} does not fit its unit {unit!r}")
    axis = np.array(seconds, dtype=np.int64)
    if axis.size > 1 and not bool(np.all(np.diff(axis) == HOUR_S)):
        refuse(source, "its times are not one hour apart, in order and without gaps")
    if int(axis[0]) % HOUR_S:
        refuse(source, "its times are not on full hours of UTC")
    return axis.astype("datetime64[s]")


def _iso_seconds(source: str, stamp: str, utc_offset_s: float) -> int:
    try:
        at = datetime.fromisoformat(stamp)
    except ValueError:
        refuse(source, f"time {stamp[:40]!r} is not ISO 8601")
    if at.tzinfo is not None:
        return round(at.timestamp())
    return round(at.replace(tzinfo=UTC).timestamp() - utc_offset_s)


def column(source: str, name: str, values: object, length: int) -> FloatArray:
    """Return a column of numbers, null as NaN.

    Raises
    ------
    SourceError
        Not an array of ``length``, or an element that is neither a number nor null.
    """
    if not isinstance(values, list):
        refuse(source, f"{name} is not an array")
    if len(values) != length:
        refuse(source, f"{name} has {len(values)} values for {length} hours")
    out = np.full(length, np.nan)
    for row, value in enumerate(values):
        if value is None:
            continue
        if type(value) not in (int, float):
            refuse(source, f"{name} holds {value!r:.40} in place {row + 1}, which is not a number")
        try:
            number = float(value)
        except OverflowError:
            number = math.inf
        if not math.isfinite(number):
            refuse(source, f"{name} holds a number without bound in place {row + 1}")
        out[row] = number
    return out


def converted(source: str, variable: Foreign, unit: object, values: FloatArray) -> FloatArray | None:
    """Return the column in our unit; None where the service has no such variable.

    Raises
    ------
    SourceError
        A unit that is not declared for this variable.
    """
    if unit == "undefined":
        return None
    conversion = variable.units.get(unit) if isinstance(unit, str) else None
    if conversion is None:
        refuse(source, f"{variable.name} comes in {unit!r}, known are {', '.join(sorted(variable.units))}")
    return conversion(values)


def placed(variable: Foreign, values: FloatArray) -> FloatArray:
    """Return the column in the rows it belongs to: row t is the hour that starts at t.

    An instant or an hour labelled by its start stays; an hour labelled by its end moves one row up,
    which leaves the last row unknown.
    """
    if variable.label == "start":
        return values
    return np.concatenate([values[..., 1:], np.full((*values.shape[:-1], 1), np.nan)], axis=-1)
