"""Watering judged: hours that pots spent dry and litres given, as advised and by the clock.

Every grower here has the same pots, the same weather and the same water balance, and did what the journal
says was done; they differ in when they water besides. So this judges the advice, not the balance it rests on.
Watering is until it runs through; litres are what the pots take up by it, without what runs out below.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from datetime import date, datetime, time

import numpy as np
from numpy.typing import NDArray

from advisor.exposure.water import pot_top_area_m2
from advisor.garden.model import Garden
from advisor.message.judgement import WaterScore
from advisor.physics.missing import FloatArray, as_float
from advisor.physics.pot_water import deplete, litres_from_mm
from advisor.service.judging_truth import Truth
from advisor.store.replayed_folder import Piece, digest_mornings
from advisor.weather.days import at_local, day_bounds_utc

__all__ = ["PotRun", "judge_watering", "run_pots"]

BoolArray = NDArray[np.bool_]


@dataclass(frozen=True, slots=True)
class PotRun:
    """Pots run through H hours, arrays over T trees.

    Attributes
    ----------
    left_l : float array, shape (T, H)
        Usable water at the end of each hour; held over hours of unknown use.
    dry_h, unknown_h : hours judged that ended below the limit; hours of unknown use.
    litres, waterings : taken up by watering; how often it was watered.
    """

    left_l: FloatArray
    dry_h: FloatArray
    unknown_h: FloatArray
    litres: FloatArray
    waterings: FloatArray


def run_pots(
    use_l: FloatArray,
    rain_l: FloatArray,
    usable_l: FloatArray,
    full_at: BoolArray,
    check_at: FloatArray,
    *,
    limit_share: float,
    stress_from_share: float,
) -> PotRun:
    """Run the water balance of pots that somebody waters.

    Parameters
    ----------
    use_l : float array, shape (T, H)
        Demand with water at will; NaN is unknown: the pot is held and the hour not judged.
    rain_l : float array, shape (T, H)
        Into the pot; unknown counts as none, which is the dry side.
    usable_l : float array, shape (T,)
        Pots begin full.
    full_at : bool array, shape (T, H)
        Watered through at the start of the hour.
    check_at : float array, shape (T, H)
        Looked at at the start of the hour, and watered through if no more than this share is left; NaN: not
        looked at.
    limit_share : float
        Of the usable water; below it a pot counts as dry.
    stress_from_share : float
        See ``physics.pot_water.stress_factor``.

    Returns
    -------
    PotRun

    Source: ``physics.pot_water.deplete`` hour by hour. Checked: tests/service/test_judging.py.
    """
    trees, hours = use_l.shape
    unknown = np.isnan(use_l)
    use, rain = np.nan_to_num(use_l, nan=0.0), np.nan_to_num(rain_l, nan=0.0)
    water = as_float(usable_l).copy()
    left = np.empty((trees, hours))
    litres, waterings = np.zeros(trees), np.zeros(trees)
    never = np.zeros(trees, dtype=bool)
    for hour in range(hours):
        with np.errstate(invalid="ignore"):
            wanted = full_at[:, hour] | (water <= check_at[:, hour] * usable_l)
        if wanted.any():
            litres += np.where(wanted, usable_l - water, 0.0)
            waterings += wanted
            water = np.where(wanted, usable_l, water)
        water = deplete(water, usable_l, use[:, hour], rain[:, hour], never, stress_from_share)[0]
        left[:, hour] = water
    dry = (left < limit_share * usable_l[:, np.newaxis]) & ~unknown
    return PotRun(
        left,
        dry.sum(axis=-1).astype(np.float64),
        unknown.sum(axis=-1).astype(np.float64),
        litres,
        waterings,
    )


def judge_watering(truth: Truth) -> list[WaterScore]:
    """Run all pots from the first judged midnight to the last, once for each way of watering."""
    garden, physics = truth.replayed.holdings.garden, truth.tables.physics
    rows = truth.rows(
        day_bounds_utc(truth.days[0], garden.zone)[0], day_bounds_utc(truth.days[-1], garden.zone)[1]
    )
    exposure = truth.exposure
    trees = [truth.replayed.holdings.tree(tree) for tree in exposure.tree_ids]
    top_m2 = np.array([pot_top_area_m2(tree.pot, truth.tables) for tree in trees])
    rain_l = litres_from_mm(exposure.rain_reaching_pot_mm[:, rows], top_m2[:, np.newaxis])
    times = garden.watering_times
    ways: dict[str, tuple[BoolArray, FloatArray]] = {
        "as advised": _advised(truth, rows),
        "clock, once a day": _by_clock(truth, rows, times[:1]),
    }
    if len(times) > 1:
        ways["clock, twice a day"] = _by_clock(truth, rows, (times[0], times[-1]))
    found = []
    sizes = sorted({tree.size for tree in trees}, key=list(truth.tables.sizes).index)
    logged = _logged(truth, rows)
    for way, (full_at, check_at) in ways.items():
        run = run_pots(
            exposure.water_use_l[:, rows],
            rain_l,
            exposure.usable_l,
            full_at | logged,
            check_at,
            limit_share=1.0 - physics.value("water.act_used_share", "share"),
            stress_from_share=physics.value("water.stress_from_share", "share"),
        )
        for size in (*sizes, "all"):
            mask = np.array([size in ("all", tree.size) for tree in trees])
            found.append(
                WaterScore(
                    way=way,
                    size=size,
                    pots=int(mask.sum()),
                    hours=int(mask.sum()) * run.left_l.shape[-1],
                    dry_h=float(run.dry_h[mask].sum()),
                    unknown_h=float(run.unknown_h[mask].sum()),
                    litres=float(run.litres[mask].sum()),
                    waterings=int(run.waterings[mask].sum()),
                )
            )
    return found


def _plan(truth: Truth, rows: slice) -> tuple[BoolArray, FloatArray]:
    shape = (len(truth.exposure.tree_ids), rows.stop - rows.start)
    return np.zeros(shape, dtype=bool), np.full(shape, np.nan)


def _hour(truth: Truth, rows: slice, at_utc: datetime) -> int | None:
    """Column of the hour that holds an instant; None outside the judged hours."""
    row = int(
        (np.datetime64(int(at_utc.timestamp()), "s") - truth.exposure.start_utc[rows.start])
        // np.timedelta64(3600, "s")
    )
    return row if 0 <= row < rows.stop - rows.start else None


def _logged(truth: Truth, rows: slice) -> BoolArray:
    """Waterings to run-through that the journal tells: they were done, whoever waters otherwise."""
    full_at, _ = _plan(truth, rows)
    known = {tree: row for row, tree in enumerate(truth.exposure.tree_ids)}
    for entry in truth.replayed.holdings.journal:
        hour = _hour(truth, rows, entry.at_utc)
        if entry.entry == "watered" and entry.amount is None and entry.tree_id in known and hour is not None:
            full_at[known[entry.tree_id], hour] = True
    return full_at


def _by_clock(truth: Truth, rows: slice, times: Iterable[time]) -> tuple[BoolArray, FloatArray]:
    full_at, check_at = _plan(truth, rows)
    zone, said = truth.replayed.holdings.garden.zone, list(times)
    for day in truth.days:
        for at in said:
            hour = _hour(truth, rows, at_local(day, at, zone))
            if hour is not None:
                full_at[:, hour] = True
    return full_at, check_at


def _advised(truth: Truth, rows: slice) -> tuple[BoolArray, FloatArray]:
    """As the digest of each day says; on a day without one by the clock, once."""
    full_at, check_at = _plan(truth, rows)
    garden = truth.replayed.holdings.garden
    mornings = digest_mornings(truth.replayed.mornings)
    known = {tree: row for row, tree in enumerate(truth.exposure.tree_ids)}
    for day in truth.days:
        if day not in mornings:
            hour = _hour(truth, rows, at_local(day, garden.watering_times[0], garden.zone))
            if hour is not None:
                full_at[:, hour] = True
            continue
        for piece in mornings[day].advice:
            if piece.kind == "water":
                trees = [known[tree] for tree in piece.trees if tree in known]
                _follow(truth, rows, day, piece, trees, full_at, check_at)
    return full_at, check_at


def _follow(
    truth: Truth,
    rows: slice,
    day: date,
    piece: Piece,
    trees: list[int],
    full_at: BoolArray,
    check_at: FloatArray,
) -> None:
    """Water, or look and water if dry enough, as one piece of advice says."""
    garden, get = truth.replayed.holdings.garden, truth.tables.limits.value
    first = _hour(truth, rows, piece.from_utc)
    if piece.id.startswith("water-routine"):
        at = [at_local(day, one, garden.zone) for one in garden.watering_times]
        hours = [
            hour for one in at if one >= piece.from_utc and (hour := _hour(truth, rows, one)) is not None
        ]
        check_at[np.ix_(trees, hours)] = get("judging.check_share", "share")
    elif first is None:
        return
    elif piece.id.startswith("water-cold"):
        check_at[trees, first] = get("judging.cold_check_share", "share")
    elif piece.id.startswith(("water-check", "water-small")):
        said = [_hour(truth, rows, at) for at in _check_times(piece, day, garden)]
        looked = [hour for hour in said if hour is not None] or [first]
        check_at[np.ix_(trees, looked)] = get("judging.check_share", "share")
    elif _is_slot(piece):
        full_at[trees, first] = True


def _check_times(piece: Piece, day: date, garden: Garden) -> list[datetime]:
    """Times named in ``water-check-0700-1300-...``."""
    said = set(piece.id.split("-"))
    times = [at_local(day, at, garden.zone) for at in garden.watering_times if f"{at:%H%M}" in said]
    return times if piece.id.startswith("water-check") else []


def _is_slot(piece: Piece) -> bool:
    """``water-0700-...``: a watering at a time; other notes on water are not followed."""
    clock = piece.id.removeprefix("water-")[:4]
    return piece.id.startswith("water-") and len(clock) == 4 and clock.isdigit()
