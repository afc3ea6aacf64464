"""Shade and place: who must be out of the sun today, where to, by when; pots; and the way back into sun."""

from __future__ import annotations

from advisor.advice.grouping import advice_id, bench_order, names
from advisor.advice.heat import heat_day
from advisor.advice.hours import day_span, this_hour
from advisor.advice.light_steps import back_into_sun
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.placing import placing
from advisor.advice.placing_words import placing_advice
from advisor.advice.pot_heat import pot_day
from advisor.advice.pot_shade import pot_shade
from advisor.advice.readings import conditional, other_readings, told_already
from advisor.advice.settled import settled
from advisor.advice.standing import standing_advice, standing_heat, standing_pots
from advisor.advice.sunburn import burning_today
from advisor.advice.told_back import cannot_tell, told_back

__all__ = ["shade_advice"]


def shade_advice(situation: Situation) -> tuple[Advice, ...]:
    """Every piece of advice on sun, heat and place for today.

    Pots are judged where they will stand once the moves are made, and where they stand if a move that was
    told before was not made.
    """
    if situation.exposure is None or situation.weather is None:
        return (cannot_tell(situation, tuple(situation.states), "no weather"),) if situation.states else ()
    burning, placed, after = burning_today(situation), placing(situation), settled(situation)
    pots = pot_day(after, situation.day, this_hour(situation))
    usual, usual_pots = standing_heat(situation), standing_pots(situation)
    moving = {move.tree_id for move in placed.moves}
    hot_pots = pot_shade(after, pots, set(usual_pots))
    sure = tuple(hot_pots)
    for reading in other_readings(situation):
        if not reading.today:
            there = pot_day(reading.situation, situation.day, this_hour(situation))
            pieces = pot_shade(reading.situation, there, set(usual_pots))
            hot_pots += [conditional(piece, reading) for piece in pieces if not told_already(piece, sure)]
    return (
        *placing_advice(situation, placed),
        *told_back(situation, moving.union(burning.unknown), {burn.tree_id for burn in placed.nets} - moving),
        *hot_pots,
        *standing_advice(
            situation,
            "heat",
            usual,
            "Give {trees} another place for good, or rig a net there: on {place} the heat passes "
            "the limit too often",
            "days on which leaves passed their limit",
        ),
        *standing_advice(
            situation,
            "pot",
            usual_pots,
            "Shade the pots of {trees} for good: on {place} the pots pass the limit too often",
            "days on which pots passed their limit",
        ),
        *back_into_sun(situation, {burn.tree_id for burn in burning.burns}, moving),
        *(
            [cannot_tell(situation, bench_order(situation, burning.unknown), "hours missing")]
            if burning.unknown
            else []
        ),
        *_by_air(situation, {*burning.unknown, *(burn.tree_id for burn in burning.burns)}),
    )


def _by_air(situation: Situation, spoken_of: set[str]) -> list[Advice]:
    """Trees in no danger by the air, but near to it that sun or dry air, which are not known, may do it."""
    exposure, limits = situation.exposure, situation.tables.limits
    if exposure is None:
        return []
    today = heat_day(situation, situation.day, this_hour(situation))
    near = today.by_air & (today.margin_k > -limits.value("by_air.near_k", "K"))
    trees = bench_order(
        situation,
        [tree for row, tree in enumerate(exposure.tree_ids) if near[row] and tree not in spoken_of],
    )
    if not trees:
        return []
    worst = max(trees, key=lambda tree: float(today.margin_k[exposure.row(tree)]))
    row, air_c = exposure.row(worst), situation.states[worst].group.trait("air_protect_c", "degC")
    return [
        Advice(
            advice_id("shade-by-air", trees),
            "shade",
            "today",
            trees,
            f"Look at {names(situation, trees)} at noon: judged by the air alone, since sun, leaf or dryness "
            "is not known today",
            situation.now_utc,
            day_span(situation.holdings.garden, situation.day)[1],
            (
                Reason(
                    "air temperature",
                    float(today.air_max_c[row]),
                    "degC",
                    air_c,
                    None,
                    "by the air alone",
                    limits.source("by_air.near_k"),
                ),
            ),
            sure="cannot tell",
            changes_if="the next weather that arrives",
            hazard="heat",
        )
    ]
