"""Several tables joined into one: the past as it was last known, the future as last forecast.

Rule, hour by hour and whole rows at a time, so that the values of an hour fit one another:

1. Tables fetched after ``now_utc`` do not exist yet.
2. Each hour comes from the newest table that has an air temperature for it. Newest is the order in
   which the caller hands them over: observations first where they are to win over forecasts of the past.
3. A variable that the chosen table lacks in that hour stays missing; it is not patched from another here.
   Observations, which lack much, are patched before they are handed over, and say so (``patch``).
4. Hours that no table has are rows of NaN. What rests on an older table is said in the notes.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.errors import DataGap
from advisor.weather.table import FloatArray, Provenance, TimeArray, WeatherTable, stamp_of, utc_of

__all__ = ["blend", "on_axis"]

_STEP = np.timedelta64(3600, "s")


def _floor_hour(at_utc: datetime) -> datetime:
    return at_utc.astimezone(UTC).replace(minute=0, second=0, microsecond=0)


def on_axis(values: FloatArray, start_utc: TimeArray, axis: TimeArray) -> FloatArray:
    """Return ``values`` (..., H) of hours ``start_utc`` on the hours ``axis``, NaN where it has none."""
    out = np.full((*values.shape[:-1], axis.size), np.nan)
    if start_utc.size and axis.size:
        rows = ((axis - start_utc[0]) // _STEP).astype(np.int64)
        inside = (rows >= 0) & (rows < start_utc.size)
        out[..., inside] = values[..., rows[inside]]
    return out


def blend(
    newest_first: Sequence[WeatherTable], from_utc: datetime, until_utc: datetime, now_utc: datetime
) -> WeatherTable:
    """Join tables into one without gaps in its time axis; the rule is at the head of this module.

    Parameters
    ----------
    newest_first : sequence of WeatherTable
        The first one wins.
    from_utc, until_utc : datetime
        The hours wanted, from the full hour that holds ``from_utc`` to before ``until_utc``.
    now_utc : datetime
        What was fetched later is not used.

    Returns
    -------
    WeatherTable
        ``source_by_hour`` has ``""`` for hours that no table knows. ``seam_utc`` is the first hour of
        the last unbroken run of hours that were still to come when their table was fetched.
        ``provenance`` is that of the table that gives the hours from now on (else of the newest used),
        with the attributions, derived names and notes of all that were used. Members come from the
        newest table that has them.

    Raises
    ------
    DataGap
        No table has an air temperature for any of the hours.
    ValueError
        ``until_utc`` is not after ``from_utc``.
    """
    first = _floor_hour(from_utc)
    hours = -((first - until_utc.astimezone(UTC)) // timedelta(hours=1))
    if hours <= 0:
        raise ValueError("the hours wanted must end after they begin")
    axis: TimeArray = stamp_of(first) + np.arange(hours) * _STEP
    tables = [table for table in newest_first if table.provenance.fetched_at_utc <= now_utc]
    chosen = np.full(hours, -1, dtype=np.int64)
    for number, table in enumerate(tables):
        known = np.isfinite(on_axis(table.value("air_temperature_c"), table.start_utc, axis))
        chosen[(chosen < 0) & known] = number
    used = [int(number) for number in np.unique(chosen) if number >= 0]
    if not used:
        raise DataGap("air_temperature_c", first, until_utc)

    rows = {number: _rows_of(tables[number], chosen == number, axis) for number in used}
    values: dict[str, FloatArray] = {}
    for name in dict.fromkeys(name for number in used for name in tables[number].values):
        out = np.full(hours, np.nan)
        for number, (there, own) in rows.items():
            if name in tables[number].values:
                out[there] = tables[number].value(name)[own]
        if bool(np.isfinite(out).any()):
            values[name] = out
    members: dict[str, FloatArray] = {}
    for table in tables:
        if table.members:
            members = {name: on_axis(array, table.start_utc, axis) for name, array in table.members.items()}
            break
    return WeatherTable(
        start_utc=axis,
        values=values,
        provenance=_provenance(tables, chosen, axis, values, now_utc),
        members=members,
        seam_utc=_seam(tables, chosen, axis),
        source_by_hour=_sources(tables, rows, hours),
    )


def _rows_of(
    table: WeatherTable, taken: NDArray[np.bool_], axis: TimeArray
) -> tuple[NDArray[np.intp], NDArray[np.int64]]:
    """Rows of ``axis`` that are taken from ``table``, and its own rows of the same hours."""
    there = np.flatnonzero(taken)
    return there, ((axis[there] - table.start_utc[0]) // _STEP).astype(np.int64)


def _sources(
    tables: Sequence[WeatherTable],
    rows: Mapping[int, tuple[NDArray[np.intp], NDArray[np.int64]]],
    hours: int,
) -> tuple[str, ...]:
    found = np.full(hours, "", dtype=object)
    for number, (there, own) in rows.items():
        table = tables[number]
        named = np.array(table.source_by_hour, dtype=object)
        found[there] = named[own] if named.size else table.provenance.source
    return tuple(found.tolist())


def _to_come(tables: Sequence[WeatherTable], chosen: NDArray[np.int64], axis: TimeArray) -> NDArray[np.bool_]:
    """True for hours that had not ended when their table was fetched; hours without a table are True."""
    out = np.ones(axis.size, dtype=np.bool_)
    for number, table in enumerate(tables):
        fetched = stamp_of(table.provenance.fetched_at_utc)
        out = np.where(chosen == number, axis + _STEP > fetched, out)
    return out


def _seam(tables: Sequence[WeatherTable], chosen: NDArray[np.int64], axis: TimeArray) -> datetime | None:
    past = np.flatnonzero(~_to_come(tables, chosen, axis))
    row = int(past[-1]) + 1 if past.size else 0
    return utc_of(axis[row]) if row < axis.size else None


def _provenance(
    tables: Sequence[WeatherTable],
    chosen: NDArray[np.int64],
    axis: TimeArray,
    values: dict[str, FloatArray],
    now_utc: datetime,
) -> Provenance:
    used = [int(number) for number in np.unique(chosen) if number >= 0]
    ahead = axis >= stamp_of(_floor_hour(now_utc))
    leading = [int(number) for number in chosen[ahead] if number >= 0]
    # The table that gives most of the future speaks for the whole; its age is what the grower reads.
    main = max(sorted(set(leading)), key=leading.count) if leading else used[0]
    origins = [tables[number].provenance for number in used]
    notes = [note for origin in origins for note in origin.notes]
    for number in used:
        if number == main:
            continue
        future = int((ahead & (chosen == number)).sum())
        if future:
            origin = tables[number].provenance
            age_h = (now_utc - origin.fetched_at_utc).total_seconds() / 3600.0
            notes.append(f"older forecast: {future} h to come from {origin.source}, {age_h:.0f} h old")
    stale = int((~ahead & (chosen >= 0) & _to_come(tables, chosen, axis)).sum())
    if stale:
        notes.append(f"past as forecast: {stale} h never seen, only as they were forecast")
    gaps = int((chosen < 0).sum())
    if gaps:
        notes.append(f"gap: {gaps} h without any weather")
    names = dict.fromkeys(
        name for number in used for name in (*tables[number].values, *tables[number].provenance.missing)
    )
    coded = [tables[number].provenance for number in used if "weather_code" in tables[number].values]
    return replace(
        tables[main].provenance,
        attribution=tuple(dict.fromkeys(line for origin in origins for line in origin.attribution)),
        derived=tuple(dict.fromkeys(name for origin in origins for name in origin.derived)),
        missing=tuple(sorted(name for name in names if name not in values)),
        notes=tuple(dict.fromkeys(notes)),
        model_names_hail=bool(coded) and all(origin.model_names_hail for origin in coded),
    )
