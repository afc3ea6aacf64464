"""A year file as it was downloaded: whole, bounded, in the documented columns, of the right year.

Source: https://dev.meteostat.net/data/timeseries/hourly and /daily: one gzipped CSV a station and year,
``year,month,day`` (hourly ``,hour``), then each parameter and ``<parameter>_source``.
"""

from __future__ import annotations

import zlib
from dataclasses import dataclass
from typing import Literal

from advisor.errors import SourceError
from advisor.weather.stations import is_station_id

__all__ = [
    "LIST_PATH",
    "MAX_PACKED",
    "MAX_TEXT",
    "TIME_COLUMNS",
    "BadFileError",
    "Kind",
    "SoundFile",
    "sound_file",
    "station_path",
    "year_file_path",
]

Kind = Literal["hourly", "daily"]

MAX_PACKED = 4 * 1024 * 1024
MAX_TEXT = 16 * 1024 * 1024
"""A year of hours is about 130 KB packed and 1.3 MB unpacked."""
TIME_COLUMNS: dict[Kind, tuple[str, ...]] = {
    "hourly": ("year", "month", "day", "hour"),
    "daily": ("year", "month", "day"),
}
_NEEDED: dict[Kind, tuple[str, ...]] = {"hourly": ("temp",), "daily": ("tmin", "tmax")}


class BadFileError(SourceError):
    """What came is no usable file, although the service answered: the others may be well."""

    def __init__(self, name: str, words: str) -> None:
        super().__init__(f"meteostat: {name} {words}; the file is refused", transient=False)


LIST_PATH = "/stations.db"


def year_file_path(kind: Kind, year: int, station_id: str) -> str:
    """Return the path of a year file under the service's address.

    Raises
    ------
    ValueError
        No station id, or no year of four digits.
    """
    if not is_station_id(station_id):
        raise ValueError(f"{station_id!r} is no station id")
    if not 1000 <= year <= 9999:
        raise ValueError(f"{year} is no year")
    return f"/{kind}/{year}/{station_id}.csv.gz"


def station_path(station_id: str) -> str:
    """Return the path of a station's own description; ``ValueError`` for what is no station id."""
    if not is_station_id(station_id):
        raise ValueError(f"{station_id!r} is no station id")
    return f"/stations/{station_id}.json"


@dataclass(frozen=True, slots=True)
class SoundFile:
    """Text of a year file that can be read on, and what was left out of it.

    Attributes
    ----------
    text : str
        CSV with a header; each hour or day once; no value without its source.
    rows : int
        Rows that hold a value; 0 for a year of nothing.
    notes : tuple of str
    """

    text: str
    rows: int
    notes: tuple[str, ...]


def _unpacked(name: str, body: bytes) -> str:
    if len(body) > MAX_PACKED:
        raise BadFileError(name, f"is larger than {MAX_PACKED // 1024} KiB")
    if body[:2] == b"\x1f\x8b":
        unpack = zlib.decompressobj(wbits=31)
        try:
            text = unpack.decompress(body, MAX_TEXT + 1)
        except zlib.error:
            raise BadFileError(name, "is damaged (gzip)") from None
        if len(text) > MAX_TEXT:
            raise BadFileError(name, f"is larger than {MAX_TEXT // 1024} KiB after unzipping")
        if not unpack.eof:
            raise BadFileError(name, "is cut short (gzip)")
    else:
        text = body
    try:
        return text.decode("ascii")
    except UnicodeDecodeError:
        raise BadFileError(name, "is no CSV text") from None


def sound_file(kind: Kind, year: int, station_id: str, body: bytes) -> SoundFile:
    """Return the text of a year file, checked line by line.

    Parameters
    ----------
    kind : {"hourly", "daily"}
    year : int
        That every row must have.
    station_id : str
        For messages.
    body : bytes
        Packed or already unpacked by the transport.

    Raises
    ------
    BadFileError
        Not whole, too large, no CSV, other columns than documented, a row of another length or year.
        Names the line.
    """
    name = f"the {kind} file of {station_id} for {year}"
    lines = _unpacked(name, body).splitlines()
    header = lines[0].split(",") if lines else []
    times = TIME_COLUMNS[kind]
    if tuple(header[: len(times)]) != times or len(set(header)) != len(header):
        raise BadFileError(name, f"begins with {(lines or [''])[0][:40]!r} instead of {','.join(times)},...")
    for needed in _NEEDED[kind]:
        if not {needed, f"{needed}_source"} <= set(header):
            raise BadFileError(name, f"has no column {needed} with its {needed}_source")
    pairs = [
        (header.index(column), header.index(f"{column}_source"))
        for column in header[len(times) :]
        if f"{column}_source" in header
    ]
    kept: dict[tuple[int, ...], str] = {}
    twice = unsourced = rows = 0
    for number, line in enumerate(lines[1:], 2):
        cells = line.split(",")
        if len(cells) != len(header):
            raise BadFileError(name, f"has {len(cells)} fields instead of {len(header)} in line {number}")
        try:
            stamp = tuple(int(float(cell)) for cell in cells[: len(times)])
        except ValueError:
            raise BadFileError(name, f"has no date in line {number}") from None
        if stamp[0] != year or not _is_time(stamp):
            raise BadFileError(name, f"has the time {'-'.join(map(str, stamp))} in line {number}")
        blank = [value for value, source in pairs if cells[value] and not cells[source].strip()]
        for column in blank:
            cells[column] = ""
        unsourced += len(blank)
        twice += stamp in kept
        rows += any(cells[value] for value, _ in pairs)
        kept[stamp] = ",".join(cells)
    notes = []
    if twice:
        notes.append(f"duplicate: {twice} rows of {name} came twice, the last one counts")
    if unsourced:
        notes.append(f"no source: {unsourced} values of {name} left out")
    return SoundFile("\n".join([lines[0], *kept.values(), ""]), rows, tuple(notes))


def _is_time(stamp: tuple[int, ...]) -> bool:
    month, day = stamp[1], stamp[2]
    return 1 <= month <= 12 and 1 <= day <= 31 and 0 <= (stamp[3] if len(stamp) > 3 else 0) <= 23
