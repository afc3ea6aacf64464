"""Learned bias taken off a forecast, in the classes of lead and local hour where that was shown to help."""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import timedelta
from zoneinfo import ZoneInfo

import numpy as np
from numpy.typing import NDArray

from advisor.physics.air import dew_point_c, relative_humidity_pct, vapour_pressure_kpa
from advisor.units import NumberTable
from advisor.weather.error_learning import Laid, corrections_of, laid_out
from advisor.weather.error_pairs import ErrorPairs
from advisor.weather.forecast_error import (
    HOUR_CLASSES,
    HOURS_A_CLASS,
    LEAD_EDGES_H,
    LEADS,
    Correction,
    ForecastError,
)
from advisor.weather.table import FloatArray, WeatherTable, stamp_of, utc_of

__all__ = ["CORRECTED", "Benefit", "apply_correction", "benefit_over"]

CORRECTED = "corrected: "
"""How the notes of a corrected table begin."""
_HOUR = np.timedelta64(3600, "s")
_NIGHT = frozenset({18, 21, 0, 3, 6})
_DAY = frozenset({9, 12, 15})
"""First hours of the classes that are called night and day."""


def _at(error: ForecastError, lead_h: float, local_hour: int) -> Correction | None:
    if not 0.0 <= lead_h < LEAD_EDGES_H[-1]:
        return None
    lead = int(np.searchsorted(LEAD_EDGES_H, lead_h, side="right")) - 1
    return error.corrections[lead][local_hour // HOURS_A_CLASS]


def apply_correction(table: WeatherTable, error: ForecastError | None, zone: ZoneInfo) -> WeatherTable:
    """Return ``table`` with the learned bias taken off its hours to come.

    Parameters
    ----------
    table : WeatherTable
        With or without members; before ``derive.complete``.
    error : ForecastError or None
        Of the table's source; of another source nothing is corrected.
    zone : ZoneInfo
        Of the garden.

    Returns
    -------
    WeatherTable
        The same object where nothing is corrected. In corrected hours the vapour in the air is kept:
        the dew point stays, at most at the new temperature, and the humidity follows. The service's
        reference evapotranspiration goes, since it belonged to another temperature; members are
        shifted alike. ``provenance.notes`` says it in words that begin with ``CORRECTED``. Hours before
        the seam, before the fetch, or of another source are left.
    """
    if error is None or table.provenance.source != error.source or not table.hours:
        return table
    if not any(one is not None for row in error.corrections for one in row):
        return table
    fetched = stamp_of(table.provenance.fetched_at_utc)
    ahead = table.start_utc >= fetched
    if table.seam_utc is not None:
        ahead &= table.start_utc >= stamp_of(table.seam_utc)
    if table.source_by_hour:
        ahead &= np.array([source == error.source for source in table.source_by_hour], dtype=np.bool_)
    shift = np.zeros(table.hours)
    used: dict[int, list[Correction]] = {}
    for row in np.flatnonzero(ahead):
        hour = utc_of(table.start_utc[row]).astimezone(zone).hour
        found = _at(error, float((table.start_utc[row] - fetched) / _HOUR), hour)
        if found is not None:
            shift[row] = -found.bias_k
            used.setdefault(hour // HOURS_A_CLASS, []).append(found)
    if not used:
        return table
    values = _shifted(dict(table.values), shift)
    members = _shifted(dict(table.members), shift)
    origin = table.provenance
    notes = (*origin.notes, *_words(used))
    return replace(table, values=values, members=members, provenance=replace(origin, notes=notes))


def _shifted(values: dict[str, FloatArray], shift: FloatArray) -> dict[str, FloatArray]:
    """Air moved by ``shift`` in the hours in which it is not zero, with its vapour kept."""
    if "air_temperature_c" not in values:
        return values
    moved = shift != 0.0
    before = values["air_temperature_c"]
    air = before + shift
    dew = values.get("dew_point_c")
    if dew is None and "relative_humidity_pct" in values:
        dew = dew_point_c(vapour_pressure_kpa(before, values["relative_humidity_pct"]))
    if dew is not None:
        dew = np.where(moved, np.minimum(dew, air), dew)
        if "dew_point_c" in values:
            values["dew_point_c"] = dew
        if "relative_humidity_pct" in values:
            humidity = np.minimum(relative_humidity_pct(air, dew), 100.0)
            values["relative_humidity_pct"] = np.where(moved, humidity, values["relative_humidity_pct"])
    if "reference_et_mm" in values:
        values["reference_et_mm"] = np.where(moved, np.nan, values["reference_et_mm"])
    values["air_temperature_c"] = air
    return values


def _words(used: dict[int, list[Correction]]) -> list[str]:
    """Say what was corrected: one sentence for each run of hour classes moved the same way."""
    signs = {place: _sign(found) for place, found in used.items()}
    out = []
    for run in _runs(signs):
        found = [one for place in run for one in used[place]]
        sizes = sorted({f"{abs(one.bias_k):.1f}" for one in found}, key=float)
        size = sizes[0] if len(sizes) == 1 else f"{sizes[0]} to {sizes[-1]}"
        way = {1: "lower", -1: "higher", 0: "lower or higher"}[signs[run[0]]]
        hours = {place * HOURS_A_CLASS for place in run}
        name = "night" if hours <= _NIGHT else "day" if hours <= _DAY else "air"
        span = f"{run[0] * HOURS_A_CLASS:02d}:00-{(run[-1] + 1) * HOURS_A_CLASS % 24:02d}:00"
        days = min(one.days for one in found)
        out.append(
            f"{CORRECTED}{name} temperatures {span} {size} °C {way} than forecast, "
            f"as learned from {days} days"
        )
    return out


def _runs(signs: dict[int, int]) -> list[list[int]]:
    """Neighbouring hour classes of one sign, round the clock; the first run may begin in the evening."""

    def joined(place: int) -> bool:
        return signs.get((place - 1) % HOUR_CLASSES, 9) == signs[place]

    heads = [place for place in sorted(signs) if not joined(place)] or [0]
    runs = []
    for head in heads:
        run = [head]
        while len(run) < len(signs) and (run[-1] + 1) % HOUR_CLASSES in signs:
            place = (run[-1] + 1) % HOUR_CLASSES
            if not joined(place):
                break
            run.append(place)
        runs.append(run)
    return runs


def _sign(found: list[Correction]) -> int:
    """1 where the forecast was too warm, -1 too cold, 0 by lead time the one or the other."""
    signs = {1 if one.bias_k > 0.0 else -1 for one in found}
    return signs.pop() if len(signs) == 1 else 0


# --- over a season ---------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Benefit:
    """What the correction would have done over a season, learned each day from the days before alone.

    ``hours`` compared, ``corrected`` of them; mean absolute error of air temperature of all of them
    without and with the correction [K].
    """

    hours: int
    corrected: int
    before_k: float
    after_k: float


def benefit_over(pairs: ErrorPairs, zone: ZoneInfo, numbers: NumberTable) -> Benefit:
    """Judge the correction as it would have been used, forecast by forecast, over all of ``pairs``.

    Parameters
    ----------
    pairs : ErrorPairs
        A season or a year of forecasts, nothing forgotten.

    Returns
    -------
    Benefit
        Each forecast is corrected by what its forerunners of the last ``forecast_error.window`` days had
        shown in hours before it was fetched. Mean absolute errors are NaN without hours.
    """
    laid = laid_out(pairs, zone)
    air = laid.errors["air_temperature_c"]
    window = timedelta(days=numbers.value("forecast_error.window", "d"))
    hours = corrected = 0
    before = after = 0.0
    for row, fetched in enumerate(laid.fetched_utc):
        known = np.isfinite(air[row])
        count = int(known.sum())
        if not count:
            continue
        taken = _taken(
            laid, row, np.array([at >= fetched - window for at in laid.fetched_utc[:row]]), numbers
        )
        hours += count
        corrected += int((taken[known] != 0.0).sum())
        before += float(np.abs(air[row][known]).sum())
        after += float(np.abs(air[row][known] - taken[known]).sum())
    if not hours:
        return Benefit(0, 0, float("nan"), float("nan"))
    return Benefit(hours, corrected, before / hours, after / hours)


def _taken(laid: Laid, row: int, used: NDArray[np.bool_], numbers: NumberTable) -> FloatArray:
    """Bias that would have been taken off each hour of one forecast, shape (slot,)."""
    rows = np.flatnonzero(used)
    taken = np.zeros(laid.lead_class.shape[1])
    if not rows.size:
        return taken
    # Only hours that had ended when this forecast was fetched could have been known to it.
    past = laid.start_utc[rows] + _HOUR <= stamp_of(laid.fetched_utc[row])
    air = np.where(past, laid.errors["air_temperature_c"][rows], np.nan)
    before = replace(
        laid,
        start_utc=laid.start_utc[rows],
        errors={"air_temperature_c": air},
        lead_class=laid.lead_class[rows],
        hour_class=laid.hour_class[rows],
        day=laid.day[rows],
    )
    found = corrections_of(before, numbers)
    for lead in range(LEADS):
        for place in range(HOUR_CLASSES):
            correction = found[lead][place]
            if correction is not None:
                cell = (laid.lead_class[row] == lead) & (laid.hour_class[row] == place)
                taken[cell] = correction.bias_k
    return taken
