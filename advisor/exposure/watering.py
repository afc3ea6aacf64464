"""The water left in each pot, and the watering advised.

The balance begins with a full pot on a fixed day and goes by what is known since (``water_known``).
Ahead, each watering time is decided pot by pot: water when what is left would pass the limit before the next
watering time. A second balance decides that, in which all use is higher by as much as a forecast may err, and
no rain is counted on; each further morning begins it anew, because by then more is known. Trees that are
watered with care are looked at instead, and soaked if the top third is dry; small pots are looked at daily.
What a timer's drip line gives at each time comes first, past and ahead.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from dataclasses import dataclass
from datetime import datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.water import PotWater
from advisor.exposure.water_known import HOUR, KnownWater, balance_begins_utc, watering_slots
from advisor.garden.model import Garden
from advisor.garden.tables import Tables
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_water import PotBalance, litres_from_mm
from advisor.weather.table import TimeArray, WeatherTable, stamp_of, utc_of

__all__ = ["WaterPlan", "plan_watering"]

BoolArray = NDArray[np.bool_]


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
    dry_known_share : float array, shape (M, T)
        Share of the hours from now to ``dry_at``, or to the end of the table, in which the use is known; NaN
        without such an hour.
    """

    left_share: FloatArray
    waterings_l: FloatArray
    dry_at: TimeArray
    left_now_share: FloatArray
    dry_known_share: FloatArray


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
    timer_l: FloatArray | None = None,
    begun: tuple[int, FloatArray] | None = None,
) -> tuple[WaterPlan, TimeArray]:
    """Run the water of all pots from where the balance begins to the end of the table.

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
    timer_l : float array, shape (T, H), optional
        What a timer gives at a watering time, by hour, where trees change places; else as in ``pots``.
    begun : (row, float array of shape (T,)), optional
        Where the balance begins, with the share of the usable water left then; else when the balance
        begins (``balance_begins_utc``), with full pots.

    Returns
    -------
    WaterPlan
    slot_utc : datetime64 array, shape (S,)
        Watering times within the table from now on; one that is now is still ahead.
    """
    get = tables.physics.value
    members, count, hours = use_l.shape
    limit = (1.0 - get("water.act_used_share", "share")) * pots.usable_l
    more = 1.0 + pots.allowance_share
    now_row = weather.index_at(now_utc)
    slots = _slots_of(weather, now_utc, garden)
    unknown = np.isnan(use_l)
    use = np.nan_to_num(use_l, nan=0.0)
    rain = litres_from_mm(np.nan_to_num(rain_mm, nan=0.0), pots.top_area_m2[:, np.newaxis])
    decide = _Decision(use, pots, limit, slots.every, weather, garden, tables)
    left_l = np.full((hours, members, count), np.nan)
    dry = np.zeros((hours, members, count), dtype=bool)
    waterings = np.zeros((members, count, len(slots.ahead)))
    left_now = np.full((members, count), np.nan)
    if begun is None:
        begin_utc = max(utc_of(weather.start_utc[0]), balance_begins_utc(now_utc, tables))
        begun = weather.index_at(begin_utc), np.ones(count)
    water = np.broadcast_to(begun[1] * pots.usable_l, (members, count)).copy()
    unwatered = thirsty = water
    # Hours first, and watered, thirsty and unwatered pots as three layers of one balance.
    use_at, rain_at = (
        np.ascontiguousarray(np.moveaxis(values, -1, 0)) for values in (np.maximum(use, 0.0), rain)
    )
    drinks, catches = _layers(more)
    balance = PotBalance.of(pots.usable_l, get("water.stress_from_share", "share"))
    spoken_of = {*known.told, *known.assumed, *known.changes}
    for row in range(max(begun[0], 0), hours):
        if row in slots.past or row in slots.by_row:
            water, thirsty, unwatered = (
                np.minimum(each + _timer_l(pots, timer_l, row), pots.usable_l)
                for each in (water, thirsty, unwatered)
            )
        if row <= now_row and row in spoken_of:
            water = _as_known(water, row, known, decide, slots.past.get(row))
        if row == now_row:
            gone = (now_utc - utc_of(weather.start_utc[row])) / HOUR
            left_now = np.maximum(water - gone * use_at[row], 0.0) / pots.usable_l
            unwatered = thirsty = water
        for n in slots.by_row.get(row, ()):
            thirsty = water if decide.is_first(slots.ahead[n]) else thirsty
            wanted = decide.wanted(thirsty, row, slots.ahead[n], more)
            waterings[..., n] = np.where(wanted, pots.usable_l - water, 0.0)
            water = np.where(wanted, pots.usable_l, water)
            thirsty = np.where(wanted, pots.usable_l, thirsty)
        if row < now_row:
            water = balance.step(water, use_at[row], rain_at[row])
        else:
            layers = np.stack([water, thirsty, unwatered])
            water, thirsty, unwatered = balance.step(layers, drinks * use_at[row], catches * rain_at[row])
            np.less_equal(unwatered, limit, out=dry[row])
        left_l[row] = water
    left = np.where(unknown, np.nan, np.moveaxis(left_l, 0, -1) / pots.usable_l[:, np.newaxis])
    dry_row = np.where(dry.any(axis=0), dry.argmax(axis=0), -1)
    dry_at = np.where(dry_row < 0, np.datetime64("NaT", "s"), weather.start_utc[np.maximum(dry_row, 0)])
    sure = _known_share(unknown, max(now_row, 0), dry_row)
    plan = WaterPlan(left, waterings, dry_at.astype("datetime64[s]"), as_float(left_now), sure)
    return plan, np.array([stamp_of(slot) for slot in slots.ahead], dtype="datetime64[s]")


@dataclass(frozen=True, slots=True)
class _Slots:
    """Watering times: all of the table and two days more; gone ones by row; those from now on, and by row."""

    every: list[datetime]
    past: dict[int, datetime]
    ahead: list[datetime]
    by_row: dict[int, list[int]]


def _slots_of(weather: WeatherTable, now_utc: datetime, garden: Garden) -> _Slots:
    table_from, table_until = utc_of(weather.start_utc[0]), utc_of(weather.start_utc[-1]) + HOUR
    every = watering_slots(garden, table_from, table_until + timedelta(days=2))
    first_ahead = bisect_left(every, now_utc)
    ahead = [slot for slot in every[first_ahead:] if slot < table_until]
    by_row: dict[int, list[int]] = {}
    for n, slot in enumerate(ahead):
        by_row.setdefault(weather.index_at(slot), []).append(n)
    return _Slots(every, {weather.index_at(slot): slot for slot in every[:first_ahead]}, ahead, by_row)


def _known_share(unknown: BoolArray, now_row: int, dry_row: NDArray[np.int64]) -> FloatArray:
    """Share of the hours from ``now_row`` to ``dry_row``, to the end where it is negative, that are known."""
    hours = unknown.shape[-1]
    until = np.where(dry_row < 0, hours, dry_row + 1)
    gaps = np.concatenate([np.zeros((*unknown.shape[:-1], 1)), np.cumsum(unknown, axis=-1)], axis=-1)
    missing = (
        np.take_along_axis(gaps, until[..., np.newaxis], axis=-1)[..., 0] - gaps[..., min(now_row, hours)]
    )
    count = until - now_row
    return as_float(np.where(count > 0, 1.0 - missing / np.maximum(count, 1), np.nan))


def _layers(more: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Return what watered, thirsty and unwatered pots drink and catch, shapes (3, 1, T) and (3, 1, 1)."""
    same = np.ones_like(more)
    return np.stack([same, more, same])[:, np.newaxis], as_float([1.0, 0.0, 1.0])[:, np.newaxis, np.newaxis]


def _timer_l(pots: PotWater, by_hour_l: FloatArray | None, row: int) -> FloatArray:
    return pots.timer_l if by_hour_l is None else by_hour_l[:, min(row, by_hour_l.shape[-1] - 1)]


class _Decision:
    """Whether each pot is watered at a watering time."""

    def __init__(
        self,
        use: FloatArray,
        pots: PotWater,
        limit_l: FloatArray,
        slots: list[datetime],
        weather: WeatherTable,
        garden: Garden,
        tables: Tables,
    ) -> None:
        get, limits = tables.physics.value, tables.limits.value
        self.pots, self.limit_l, self.slots, self.weather, self.garden = pots, limit_l, slots, weather, garden
        self.used_before = np.concatenate([np.zeros((*use.shape[:-1], 1)), np.cumsum(use, axis=-1)], axis=-1)
        self.hours = use.shape[-1]
        self.moist_l = get("water.moist_share", "share") * pots.usable_l
        self.least_l = np.maximum(
            limits("water.least_l", "l"), limits("water.least_share", "share") * pots.usable_l
        )

    def is_first(self, slot: datetime) -> bool:
        """True for the first watering time of a local day."""
        return slot.astimezone(self.garden.zone).time() == min(self.garden.watering_times)

    def short_before_next(
        self, water: FloatArray, row: int, slot: datetime, factor: FloatArray | float
    ) -> BoolArray:
        """True where a pot passes its limit before the next time, with ``factor`` times the use expected."""
        later = self.slots[bisect_right(self.slots, slot) :]
        until = self.weather.index_at(later[0]) if later else self.hours
        expected = self.used_before[..., min(max(until, row), self.hours)] - self.used_before[..., row]
        return np.asarray(water - expected * factor <= self.limit_l)

    def wanted(self, water: FloatArray, row: int, slot: datetime, factor: FloatArray | float) -> BoolArray:
        """True where the pot is watered at this time of the garden's watering times."""
        first = self.is_first(slot)
        short, dry_on_top = self.short_before_next(water, row, slot, factor), water <= self.moist_l
        looked_at = (short | first) & dry_on_top
        plain = short | (first & self.pots.daily & dry_on_top)
        gains = self.pots.usable_l - water >= self.least_l
        return np.asarray(np.where(self.pots.with_care, looked_at, plain) & gains)


def _as_known(
    water: FloatArray, row: int, known: KnownWater, decide: _Decision, slot: datetime | None
) -> FloatArray:
    """Water of all pots after what was told, assumed and logged for one past hour."""
    usable = decide.pots.usable_l
    if row in known.told:
        soaked = known.told[row] | (known.checked[row] & (water <= decide.moist_l))
        water = np.where(soaked, usable, water)
    if row in known.assumed and slot is not None:
        wanted = known.assumed[row] & decide.wanted(water, row, slot, 1.0)
        water = np.where(wanted, usable, water)
    for tree_row, kind, litres in known.changes.get(row, ()):
        water[:, tree_row] = _changed(water[:, tree_row], kind, litres, float(usable[tree_row]))
    return water


def _changed(water_l: FloatArray, kind: str, litres: float, usable_l: float) -> FloatArray:
    """Water of one pot after something the journal says."""
    if kind == "full":
        return np.full_like(water_l, usable_l)
    if kind == "add":
        return np.minimum(water_l + litres, usable_l)
    return np.full_like(water_l, litres)
