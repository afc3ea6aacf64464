"""What is known of each pot's water before now: the journal, what the digests told, and what is assumed.

Logged waterings and weighings count when they were made. For hours of which nothing is logged, watering is
taken as done the way the digest of that day told it. Where no digest told anything it is taken as done when
the balance called for it.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.water import PotWater
from advisor.garden.model import Garden, Holdings, Tree
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.thirst import Thirst
from advisor.physics.missing import FloatArray
from advisor.physics.pot_water import litres_from_mm
from advisor.weather.table import WeatherTable, utc_of

__all__ = ["KnownWater", "ToldSlot", "ToldWatering", "balance_begins_utc", "known_water", "watering_slots"]

BoolArray = NDArray[np.bool_]
HOUR = timedelta(hours=1)


@dataclass(frozen=True, slots=True)
class ToldSlot:
    """What was told for one watering time: trees to water, and trees to look at and soak if dry on top."""

    at_utc: datetime
    water: frozenset[str]
    check: frozenset[str]


@dataclass(frozen=True, slots=True)
class ToldWatering:
    """What one digest told on water.

    Attributes
    ----------
    from_utc, until_utc : the watering times it spoke for; a later digest speaks from its own time on.
    of : the trees it spoke of. At a watering time that is not among ``slots`` it told them nothing.
    """

    from_utc: datetime
    until_utc: datetime
    of: frozenset[str]
    slots: tuple[ToldSlot, ...]


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
        Past watering times by row: True where watering is taken as done if the balance called for it.
    told, checked : mapping from row to bool array, shape (T,)
        Past watering times by row: True where a digest told to water; to look, and soak if dry on top.
    text : tuple of str, length T
        For the grower.
    """

    changes: Mapping[int, list[tuple[int, str, float]]]
    assumed: Mapping[int, BoolArray]
    told: Mapping[int, BoolArray]
    checked: Mapping[int, BoolArray]
    text: tuple[str, ...]


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


def balance_begins_utc(now_utc: datetime, tables: Tables) -> datetime:
    """Return when the balance of water begins, with full pots: on fixed days, and long enough before now."""
    get = tables.physics.value
    latest = now_utc.astimezone(UTC) - timedelta(days=get("water.look_back_d", "d"))
    day = latest.replace(hour=0, minute=0, second=0, microsecond=0)
    return day - timedelta(days=day.toordinal() % round(get("water.begins_every_d", "d")))


def known_water(
    holdings: Holdings,
    trees: Sequence[Tree],
    states: Sequence[TreeState],
    pots: PotWater,
    *,
    weather: WeatherTable,
    now_utc: datetime,
    tables: Tables,
    told: Sequence[ToldWatering] = (),
    thirst: Mapping[str, Thirst] | None = None,
) -> KnownWater:
    """Gather what is known of each pot's water from the journal and the digests, and what is assumed.

    A weighing counts where the weight of the full pot is known: one taken soon after a watering until it
    ran through. Otherwise, or where it cannot be true, it stays a note. A logged watering speaks for the
    watering times after it too.
    """
    get = tables.physics.value
    speaks_for = timedelta(hours=get("water.logged_for_h", "h"))
    begins = max(utc_of(weather.start_utc[0]), balance_begins_utc(now_utc, tables))
    slots = watering_slots(holdings.garden, begins, now_utc)
    told_slots, spans = _in_force(told, begins, now_utc)
    changes: dict[int, list[tuple[int, str, float]]] = {}
    at_slots = np.array([slot.timestamp() for slot in slots])
    at_told = np.array([slot.at_utc.timestamp() for slot in told_slots])
    in_span = [(at_slots >= begin.timestamp()) & (at_slots < end.timestamp()) for begin, end, _ in spans]
    # Over tree and slot; True where nothing is logged.
    assumed, told_free = (np.zeros((len(trees), each.size), dtype=bool) for each in (at_slots, at_told))
    text = []
    for row, (tree, state) in enumerate(zip(trees, states, strict=True)):
        known = None if thirst is None else thirst.get(tree.id)
        wrong = frozenset() if known is None else known.wrong_lines
        said = [
            change
            for change in _changes_of(holdings, tree, state, pots, row, tables, wrong)
            if change.at_utc <= now_utc
        ]
        for change in said:
            if change.at_utc >= begins:
                at = weather.index_at(change.at_utc)
                changes.setdefault(at, []).append((row, change.kind, change.litres))
        filled = np.array([change.at_utc.timestamp() for change in said if change.kind != "left"])
        spoken = [inside for inside, (_, _, of) in zip(in_span, spans, strict=True) if tree.id in of]
        assumed[row] = ~np.logical_or.reduce([_logged(at_slots, filled, speaks_for), *spoken])
        told_free[row] = ~_logged(at_told, filled, speaks_for)
        last = said[-1] if said and said[-1].at_utc > now_utc - speaks_for else None
        if last is None:
            text.append("assumed watered as advised")
        else:
            word = "weighed" if last.kind == "left" else "logged"
            text.append(f"{word} {last.at_utc.astimezone(holdings.garden.zone):%H:%M}")
    told_rows = [weather.index_at(slot.at_utc) for slot in told_slots]
    watered, checked = (
        np.array([[tree.id in of for of in named] for tree in trees], dtype=bool).reshape(told_free.shape)
        for named in ([slot.water for slot in told_slots], [slot.check for slot in told_slots])
    )
    return KnownWater(
        changes,
        _by_row([weather.index_at(slot) for slot in slots], assumed),
        _by_row(told_rows, watered & told_free),
        _by_row(told_rows, checked & told_free),
        tuple(text),
    )


def _logged(at_s: FloatArray, filled_s: FloatArray, speaks_for: timedelta) -> BoolArray:
    """True for the watering times that a logged watering speaks for: those after it, and the hour before."""
    after = at_s[:, np.newaxis] - filled_s
    return np.asarray(((after < speaks_for.total_seconds()) & (after >= -HOUR.total_seconds())).any(axis=1))


def _by_row(rows: Sequence[int], of_slots: BoolArray) -> dict[int, BoolArray]:
    """Columns of slots by their row of the table; those that fall into one hour count together."""
    found: dict[int, BoolArray] = {}
    for row, column in zip(rows, of_slots.T, strict=True):
        found[row] = found[row] | column if row in found else column
    return found


def _in_force(
    told: Sequence[ToldWatering], begins_utc: datetime, now_utc: datetime
) -> tuple[list[ToldSlot], list[tuple[datetime, datetime, frozenset[str]]]]:
    """Slots told and spans spoken for since the balance began; a later digest speaks from its own time on."""
    ordered = sorted((one for one in told if one.from_utc < now_utc), key=lambda one: one.from_utc)
    slots, spans = [], []
    for number, one in enumerate(ordered):
        until = min([one.until_utc, now_utc, *(later.from_utc for later in ordered[number + 1 :])])
        spans.append((one.from_utc, until, one.of))
        slots += [slot for slot in one.slots if max(begins_utc, one.from_utc) <= slot.at_utc < until]
    return slots, spans


def _changes_of(
    holdings: Holdings,
    tree: Tree,
    state: TreeState,
    pots: PotWater,
    row: int,
    tables: Tables,
    wrong_lines: frozenset[int],
) -> list[_Change]:
    """Return what the journal and the state say of one pot's water, oldest first."""
    get = tables.physics.value
    usable_l, top_m2 = float(pots.usable_l[row]), float(pots.top_area_m2[row])
    soon = timedelta(hours=get("water.weighed_full_within_h", "h"))
    holds = timedelta(days=get("water.weighed_full_for_d", "d"))
    water_kg_l = get("tipping.water_density_kg_l", "kg/l")
    found: list[_Change] = []
    last_full: datetime | None = None
    full_kg: tuple[datetime, float] | None = None
    for entry in holdings.journal_of(tree.id):
        if entry.entry == "watered":
            if isinstance(entry.amount, int | float):
                mm = entry.unit == "mm"
                litres = float(litres_from_mm(entry.amount, top_m2)) if mm else float(entry.amount)
                found.append(_Change(entry.at_utc, "add", litres))
            else:
                found.append(_Change(entry.at_utc, "full", 0.0))
                last_full = entry.at_utc
        elif entry.entry == "repotted":
            full_kg = None
        elif entry.line in wrong_lines:
            continue
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
        litres_given = record.last_amount_l
        kind = "full" if litres_given is None else "add"
        found.append(_Change(record.last_watered_utc, kind, litres_given or 0.0))
    return sorted(found, key=lambda change: change.at_utc)
