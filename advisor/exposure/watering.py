"""The water left in each pot: what the journal says, what is assumed, and the watering advised.

Logged waterings and weighings count when they were made. For hours of which nothing is logged, watering
is taken as done as advised, and the balance is begun anew from a full pot two days before now, so that no
deficit is carried over unlogged days. Ahead, each watering time is decided pot by pot: water when what is
left would pass the limit before the next watering time and a margin, by the use expected and without
counting on rain.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.water import PotWater
from advisor.garden.model import Garden, Holdings, Tree
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_water import deplete, litres_from_mm
from advisor.weather.table import TimeArray, WeatherTable, stamp_of, utc_of

__all__ = ["KnownWater", "WaterPlan", "known_water", "plan_watering", "watering_slots"]

BoolArray = NDArray[np.bool_]
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class _Change:
    """One thing the journal says of a pot's water: ``full``, ``add`` litres, or ``left`` litres usable."""

    at_utc: datetime
    kind: str
    litres: float


@dataclass(frozen=True, slots=True)
class KnownWater:
    """What is known of the water of T trees before now.

    Attributes
    ----------
    changes : mapping from row to list of (tree row, kind, litres)
        In the order of the journal, by the row of the weather table they fall in.
    assumed : mapping from row to bool array, shape (T,)
        Past watering times by row: True where watering as advised is assumed.
    text : tuple of str, length T
        For the grower.
    """

    changes: Mapping[int, list[tuple[int, str, float]]]
    assumed: Mapping[int, BoolArray]
    text: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class WaterPlan:
    """Water of T pots through H hours, for M members.

    Attributes
    ----------
    left_share : float array, shape (M, T, H)
        Share of the usable water at the end of each hour; NaN before the balance begins and in hours of
        unknown use.
    waterings_l : float array, shape (M, T, S)
    dry_at : datetime64 array, shape (M, T)
    left_now_share : float array, shape (M, T)
        NaN where the table does not hold now.
    """

    left_share: FloatArray
    waterings_l: FloatArray
    dry_at: TimeArray
    left_now_share: FloatArray


def watering_slots(garden: Garden, from_utc: datetime, until_utc: datetime) -> list[datetime]:
    """Return the garden's watering times in [from, until) as UTC, sorted, without doubles."""
    first = from_utc.astimezone(garden.zone).date() - timedelta(days=1)
    last = until_utc.astimezone(garden.zone).date() + timedelta(days=1)
    found = set()
    for n in range((last - first).days + 1):
        for at in garden.watering_times:
            local = datetime.combine(first + timedelta(days=n), at, tzinfo=garden.zone)
            found.add(local.astimezone(UTC))
    return sorted(slot for slot in found if from_utc <= slot < until_utc)


def known_water(
    holdings: Holdings,
    trees: Sequence[Tree],
    states: Sequence[TreeState],
    pots: PotWater,
    *,
    weather: WeatherTable,
    now_utc: datetime,
    tables: Tables,
) -> KnownWater:
    """Gather what is known of each pot's water from the journal, and what is assumed.

    A weighing counts where the weight of the full pot is known: one taken soon after a watering until it
    ran through. Otherwise it stays a note.
    """
    get = tables.physics.value
    speaks_for = timedelta(hours=get("water.logged_for_h", "h"))
    begins = max(utc_of(weather.start_utc[0]), now_utc - timedelta(days=get("water.look_back_d", "d")))
    slots = watering_slots(holdings.garden, begins, now_utc)
    changes: dict[int, list[tuple[int, str, float]]] = {}
    assumed = {weather.index_at(slot): np.zeros(len(trees), dtype=bool) for slot in slots}
    text = []
    for row, (tree, state) in enumerate(zip(trees, states, strict=True)):
        said = [
            change
            for change in _changes_of(holdings, tree, state, float(pots.usable_l[row]), tables)
            if change.at_utc <= now_utc
        ]
        for change in said:
            if change.at_utc >= begins:
                at = weather.index_at(change.at_utc)
                changes.setdefault(at, []).append((row, change.kind, change.litres))
        for slot in slots:
            spoken = any(
                change.kind != "left" and slot - speaks_for < change.at_utc <= slot + HOUR for change in said
            )
            assumed[weather.index_at(slot)][row] |= not spoken
        last = said[-1] if said and said[-1].at_utc > now_utc - speaks_for else None
        if last is None:
            text.append("assumed watered as advised")
        else:
            word = "weighed" if last.kind == "left" else "logged"
            text.append(f"{word} {last.at_utc.astimezone(holdings.garden.zone):%H:%M}")
    return KnownWater(changes, assumed, tuple(text))


def _changes_of(
    holdings: Holdings, tree: Tree, state: TreeState, usable_l: float, tables: Tables
) -> list[_Change]:
    """Return what the journal and the state say of one pot's water, oldest first."""
    get = tables.physics.value
    soon = timedelta(hours=get("water.weighed_full_within_h", "h"))
    holds = timedelta(days=get("water.weighed_full_for_d", "d"))
    water_kg_l = get("tipping.water_density_kg_l", "kg/l")
    found: list[_Change] = []
    last_full: datetime | None = None
    full_kg: tuple[datetime, float] | None = None
    for entry in holdings.journal_of(tree.id):
        if entry.entry == "watered":
            if isinstance(entry.amount, int | float):
                found.append(_Change(entry.at_utc, "add", float(entry.amount)))
            else:
                found.append(_Change(entry.at_utc, "full", 0.0))
                last_full = entry.at_utc
        elif entry.entry == "repotted":
            full_kg = None
        elif entry.entry == "weighed" and isinstance(entry.amount, int | float):
            kg = float(entry.amount)
            if last_full is not None and entry.at_utc - last_full <= soon:
                full_kg = (entry.at_utc, kg)
            if full_kg is not None and entry.at_utc - full_kg[0] <= holds:
                gone_l = max(full_kg[1] - kg, 0.0) / water_kg_l
                found.append(_Change(entry.at_utc, "left", max(usable_l - gone_l, 0.0)))
    record = state.water
    if record.last_watered_utc is not None and all(
        change.at_utc != record.last_watered_utc for change in found
    ):
        litres = record.last_amount_l
        kind = "full" if litres is None else "add"
        found.append(_Change(record.last_watered_utc, kind, litres or 0.0))
    return sorted(found, key=lambda change: change.at_utc)


def plan_watering(
    use_l: FloatArray,
    rain_mm: FloatArray,
    pots: PotWater,
    known: KnownWater,
    *,
    weather: WeatherTable,
    now_utc: datetime,
    garden: Garden,
    tables: Tables,
) -> tuple[WaterPlan, TimeArray]:
    """Run the water of all pots from two days ago to the end of the table.

    Parameters
    ----------
    use_l, rain_mm : float array, shape (M, T, H)
        Use with water at will, and rain that reaches the pot. In hours of unknown use the pot is held as
        it is; unknown rain counts as none, which is safe.
    pots : PotWater
    known : KnownWater
    weather : WeatherTable
        For its hours.
    now_utc : datetime
    garden, tables

    Returns
    -------
    WaterPlan
    slot_utc : datetime64 array, shape (S,)
        Watering times within the table from now on; one that is now is still ahead.
    """
    get = tables.physics.value
    members, count, hours = use_l.shape
    limit = (1.0 - get("water.act_used_share", "share")) * pots.usable_l
    stress = get("water.stress_from_share", "share")
    margin_h = round(get("water.margin_h", "h"))
    now_row = weather.index_at(now_utc)
    table_from, table_until = utc_of(weather.start_utc[0]), utc_of(weather.start_utc[-1]) + HOUR
    begin_row = weather.index_at(max(table_from, now_utc - timedelta(days=get("water.look_back_d", "d"))))
    all_slots = watering_slots(garden, table_from, table_until + timedelta(days=2))
    first_ahead = bisect_left(all_slots, now_utc)
    ahead = [slot for slot in all_slots[first_ahead:] if slot < table_until]
    slots_by_row: dict[int, list[int]] = {}
    for n, slot in enumerate(ahead):
        slots_by_row.setdefault(weather.index_at(slot), []).append(n)

    unknown = np.isnan(use_l)
    use = np.nan_to_num(use_l, nan=0.0)
    rain = litres_from_mm(np.nan_to_num(rain_mm, nan=0.0), pots.top_area_m2[:, np.newaxis])
    used_before = np.concatenate([np.zeros((members, count, 1)), np.cumsum(use, axis=-1)], axis=-1)

    def short_before_next(water: FloatArray, row: int, slot: datetime) -> BoolArray:
        later = [other for other in all_slots[bisect_left(all_slots, slot) :] if other > slot]
        until = weather.index_at(later[0]) + margin_h if later else hours
        expected = used_before[..., min(max(until, row), hours)] - used_before[..., row]
        return np.asarray(water - expected <= limit)

    left = np.full((members, count, hours), np.nan)
    waterings = np.zeros((members, count, len(ahead)))
    dry_row = np.full((members, count), -1)
    left_now = np.full((members, count), np.nan)
    water = np.broadcast_to(pots.usable_l, (members, count)).copy()
    unwatered: FloatArray | None = None
    never = np.zeros((members, count), dtype=bool)
    for row in range(max(begin_row, 0), hours):
        if row <= now_row:
            assumed = known.assumed.get(row)
            if assumed is not None:
                slot = next(slot for slot in all_slots if weather.index_at(slot) == row)
                water = np.where(assumed & short_before_next(water, row, slot), pots.usable_l, water)
            for tree_row, kind, litres in known.changes.get(row, ()):
                water[:, tree_row] = _changed(
                    water[:, tree_row], kind, litres, float(pots.usable_l[tree_row])
                )
        if row == now_row:
            gone = (now_utc - utc_of(weather.start_utc[row])) / HOUR
            left_now = np.maximum(water - gone * use[..., row], 0.0) / pots.usable_l
            unwatered = water
        for n in slots_by_row.get(row, ()):
            wanted = short_before_next(water, row, ahead[n])
            waterings[..., n] = np.where(wanted, pots.usable_l - water, 0.0)
            water = np.where(wanted, pots.usable_l, water)
        water = deplete(water, pots.usable_l, use[..., row], rain[..., row], never, stress)[0]
        left[..., row] = np.where(unknown[..., row], np.nan, water / pots.usable_l)
        if unwatered is not None:
            unwatered = deplete(unwatered, pots.usable_l, use[..., row], rain[..., row], never, stress)[0]
            dry_row = np.where((dry_row < 0) & (unwatered <= limit), row, dry_row)
    dry_at = np.where(dry_row < 0, np.datetime64("NaT", "s"), weather.start_utc[np.maximum(dry_row, 0)])
    slot_utc = np.array([stamp_of(slot) for slot in ahead], dtype="datetime64[s]")
    plan = WaterPlan(left, waterings, dry_at.astype("datetime64[s]"), as_float(left_now))
    return plan, slot_utc


def _changed(water_l: FloatArray, kind: str, litres: float, usable_l: float) -> FloatArray:
    """Water of one pot after something the journal says."""
    if kind == "full":
        return np.full_like(water_l, usable_l)
    if kind == "add":
        return np.minimum(water_l + litres, usable_l)
    return np.full_like(water_l, litres)
