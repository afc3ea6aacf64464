"""The errors that were counted, as JSON for the store: a line of packed slots for each forecast."""

from __future__ import annotations

import base64
import binascii
import zlib
from collections.abc import Mapping
from datetime import date, datetime
from typing import Any

import numpy as np

from advisor.weather.error_pairs import DAYS, EXTREMES, PAIRED, ROW_H, ErrorPairs, ErrorRow

__all__ = ["pairs_from_json", "pairs_to_json"]

_SCHEMA = "forecast-error-pairs/1"


def pairs_to_json(pairs: ErrorPairs) -> dict[str, Any]:
    """Return ``pairs`` as JSON can hold it; equal pairs give equal JSON."""
    rows = {}
    for day in sorted(pairs.rows):
        row = pairs.rows[day]
        slots = [*(row.hourly[name] for name in PAIRED), *(row.daily[name] for name in EXTREMES)]
        raw = b"".join(array.astype("<i2").tobytes() for array in slots)
        rows[day.isoformat()] = {
            "fetched": row.fetched_utc.isoformat(),
            "slots": base64.b64encode(zlib.compress(raw, 6)).decode("ascii"),
        }
    return {
        "schema": _SCHEMA,
        "source": pairs.source,
        "compared_with": pairs.compared_with,
        "reference": pairs.reference,
        "stands_for_garden": pairs.stands_for_garden,
        "rows": rows,
    }


def pairs_from_json(data: Mapping[str, Any]) -> ErrorPairs:
    """Return the pairs that ``pairs_to_json`` wrote.

    Raises
    ------
    ValueError
        Of another schema, or damaged.
    """
    try:
        if data["schema"] != _SCHEMA:
            raise ValueError(f"learned errors are of schema {data['schema']!r}, this program reads {_SCHEMA}")
        rows = {date.fromisoformat(day): _row_back(row) for day, row in data["rows"].items()}
        if data["compared_with"] not in ("station", "own-past"):
            raise ValueError(f"learned errors are compared with {data['compared_with']!r}")
        return ErrorPairs(
            str(data["source"]),
            data["compared_with"],
            str(data["reference"]),
            rows,
            bool(data["stands_for_garden"]),
        )
    except (KeyError, TypeError, AttributeError, zlib.error, binascii.Error) as error:
        raise ValueError(f"learned errors are damaged: {error!r}") from None


def _row_back(row: Mapping[str, Any]) -> ErrorRow:
    sizes = [ROW_H] * len(PAIRED) + [DAYS] * len(EXTREMES)
    slots = np.frombuffer(zlib.decompress(base64.b64decode(row["slots"], validate=True)), dtype="<i2")
    if slots.size != sum(sizes):
        raise ValueError(f"learned errors are damaged: a row has {slots.size} slots, not {sum(sizes)}")
    parts = [part.astype(np.int16) for part in np.split(slots, np.cumsum(sizes)[:-1])]
    return ErrorRow(
        datetime.fromisoformat(row["fetched"]),
        dict(zip(PAIRED, parts[: len(PAIRED)], strict=True)),
        dict(zip(EXTREMES, parts[len(PAIRED) :], strict=True)),
    )
