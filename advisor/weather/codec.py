"""Weather tables and ensembles as compact bytes for the store, exact to the last bit.

Layout: 4 bytes magic, 1 byte kind, 1 byte version, then zlib of (4 bytes length of the header, header
as JSON, arrays of little-endian float64 with the bytes of equal weight side by side).
"""

from __future__ import annotations

import json
import struct
import zlib
from collections.abc import Mapping, Sequence
from datetime import datetime
from functools import lru_cache
from typing import Any

import numpy as np

from advisor.weather.members import Ensemble
from advisor.weather.table import VARIABLES, FloatArray, Provenance, TimeArray, WeatherTable

__all__ = ["VERSION", "decode_ensemble", "decode_table", "encode_ensemble", "encode_table"]

VERSION = 1
KEPT = 24
"""Decoded tables remembered: the forecasts that learning looks back on, one a day, and some long pasts."""
_MAGIC = b"GSWX"
_TABLE, _ENSEMBLE = 1, 2
_MOST_BYTES = 256 * 1024 * 1024


def _pack(kind: int, header: Mapping[str, Any], arrays: list[FloatArray]) -> bytes:
    head = json.dumps(header, separators=(",", ":"), allow_nan=False).encode()
    parts = [struct.pack("<I", len(head)), head]
    for array in arrays:
        flat = np.ascontiguousarray(array, dtype="<f8").reshape(-1)
        parts.append(flat.view(np.uint8).reshape(-1, 8).T.tobytes())
    return _MAGIC + bytes([kind, VERSION]) + zlib.compress(b"".join(parts), 6)


def _unpack(kind: int, data: bytes) -> tuple[dict[str, Any], bytes]:
    if len(data) < 6 or data[:4] != _MAGIC:
        raise ValueError("these bytes are no stored weather")
    if data[4] != kind:
        raise ValueError("these bytes are stored weather of another kind")
    if data[5] != VERSION:
        raise ValueError(f"stored weather has version {data[5]}, this program reads {VERSION}")
    unpack = zlib.decompressobj()
    try:
        raw = unpack.decompress(data[6:], _MOST_BYTES)
        if not unpack.eof or unpack.unused_data:
            raise ValueError("stored weather is cut short or has more after its end")
        (length,) = struct.unpack_from("<I", raw)
        header = dict(json.loads(raw[4 : 4 + length]))
    except (
        zlib.error,
        struct.error,
        UnicodeDecodeError,
        json.JSONDecodeError,
        RecursionError,
        TypeError,
    ) as error:
        raise ValueError(f"stored weather is damaged: {error}") from None
    return header, raw[4 + length :]


def _arrays(raw: bytes, shapes: Sequence[tuple[int, ...]]) -> list[FloatArray]:
    sizes = [int(np.prod(shape)) * 8 for shape in shapes]
    if len(raw) != sum(sizes):
        raise ValueError("stored weather is damaged: its arrays have another size than its header says")
    out, at = [], 0
    for shape, size in zip(shapes, sizes, strict=True):
        planes = np.frombuffer(raw, dtype=np.uint8, count=size, offset=at).reshape(8, -1)
        array = np.ascontiguousarray(planes.T).view("<f8").astype(np.float64).reshape(shape)
        array.flags.writeable = False
        out.append(array)
        at += size
    return out


def _axis(start_utc: TimeArray) -> dict[str, int]:
    seconds = start_utc.astype("datetime64[s]").astype(np.int64)
    if seconds.size > 1 and not bool(np.all(np.diff(seconds) == 3600)):
        raise ValueError("a weather table to be stored must be hourly and without gaps in its time axis")
    return {"first": int(seconds[0]) if seconds.size else 0, "hours": int(seconds.size)}


def _axis_back(header: Mapping[str, Any]) -> TimeArray:
    first, hours = int(header["first"]), int(header["hours"])
    axis = (first + 3600 * np.arange(hours, dtype=np.int64)).astype("datetime64[s]")
    axis.flags.writeable = False
    return axis


def _stamp(at: datetime | None) -> str | None:
    return None if at is None else at.isoformat()


def _stamp_back(text: str | None) -> datetime | None:
    return None if text is None else datetime.fromisoformat(text)


def encode_table(table: WeatherTable) -> bytes:
    """Return ``table`` as bytes; equal tables give equal bytes.

    Raises
    ------
    ValueError
        The time axis is not hourly.
    """
    names, members = list(table.values), list(table.members)
    runs: list[list[Any]] = []
    for source in table.source_by_hour:
        if runs and runs[-1][0] == source:
            runs[-1][1] += 1
        else:
            runs.append([source, 1])
    origin = table.provenance
    header = {
        **_axis(table.start_utc),
        "names": names,
        "members": members,
        "member_count": table.member_count,
        "seam": _stamp(table.seam_utc),
        "sources": runs,
        "origin": {
            "source": origin.source,
            "issued": _stamp(origin.issued_at_utc),
            "fetched": _stamp(origin.fetched_at_utc),
            "attribution": origin.attribution,
            "derived": origin.derived,
            "missing": origin.missing,
            "notes": origin.notes,
            "model_names_hail": origin.model_names_hail,
        },
    }
    arrays = [table.values[name] for name in names] + [table.members[name] for name in members]
    return _pack(_TABLE, header, arrays)


@lru_cache(maxsize=KEPT)
def decode_table(data: bytes) -> WeatherTable:
    """Return the table that ``encode_table`` made bytes of; its arrays cannot be written to.

    The same bytes give the same object: pass after pass reads the long past, and the learning of errors
    each forecast of the last weeks.

    Raises
    ------
    ValueError
        Damaged, cut short, of another version, or no stored table.
    """
    header, raw = _unpack(_TABLE, data)
    try:
        start = _axis_back(header)
        names, members = _known(header["names"]), _known(header["members"])
        shapes = [(start.size,)] * len(names) + [(int(header["member_count"]), start.size)] * len(members)
        arrays = _arrays(raw, shapes)
        origin = header["origin"]
        fetched = _stamp_back(origin["fetched"])
        if fetched is None:
            raise ValueError("stored weather is damaged: it does not say when it was fetched")
        return WeatherTable(
            start_utc=start,
            values=dict(zip(names, arrays[: len(names)], strict=True)),
            provenance=Provenance(
                source=origin["source"],
                issued_at_utc=_stamp_back(origin["issued"]),
                fetched_at_utc=fetched,
                attribution=tuple(origin["attribution"]),
                derived=tuple(origin["derived"]),
                missing=tuple(origin["missing"]),
                notes=tuple(origin["notes"]),
                model_names_hail=bool(origin["model_names_hail"]),
            ),
            members=dict(zip(members, arrays[len(names) :], strict=True)),
            seam_utc=_stamp_back(header["seam"]),
            source_by_hour=tuple(source for source, count in header["sources"] for _ in range(int(count))),
        )
    except (KeyError, TypeError, OverflowError) as error:
        raise ValueError(f"stored weather is damaged: {error!r}") from None


def encode_ensemble(ensemble: Ensemble) -> bytes:
    """Return an ensemble as bytes.

    Raises
    ------
    ValueError
        The time axis is not hourly.
    """
    header = {
        **_axis(ensemble.start_utc),
        "names": list(ensemble.members),
        "member_count": ensemble.member_count,
        "model": ensemble.model,
        "fetched": _stamp(ensemble.fetched_at_utc),
        "derived": ensemble.derived,
        "attribution": ensemble.attribution,
        "notes": ensemble.notes,
    }
    return _pack(_ENSEMBLE, header, list(ensemble.members.values()))


def decode_ensemble(data: bytes) -> Ensemble:
    """Return the ensemble that ``encode_ensemble`` made bytes of.

    Raises
    ------
    ValueError
        Damaged, cut short, of another version, or no stored ensemble.
    """
    header, raw = _unpack(_ENSEMBLE, data)
    try:
        start = _axis_back(header)
        names = _known(header["names"])
        arrays = _arrays(raw, [(int(header["member_count"]), start.size)] * len(names))
        fetched = _stamp_back(header["fetched"])
        if fetched is None:
            raise ValueError("stored weather is damaged: it does not say when it was fetched")
        return Ensemble(
            start_utc=start,
            members=dict(zip(names, arrays, strict=True)),
            model=str(header["model"]),
            fetched_at_utc=fetched,
            derived=tuple(header["derived"]),
            attribution=tuple(header["attribution"]),
            notes=tuple(header["notes"]),
        )
    except (KeyError, TypeError, OverflowError) as error:
        raise ValueError(f"stored weather is damaged: {error!r}") from None


def _known(names: list[str]) -> list[str]:
    for name in names:
        if name not in VARIABLES:
            raise ValueError(f"stored weather is damaged: unknown variable {name!r}")
    return names
