"""A pot that fails long before its next watering time, on a day beyond anything of the fortnight before."""

from __future__ import annotations

from datetime import timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import day_and_clock, day_span, window
from advisor.advice.model import Advice, AlertEvent, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.physics.missing import reduce_over
from advisor.weather.table import utc_of

__all__ = ["dry_alert"]

FloatArray = NDArray[np.float64]


def _demand_l(situation: Situation, back_d: int) -> FloatArray:
    """Water use of whole days, oldest first and today last, shape (back_d + 1, T); NaN below coverage."""
    exposure = situation.exposure
    assert exposure is not None  # noqa: S101 - the caller holds an exposure
    coverage = situation.tables.limits.value("chance.coverage_share", "share")
    days = [situation.day - timedelta(days=n) for n in range(back_d, -1, -1)]
    return np.array(
        [
            reduce_over(
                window(exposure.start_utc, exposure.water_use_l, *day_span(situation.holdings.garden, day)),
                "sum",
                minimum_coverage=coverage,
            ).value
            for day in days
        ]
    )


def dry_alert(situation: Situation, *, steps: bool = True) -> AlertEvent | None:
    """Pots dry more than three hours before the next watering time, with a demand beyond the usual.

    Both must hold: a dry pot by itself belongs in the morning mail.
    """
    exposure, garden, limits = situation.exposure, situation.holdings.garden, situation.tables.limits
    if exposure is None or not exposure.slot_utc.size:
        return None
    ahead = [at for stamp in exposure.slot_utc if (at := utc_of(stamp)) > situation.now_utc]
    if not ahead:
        return None
    slot = min(ahead)
    back = round(limits.value("water.demand_d", "d"))
    demand = _demand_l(situation, back)
    known = limits.value("water.demand_known_d", "d") / back
    before = reduce_over(demand[:-1], "max", axis=0, minimum_coverage=known).value
    limit = before * limits.value("water.demand_factor", "1")
    early = timedelta(hours=limits.value("water.early_h", "h"))
    with np.errstate(invalid="ignore"):
        thirsty = demand[-1] > limit
    chosen = {
        tree: utc_of(exposure.dry_at[row])
        for row, tree in enumerate(exposure.tree_ids)
        if thirsty[row]
        and not np.isnat(exposure.dry_at[row])
        and utc_of(exposure.dry_at[row]) < slot - early
        and not is_confirmed(situation, "dry", tree)
    }
    if not chosen:
        return None
    trees = bench_order(situation, chosen)
    first = min(chosen.values())
    row = exposure.row(min(chosen, key=lambda tree: chosen[tree]))
    text = (
        f"Water {names(situation, trees)} before {day_and_clock(situation, first)}, not only at "
        f"{day_and_clock(situation, slot)}: dry by then, on a day of unusual thirst"
    )
    advice = Advice(
        advice_id("alert-dry", trees),
        "alert",
        "now",
        trees,
        text,
        situation.now_utc,
        slot,
        (
            Reason(
                "water used today",
                float(demand[-1][row]),
                "l",
                float(limit[row]),
                first,
                "the thirstiest of the days before",
                limits.source("water.demand_factor"),
            ),
            Reason(
                "water left now",
                float(exposure.left_now_share[row]),
                "share",
                1.0 - situation.tables.physics.value("water.act_used_share", "share"),
                first,
                exposure.water_known[row],
                situation.tables.physics.source("water.act_used_share"),
                then="at the limit",
            ),
        ),
        sure="by the pot balance",
        changes_if="log watered",
        hazard="dry",
        must=True,
    )
    return AlertEvent(
        hazard="dry",
        first_day=situation.day,
        last_day=situation.day,
        trees=trees,
        spared=bench_order(situation, set(situation.states) - set(trees)),
        headline=(
            f"Dry before the next watering: {names(situation, trees)} by {day_and_clock(situation, first)}, "
            f"{say(situation, float(demand[-1][row]), 'l')} needed today"
        ),
        advice=(advice,) if steps else (),
        chance=None,
        may_break_quiet_hours=False,
        expires_utc=max(slot, day_span(garden, situation.day)[0]),
        send_from_utc=situation.now_utc,
    )
