"""Drip lines and trays: minutes for each watering time, and the tree on them that does not fit."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import replace
from datetime import datetime, timedelta
from statistics import median

from advisor.advice.grouping import bench_order, names, say
from advisor.advice.hours import clock, day_and_clock, day_span, window
from advisor.advice.model import Advice, Amount, Reason, Situation
from advisor.exposure.model import Exposure
from advisor.exposure.water import watered_with_care
from advisor.garden.model import Place
from advisor.garden.state_model import TreeState
from advisor.physics.missing import reduce_over

__all__ = ["line_advice", "misfits", "not_fitting"]


def _use_l(situation: Situation, exposure: Exposure, tree: str) -> float:
    """Use of the whole day; NaN where too little of it is known."""
    span = day_span(situation.holdings.garden, situation.day)
    use = window(exposure.start_utc, exposure.water_use_l[exposure.row(tree)], *span)
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    return float(reduce_over(use, "sum", minimum_coverage=coverage).value)


def _on(situation: Situation, exposure: Exposure, place: Place) -> list[str]:
    return [tree for tree in exposure.tree_ids if situation.states[tree].place_id == place.id]


def misfits(situation: Situation, exposure: Exposure, place: Place) -> dict[str, float]:
    """Trees on a line that need much more or much less than the others, with their need over the usual one.

    The usual one is the median of those that are not watered with care. Bare and freshly repotted trees never
    fit: they are checked. With fewer than two to compare, only those do not fit.
    """
    limits = situation.tables.limits
    need = {tree: _use_l(situation, exposure, tree) for tree in _on(situation, exposure, place)}
    need = {tree: use for tree, use in need.items() if not math.isnan(use)}
    careful = {tree for tree in need if watered_with_care(situation.states[tree], situation.tables)}
    plain = [use for tree, use in need.items() if tree not in careful]
    usual = median(plain) if plain else math.nan
    low, high = limits.value("line.little", "1"), limits.value("line.much", "1")
    found = {}
    for tree, use in need.items():
        ratio = use / usual if usual > 0.0 else math.nan
        if tree in careful or (len(plain) > 1 and not low <= ratio <= high):
            found[tree] = ratio
    return found


def line_advice(
    situation: Situation, exposure: Exposure, column: int, at_utc: datetime, due: Sequence[str]
) -> tuple[list[Advice], list[str]]:
    """Advice on the lines for one watering time, and the trees that are left to be watered by hand.

    Parameters
    ----------
    column : int
        Of the watering time in the exposure.
    due : sequence of str
        Trees that need water then.
    """
    pieces, by_hand = [], list(due)
    for place in situation.holdings.places.values():
        if place.drip_l_per_h is None:
            continue
        odd = misfits(situation, exposure, place)
        on = [tree for tree in _on(situation, exposure, place) if tree not in odd]
        fitting = [tree for tree in due if tree in on]
        if not fitting or (place.timer_l and 2 * len(fitting) < len(on)):
            continue
        by_hand = [tree for tree in by_hand if tree not in fitting]
        pieces.append(_run(situation, exposure, place, column, at_utc, fitting))
    return pieces, by_hand


def _run(
    situation: Situation,
    exposure: Exposure,
    place: Place,
    column: int,
    at_utc: datetime,
    trees: Sequence[str],
) -> Advice:
    assert place.drip_l_per_h is not None  # noqa: S101 - the caller asks only for places with a line
    garden, limits = situation.holdings.garden, situation.tables.limits
    litres = {tree: float(exposure.waterings_l[exposure.row(tree), column]) for tree in trees}
    most = max(litres, key=lambda tree: litres[tree])
    minutes = math.ceil(litres[most] / place.drip_l_per_h * 60.0 - 1e-9)
    more = " more" if place.timer_l else ""
    ordered = bench_order(situation, trees)
    return Advice(
        f"water-{clock(garden, at_utc).replace(':', '')}-line-{place.id}",
        "water",
        "today",
        ordered,
        f"Run the line on {place.name} {minutes} min{more} at {day_and_clock(situation, at_utc)}, about "
        f"{say(situation, litres[most], 'l')} a pot",
        at_utc,
        at_utc + timedelta(hours=limits.value("water.early_h", "h")),
        (
            Reason(
                f"water wanted by {situation.states[most].tree.name}, the thirstiest on the line",
                litres[most],
                "l",
                None,
                at_utc,
                f"the line gives {say(situation, place.drip_l_per_h, 'l')} an hour",
                situation.tables.physics.source("water.act_used_share"),
            ),
        ),
        amount=Amount(float(minutes), "min"),
        sure="by the pot balance",
        changes_if="a finger in the pot outranks it; log watered or the weight to mend it",
        hazard="dry",
    )


def not_fitting(
    situation: Situation, exposure: Exposure, later: Mapping[str, TreeState] | None = None
) -> list[Advice]:
    """Once for good for each tree: what does not fit the line it hangs on or the tray it stands in.

    ``later``: states with the places in which trees will stand by tonight, for trays; else as they stand.
    """
    found = []
    tonight = situation if later is None else replace(situation, states=later)
    for place in situation.holdings.places.values():
        if place.drip_l_per_h is not None:
            odd = misfits(situation, exposure, place)
            careful = {tree for tree in odd if watered_with_care(situation.states[tree], situation.tables)}
            thirsty = [tree for tree in odd if tree not in careful and odd[tree] > 1.0]
            frugal = [tree for tree in odd if tree not in careful and tree not in thirsty]
            found += _once(
                situation,
                place,
                "line",
                thirsty,
                "Hand-water {trees} beside the line on {place}: more is needed than the others get",
                odd,
            )
            found += _once(
                situation,
                place,
                "line",
                frugal,
                "Take {trees} off the line on {place}, water by hand: far less is needed there",
                odd,
            )
            found += _once(
                situation,
                place,
                "line",
                sorted(careful),
                "Take {trees} off the line on {place}, and look before watering: with little leaf or root "
                "nothing is watered by the clock",
                odd,
            )
        if place.tray_l > 0.0:
            here = _on(tonight, exposure, place)
            wet = [tree for tree in here if watered_with_care(situation.states[tree], situation.tables)]
            words = (
                "Lift {trees} out of its tray on {place}: with little leaf or root it must not stand in water"
            )
            found += _once(situation, place, "tray", wet, words, {})
    return found


def _once(
    situation: Situation, place: Place, topic: str, trees: Sequence[str], do: str, ratio: dict[str, float]
) -> list[Advice]:
    limits = situation.tables.limits
    measure = f"standing-{topic}-{place.id}:"
    told = {
        tree
        for known in situation.told_standing
        if known.startswith(measure)
        for tree in known.removeprefix(measure).split("+")
    }
    here = bench_order(situation, set(trees) - told)
    if not here:
        return []
    return [
        Advice(
            measure + "+".join(here),
            "water",
            "week",
            here,
            do.format(trees=names(situation, here), place=place.name),
            situation.now_utc,
            situation.now_utc + timedelta(days=7),
            tuple(
                Reason(
                    f"need of {situation.states[tree].tree.name} over the usual one there",
                    None if math.isnan(ratio.get(tree, math.nan)) else ratio[tree],
                    "1",
                    limits.value("line.much" if ratio.get(tree, 0.0) > 1.0 else "line.little", "1"),
                    None,
                    "what all pots on it get alike",
                    limits.source("line.much"),
                )
                for tree in here
            ),
            sure="by the pot balance",
            changes_if="said once; another place, or leaf and roots that are back",
            hazard="standing",
        )
    ]
