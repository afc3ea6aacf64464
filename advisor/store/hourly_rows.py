"""Rows of an hourly CSV: stamps into hours of UTC, fields into numbers, every slip counted by rule."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence
from dataclasses import dataclass, field
from datetime import UTC, datetime, timedelta
from zoneinfo import ZoneInfo

from advisor.store.hourly_header import Header
from advisor.store.toml_faults import shown_value

__all__ = ["Finding", "Findings", "HourRow", "hours_of_rows", "numbers_of_row"]

_SHOWN = 3
_NUMBER = re.compile(r"[+-]?(\d+\.?\d*|\.\d+)([eE][+-]?\d+)?")
_STAMP = re.compile(r"\d{4}-\d\d-\d\d[T ]\d\d(:\d\d(:\d\d(\.\d+)?)?)?\s?(Z|[+-]\d\d:?(\d\d)?)?")


@dataclass(frozen=True, slots=True)
class Finding:
    """One rule that struck: which variable (empty for whole rows), how often, where first, what was done."""

    rule: str
    variable: str
    count: int
    first_line: int
    treated: str
    examples: tuple[str, ...] = ()

    def __str__(self) -> str:
        what = f"{self.rule}: {self.variable}" if self.variable else self.rule
        shown = f" ({'; '.join(self.examples)})" if self.examples else ""
        return f"{what}, {self.count} times, first line {self.first_line}{shown}; {self.treated}"


@dataclass
class _Count:
    treated: str
    count: int = 0
    first_line: int = 0
    examples: list[str] = field(default_factory=list)


@dataclass
class Findings:
    """Counts what was found, by rule and variable; keeps the first examples."""

    counts: dict[tuple[str, str], _Count] = field(default_factory=dict)

    def add(
        self, rule: str, variable: str, line: int, treated: str, example: str = "", times: int = 1
    ) -> None:
        """Count one thing found in ``line``."""
        count = self.counts.setdefault((rule, variable), _Count(treated, first_line=line))
        count.count += times
        count.first_line = min(count.first_line, line)
        if example and len(count.examples) < _SHOWN:
            count.examples.append(example)

    def all(self) -> tuple[Finding, ...]:
        """Return them in the order in which they were first met."""
        return tuple(
            Finding(rule, variable, one.count, one.first_line, one.treated, tuple(one.examples))
            for (rule, variable), one in self.counts.items()
        )


@dataclass(frozen=True, slots=True)
class HourRow:
    """One usable row: its hour as a count of hours since 1970, its line, its fields."""

    hour: int
    line: int
    fields: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class _Stamped:
    at: datetime
    line: int
    fields: tuple[str, ...]


def hours_of_rows(
    rows: Sequence[tuple[int, Sequence[str]]], header: Header, zone: ZoneInfo, found: Findings
) -> list[HourRow]:
    """Return the rows whose stamp says which hour of UTC they are, in file order.

    Parameters
    ----------
    rows : sequence of (line, fields)
    header : Header
    zone : ZoneInfo
        Of the garden, for local stamps without an offset.
    found : Findings
        Gets what is left out: rows of another width, stamps that are none, that are not on the full
        hour of UTC, that a clock change skips, or that it doubles without the order telling them apart.
    """
    stamped = []
    for line, fields in rows:
        if len(fields) != header.width:
            example = f"{len(fields)} fields, the header has {header.width}"
            found.add("fields", "", line, "row left out", example)
            continue
        text = fields[header.time_column].strip()
        at = _stamp(text)
        if at is None:
            treated = "row left out; write it like 2013-07-01T14:00:00Z"
            found.add("no time stamp", "", line, treated, shown_value(text))
            continue
        stamped.append(_Stamped(at, line, tuple(fields)))
    utc = _local_to_utc(stamped, zone, found) if header.local else [_as_utc(one) for one in stamped]
    hours = []
    for one in utc:
        since = one.at - datetime(1970, 1, 1, tzinfo=UTC)
        if since % timedelta(hours=1):
            treated = "row left out; give one row for each full hour of UTC"
            found.add("not on the full hour", "", one.line, treated, f"{one.at:%Y-%m-%d %H:%M:%S} UTC")
            continue
        hours.append(HourRow(since // timedelta(hours=1), one.line, one.fields))
    return hours


def _stamp(text: str) -> datetime | None:
    if not _STAMP.fullmatch(text):
        return None
    try:
        return datetime.fromisoformat(text.replace(" ", "T", 1).replace(" ", ""))
    except ValueError:
        return None


def _as_utc(one: _Stamped) -> _Stamped:
    at = one.at.replace(tzinfo=UTC) if one.at.tzinfo is None else _shifted(one.at)
    return _Stamped(at, one.line, one.fields)


def _shifted(at: datetime) -> datetime:
    try:
        return at.astimezone(UTC)
    except OverflowError:
        return at.replace(tzinfo=UTC)


def _local_to_utc(rows: Sequence[_Stamped], zone: ZoneInfo, found: Findings) -> list[_Stamped]:
    """Turn garden-local stamps into UTC; the doubled hour by the order of its two rows, or not at all."""
    same: dict[datetime, list[int]] = {}
    for place, one in enumerate(rows):
        if one.at.tzinfo is None:
            same.setdefault(one.at, []).append(place)
    out = []
    for place, one in enumerate(rows):
        if one.at.tzinfo is not None:
            out.append(_as_utc(one))
            continue
        first, second = (one.at.replace(tzinfo=zone, fold=fold) for fold in (0, 1))
        clock = f"{one.at:%Y-%m-%d %H:%M} in {zone.key}"
        if first.astimezone(UTC).astimezone(zone).replace(tzinfo=None) != one.at:
            treated = "row left out; that hour does not exist"
            found.add("hour skipped by the clock change", "", one.line, treated, clock)
        elif first.utcoffset() == second.utcoffset():
            out.append(_Stamped(_shifted(first), one.line, one.fields))
        elif _told_apart(rows, same[one.at]):
            meant = first if place == same[one.at][0] else second
            out.append(_Stamped(_shifted(meant), one.line, one.fields))
        else:
            treated = "row left out; give both rows in their order, or write offsets"
            found.add("hour doubled by the clock change", "", one.line, treated, clock)
    return out


def _told_apart(rows: Sequence[_Stamped], places: Sequence[int]) -> bool:
    """Whether a doubled hour has its two rows side by side, after an earlier and before a later row."""
    if len(places) != 2 or places[1] != places[0] + 1:
        return False
    at = rows[places[0]].at
    around = [rows[place].at for place in (places[0] - 1, places[1] + 1) if 0 <= place < len(rows)]
    if any(other.tzinfo is not None for other in around):
        return True
    before = places[0] == 0 or rows[places[0] - 1].at < at
    after = places[1] + 1 == len(rows) or rows[places[1] + 1].at > at
    return before and after


def numbers_of_row(row: HourRow, header: Header, found: Findings) -> tuple[float, ...]:
    """Return the values of a row in the order of ``header.columns``; NaN for a gap or no number."""
    values = []
    for place, name in header.columns:
        text = row.fields[place].strip()
        if not text:
            found.add("empty field", name, row.line, "missing")
            values.append(math.nan)
        elif _NUMBER.fullmatch(text) and math.isfinite(value := float(text)):
            values.append(value)
        else:
            treated = "missing; leave a gap empty, and write numbers with a point"
            found.add("no number", name, row.line, treated, shown_value(text))
            values.append(math.nan)
    return tuple(values)
