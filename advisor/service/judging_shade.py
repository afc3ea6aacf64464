"""Leaf hours above the limit, with the shade advice left and followed.

Followed means: from the hour by which the digest wants it until the end of that day the tree stands in the
advised place (into the light: from the day after on), or has the advised net over it; a standing measure
(another place or a net for good) is followed with the usual net from the day after it was told. Nothing else
differs: same weather, leaf, limits.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from datetime import datetime

import numpy as np
from numpy.typing import NDArray

from advisor.advice.heat import HeatLimits, heat_limits, sun_is_on
from advisor.advice.hours import day_span
from advisor.exposure.leaves import leaf_temperatures_c
from advisor.exposure.places import Spot, place_sun, spot_traits, sun_of
from advisor.exposure.spot_weather import open_weather, spot_weather
from advisor.garden.state_model import TreeState
from advisor.message.judgement import ShadeScore
from advisor.physics.missing import FloatArray
from advisor.service.judging_truth import Truth
from advisor.store.replayed_folder import Piece, digest_mornings
from advisor.weather.table import utc_of

__all__ = ["count_hours", "judge_shade"]

BoolArray = NDArray[np.bool_]
_MOVES, _LIGHT = ("shade-move-", "shade-room-"), "shade-light-"
_NETS, _STANDING = ("shade-net", "shade-denser"), "standing-heat-"


@dataclass(frozen=True, slots=True)
class _Kept:
    """Where the advice has a tree: a place and a net over it (share of light taken by the net alone)."""

    place_id: str
    extra_shade: float


@dataclass(frozen=True, slots=True)
class _Lit:
    """What one kind of leaf meets in one spot, arrays over the hours of the exposure."""

    leaf_c: FloatArray
    vpd_kpa: FloatArray
    sun: FloatArray


def count_hours(values: FloatArray, limit: FloatArray) -> tuple[float, float]:
    """Hours at or above a limit, and hours in which that is unknown.

    Parameters
    ----------
    values, limit : float array, same shape
        NaN in ``values`` is unknown, unless the limit is infinite: then nothing asks.

    Source: definition. Checked: tests/service/test_judging.py.
    """
    asked = np.isfinite(limit)
    with np.errstate(invalid="ignore"):
        above = asked & (values >= limit)
    return float(above.sum()), float((asked & np.isnan(values)).sum())


def judge_shade(truth: Truth) -> list[ShadeScore]:
    """Count leaf hours above the limit, and hours of harmful sun, without the advice and with it."""
    kept = _advised(truth)
    exposure = truth.exposure
    lit = _lit(truth, kept)
    sun = sun_is_on(
        truth.situation(truth.states[0], utc_of(exposure.start_utc[-1])),
        exposure.sun_w_m2,
        exposure.sun_elevation_deg,
    )
    totals = np.zeros((2, 3))
    moved_days = 0
    for row, day in enumerate(truth.days):
        span = day_span(truth.replayed.holdings.garden, day)
        rows = truth.rows(*span)
        states = truth.noon_states(day)
        situation = truth.situation(truth.states_at(span[0]), span[1])
        limits = heat_limits(situation, states)
        leaf, vpd = exposure.leaf_temperature_c[:, rows], exposure.vpd_kpa[:, rows]
        shining = sun[:, rows]
        totals[0] += _counts(leaf, vpd, shining, _hourly(limits, leaf.shape))
        leaf, vpd, shining = leaf.copy(), vpd.copy(), shining.copy()
        asked = _hourly(limits, leaf.shape)
        for (at_row, tree), (where, from_utc) in kept.items():
            if at_row != row or states[tree].sun_leaf_share <= 0.0:
                continue
            moved_days += 1
            own = exposure.start_utc[rows]
            hours = own >= np.datetime64(int(from_utc.timestamp()), "s")
            there = replace(states[tree], place_id=where.place_id, extra_shade=where.extra_shade)
            spot = lit[(states[tree].group.id, where)]
            now = heat_limits(situation, [there])
            leaf[tree, hours] = spot.leaf_c[rows][hours]
            vpd[tree, hours] = spot.vpd_kpa[rows][hours]
            shining[tree, hours] = spot.sun[rows][hours]
            for values, one in zip(asked, (now.leaf_c, now.vpd_kpa), strict=True):
                values[tree, hours] = one[0]
        totals[1] += _counts(leaf, vpd, shining, asked)
    return [
        ShadeScore(way, hours, harmful, unknown, 0 if way == "without" else moved_days)
        for way, (hours, harmful, unknown) in zip(("without", "with"), totals.tolist(), strict=True)
    ]


def _hourly(limits: HeatLimits, shape: tuple[int, ...]) -> tuple[FloatArray, FloatArray]:
    """Leaf and dryness limits for each hour, free to be changed."""
    leaf, vpd = (np.broadcast_to(one[:, np.newaxis], shape).copy() for one in (limits.leaf_c, limits.vpd_kpa))
    return leaf, np.where(np.isnan(vpd), np.inf, vpd)


def _counts(
    leaf: FloatArray, vpd: FloatArray, shining: FloatArray, limits: tuple[FloatArray, FloatArray]
) -> FloatArray:
    hours, unknown = count_hours(leaf, limits[0])
    with np.errstate(invalid="ignore"):
        harmful = (shining > 0.0) & ((leaf >= limits[0]) | (vpd >= limits[1]))
    return np.array([hours, float(harmful.sum()), unknown])


# --- what was advised ---------------------------------------------------------------------------


def _advised(truth: Truth) -> dict[tuple[int, int], tuple[_Kept, datetime]]:
    """Where each tree is kept on each day, and from when on; by row of day and of tree.

    A move into the light has a week: the tree is there from the day after on, as long as it is told.
    """
    garden, usual = truth.replayed.holdings.garden, truth.tables.limits.value("shade.usual_share", "share")
    known = {tree: row for row, tree in enumerate(truth.exposure.tree_ids)}
    mornings = digest_mornings(truth.replayed.mornings)
    standing: set[int] = set()
    lit: dict[int, _Kept] = {}
    found: dict[tuple[int, int], tuple[_Kept, datetime]] = {}
    for row, day in enumerate(truth.days):
        states = truth.noon_states(day)
        for tree in standing:
            found[row, tree] = (_under_net(truth, states[tree], usual), day_span(garden, day)[0])
        for tree, where in lit.items():
            found[row, tree] = (where, day_span(garden, day)[0])
        lit = {}
        for piece in mornings[day].advice if day in mornings else ():
            trees = [known[tree] for tree in piece.trees if tree in known]
            if piece.id.startswith(_STANDING):
                standing |= set(trees)
            if piece.kind == "shade" and piece.id.startswith(_LIGHT):
                lit |= {tree: _kept(truth, states[tree], piece, usual) for tree in trees}
            if piece.kind != "shade" or not piece.id.startswith((*_MOVES, *_NETS)):
                continue
            for tree in trees:
                found[row, tree] = (_kept(truth, states[tree], piece, usual), piece.until_utc)
    return found


def _kept(truth: Truth, state: TreeState, piece: Piece, usual: float) -> _Kept:
    topic = next((topic for topic in (*_MOVES, _LIGHT) if piece.id.startswith(topic)), None)
    if topic is not None:
        rest = piece.id.removeprefix(topic)
        places = [place for place in truth.replayed.holdings.places if rest.startswith(f"{place}-")]
        if places:
            return _Kept(max(places, key=len), 0.0)
    given = piece.amount is not None and piece.amount.unit == "share" and piece.amount.value is not None
    return _under_net(truth, state, piece.amount.value if given else usual)  # type: ignore[union-attr,arg-type]


def _under_net(truth: Truth, state: TreeState, share: float) -> _Kept:
    """The tree where it stands, with nets that take ``share`` of the light in all, or more if it has more."""
    place = truth.replayed.holdings.places[state.place_id]
    lets = 1.0 - place.shade_fraction
    extra = 1.0 - (1.0 - share) / lets if lets > 0.0 else 0.0
    return _Kept(state.place_id, round(max(extra, state.extra_shade, 0.0), 4))


def _lit(truth: Truth, kept: dict[tuple[int, int], tuple[_Kept, datetime]]) -> dict[tuple[str, _Kept], _Lit]:
    """Leaf, air and sun of each kind of leaf in each advised spot, over all hours at once."""
    garden, tables, weather = truth.replayed.holdings.garden, truth.tables, truth.replayed.weather
    leafy: dict[tuple[str, _Kept], TreeState] = {}
    for (row, tree), (where, _) in kept.items():
        state = truth.noon_states(truth.days[row])[tree]
        if state.sun_leaf_share > 0.0:
            leafy.setdefault((state.group.id, where), state)
    if not leafy:
        return {}
    begin = weather.index_at(utc_of(truth.exposure.start_utc[0]))
    span = weather.between(begin, begin + truth.exposure.start_utc.size)
    wheres = list(dict.fromkeys(where for _, where in leafy))
    spots = [Spot(truth.replayed.holdings.places[where.place_id], where.extra_shade) for where in wheres]
    sun, traits = sun_of(span, garden, tables), spot_traits(spots, tables)
    outside = open_weather(span, sun, garden, None, 0)
    at_spot = spot_weather(
        outside,
        span.start_utc,
        traits,
        place=place_sun(spots, traits, sun),
        sun=sun,
        garden=garden,
        tables=tables,
    )
    at = [wheres.index(where) for _, where in leafy]
    leaf = leaf_temperatures_c(
        list(leafy.values()),
        at,
        at_spot,
        traits,
        daylight=sun.mean_sin_elevation,
        garden=garden,
        tables=tables,
    )[0]
    situation = truth.situation(truth.states[0], utc_of(span.start_utc[-1]))
    shining = sun_is_on(situation, at_spot.beam_w_m2[0], truth.exposure.sun_elevation_deg)
    return {
        key: _Lit(leaf[number], at_spot.vpd_kpa[0, spot], shining[spot])
        for number, (key, spot) in enumerate(zip(leafy, at, strict=True))
    }
