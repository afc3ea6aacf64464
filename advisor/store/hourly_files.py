"""A CSV of hourly observations with our own column names, as ``weather --csv`` writes them, into a table.

``start_utc`` (or ``start_local``) and ``air_temperature_c`` are obligatory, every other column of the
weather table may stand beside them; ``source`` and ``reference_et_mm`` are passed over. Nothing is
converted and nothing guessed: a foreign unit in the header refuses the file, a value that cannot be is
set missing. Packed with gzip or plain; UTF-8; RFC 4180.
"""

from __future__ import annotations

import csv
import io
import itertools
import zlib
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from zoneinfo import ZoneInfo

import numpy as np

from advisor.errors import Fault, SettingsError
from advisor.store.hourly_header import Header, read_header
from advisor.store.hourly_rows import Finding, Findings, HourRow, hours_of_rows, numbers_of_row
from advisor.units import NumberTable
from advisor.weather.quality import QualityNumbers, checked, in_range
from advisor.weather.table import VARIABLES, FloatArray, Provenance, WeatherTable, utc_of

__all__ = ["LARGEST_BYTES", "HourlyReport", "read_hourly"]

LARGEST_BYTES = 100_000_000
"""Of the file and of what it unpacks to; thirty years of every column are a third of it."""
LONGEST_YEARS = 100
SOURCE = "hourly-file"


@dataclass(frozen=True, slots=True)
class HourlyReport:
    """What was read from an hourly file and what was found on the way."""

    file: str
    rows: int
    hours: int
    first_utc: datetime
    until_utc: datetime
    known_hours: int
    """Hours with an air temperature."""
    findings: tuple[Finding, ...]
    passed_over: tuple[str, ...]

    def lines(self) -> tuple[str, ...]:
        """Return the report in words, the summary first."""
        span = f"{self.first_utc:%Y-%m-%d %H:%M} to {self.until_utc:%Y-%m-%d %H:%M} UTC"
        known = f"{self.known_hours} of them with an air temperature"
        out = [f"{self.file}: {self.rows} rows, {self.hours} hours from {span}, {known}"]
        if self.passed_over:
            out.append(f"{self.file}: columns passed over: {', '.join(self.passed_over)}")
        out += [f"{self.file}: {finding}" for finding in self.findings]
        hot = any(f.rule == "range" and f.variable == "air_temperature_c" for f in self.findings)
        if hot:
            out.append(
                f"{self.file}: air temperatures outside what is possible in °C may be Fahrenheit; "
                "nothing was converted: write °C"
            )
        return tuple(out)


def read_hourly(
    path: Path,
    zone: ZoneInfo,
    numbers: NumberTable,
    fetched_at_utc: datetime,
    renamed: Mapping[str, str] | None = None,
    *,
    may_stand_still: bool = False,
) -> tuple[WeatherTable, HourlyReport]:
    """Read a file of hourly observations.

    Parameters
    ----------
    path : Path
        CSV, packed with gzip or plain.
    zone : ZoneInfo
        Of the garden, for ``start_local``.
    numbers : NumberTable
        With the rows of the quality rules (config/physics.toml).
    fetched_at_utc : datetime
        Goes into the table's provenance.
    renamed : mapping of str to str, optional
        Further column names that stand for one of ours.
    may_stand_still : bool
        True where air without humidity may keep its value for a day, as in a room.

    Returns
    -------
    WeatherTable, HourlyReport
        The table has every hour from the first to the last, gaps as NaN, values that cannot be as NaN.

    Raises
    ------
    SettingsError
        The file cannot be read, is no such CSV, names a foreign unit, or has no usable hour. Carries
        every fault.
    """
    file = path.name
    text = _text(path)
    rows, header = _rows(file, text, renamed)
    found = Findings()
    usable = hours_of_rows(rows, header, zone, found)
    if not usable:
        first = [f"line {one.first_line}: {one.rule}" for one in found.all()]
        wanted = "give at least one row with a stamp and an air temperature"
        raise SettingsError([Fault(file, None, "", "; ".join(["no hour in it", *first]), wanted)])
    kept = _once_each(usable, header, found)
    table, line_of_hour = _table(file, kept, header, found, fetched_at_utc)
    quality = QualityNumbers.from_numbers(numbers)
    if may_stand_still:
        quality = replace(quality, stuck_alone_h=float(table.hours + 1))
    table = _without_impossible(table, line_of_hour, quality, found)
    known = int(np.isfinite(table.value("air_temperature_c")).sum())
    until = utc_of(table.start_utc[-1] + np.timedelta64(3600, "s"))
    begins = utc_of(table.start_utc[0])
    report = HourlyReport(file, len(rows), table.hours, begins, until, known, found.all(), header.passed_over)
    return table, report


# --- bytes and lines -----------------------------------------------------------------------------


def _refuse(file: str, found: str, wanted: str, line: int | None = None) -> SettingsError:
    return SettingsError([Fault(file, line, "", found, wanted)])


def _text(path: Path) -> str:
    file, megabytes = path.name, LARGEST_BYTES // 1_000_000
    too_large = _refuse(file, f"holds more than {megabytes} MB of text", "split it into shorter spans")
    try:
        with path.open("rb") as handle:
            raw = handle.read(LARGEST_BYTES + 1)
    except OSError as error:
        raise _refuse(str(path), f"cannot be read: {error.strerror}", "name a CSV file") from None
    if len(raw) > LARGEST_BYTES:
        raise too_large
    if raw.startswith(b"\x1f\x8b"):
        unpack = zlib.decompressobj(wbits=31)
        try:
            raw = unpack.decompress(raw, LARGEST_BYTES + 1)
        except zlib.error as error:
            raise _refuse(file, f"is damaged gz ({error})", "pack it again") from None
        if len(raw) > LARGEST_BYTES:
            raise too_large
        if not unpack.eof:
            raise _refuse(file, "is cut short", "fetch or pack it again")
    if raw.startswith(b"PK\x03\x04"):
        raise _refuse(file, "is an archive or a spreadsheet, not text", "unpack it, or save it as CSV")
    try:
        text = raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        line = raw.count(b"\n", 0, error.start) + 1
        raise _refuse(file, "is not UTF-8 text", "save it as UTF-8", line) from None
    if "\0" in text:
        raise _refuse(file, "is not UTF-8 text but looks like UTF-16", "save it as UTF-8")
    if text.lstrip().startswith("<"):
        raise _refuse(file, "is a web page, not CSV", "save the data itself")
    if not text.strip():
        raise _refuse(file, "is empty", "begin with start_utc,air_temperature_c,...")
    return text


def _rows(
    file: str, text: str, renamed: Mapping[str, str] | None
) -> tuple[list[tuple[int, list[str]]], Header]:
    """Return the rows with the line each begins in, and what the header says."""
    rows: list[tuple[int, list[str]]] = []
    header: Header | None = None
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    line = 1
    try:
        for fields in reader:
            begins, line = line, reader.line_num + 1
            if not any(field.strip() for field in fields):
                continue
            if header is None:
                header, faults = read_header(file, begins, fields, renamed)
                if header is None:
                    raise SettingsError(faults)
            else:
                rows.append((begins, fields))
    except csv.Error as error:
        raise _refuse(file, f"is no CSV ({error})", 'write "" for a quote inside quotes', line) from None
    if header is None:
        raise _refuse(file, "is empty", "begin with start_utc,air_temperature_c,...")
    return rows, header


# --- rows into a table ---------------------------------------------------------------------------


def _once_each(
    usable: Sequence[HourRow], header: Header, found: Findings
) -> list[tuple[HourRow, tuple[float, ...]]]:
    """Return one row an hour, sorted; the first of an hour given twice."""
    first: dict[int, tuple[HourRow, tuple[float, ...]]] = {}
    latest: int | None = None
    for row in usable:
        if row.hour in first:
            quiet = Findings()
            earlier, values = first[row.hour], numbers_of_row(row, header, quiet)
            if np.array_equal(values, earlier[1], equal_nan=True):
                found.add("same hour twice, same values", "", row.line, "the later row dropped")
            else:
                found.add(
                    "same hour twice, other values",
                    "",
                    row.line,
                    "the first row kept",
                    f"line {row.line} against line {earlier[0].line}",
                )
            continue
        if latest is not None and row.hour < latest:
            found.add("out of order", "", row.line, "sorted")
        latest = row.hour if latest is None else max(latest, row.hour)
        first[row.hour] = (row, numbers_of_row(row, header, found))
    return [first[hour] for hour in sorted(first)]


def _table(
    file: str,
    kept: Sequence[tuple[HourRow, tuple[float, ...]]],
    header: Header,
    found: Findings,
    fetched_at_utc: datetime,
) -> tuple[WeatherTable, dict[int, int]]:
    """Return the table on an unbroken axis of hours, and the line of each of its rows."""
    begin, end = kept[0][0], kept[-1][0]
    count = end.hour - begin.hour + 1
    if count > LONGEST_YEARS * 8766:
        apart = f"line {begin.line} and line {end.line} are {count // 8766} years apart"
        raise _refuse(file, apart, "mend the year in one of these lines")
    axis = (begin.hour * 3600 + 3600 * np.arange(count, dtype=np.int64)).astype("datetime64[s]")
    rows = np.array([row.hour - begin.hour for row, _ in kept], dtype=np.int64)
    given = np.array([values for _, values in kept], dtype=np.float64).reshape(len(kept), -1)
    values: dict[str, FloatArray] = {}
    for place, (_, name) in enumerate(header.columns):
        values[name] = np.full(count, np.nan)
        values[name][rows] = given[:, place]
    for (before, _), (after, _) in itertools.pairwise(kept):
        missing = after.hour - before.hour - 1
        if missing:
            from_utc = utc_of(axis[before.hour - begin.hour + 1])
            example = f"{missing} h from {from_utc:%Y-%m-%d %H:%M} UTC, before line {after.line}"
            found.add("gap", "", after.line, "hours stand as missing", example, times=missing)
    lines = {row.hour - begin.hour: row.line for row, _ in kept}
    return WeatherTable(axis, values, Provenance(SOURCE, None, fetched_at_utc)), lines


def _without_impossible(
    table: WeatherTable, line_of_hour: dict[int, int], quality: QualityNumbers, found: Findings
) -> WeatherTable:
    """Set missing what cannot be, each rule counted with its first line."""
    values = {}
    for name, array in table.values.items():
        values[name], _ = in_range(name, array)
        row = VARIABLES[name]
        treated = f"missing; possible are {row.low:g} to {row.high:g} {row.unit}"
        _count("range", name, treated, _lost(array, values[name]), array, line_of_hour, found)
    ranged = WeatherTable(table.start_utc, values, table.provenance)
    done = checked(ranged, quality)
    rules = [note.split(": ", 1) for note in done.provenance.notes]
    for name, array in ranged.values.items():
        struck = [rule for rule, said in rules if said.startswith(f"{name},")]
        gone = _lost(array, done.values[name])
        if gone:
            _count(" and ".join(struck), name, "missing", gone, array, line_of_hour, found)
    return WeatherTable(done.start_utc, done.values, table.provenance)


def _lost(before: FloatArray, after: FloatArray) -> list[int]:
    return [int(row) for row in np.flatnonzero(np.isfinite(before) & ~np.isfinite(after))]


def _count(
    rule: str,
    name: str,
    treated: str,
    rows: Iterable[int],
    values: FloatArray,
    line_of_hour: dict[int, int],
    found: Findings,
) -> None:
    for row in rows:
        found.add(rule, name, line_of_hour[row], treated, f"{values[row]:g}")
