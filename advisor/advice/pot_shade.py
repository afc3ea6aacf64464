"""Shade for the pot itself: the ball, or the sunny wall."""

from __future__ import annotations

from advisor.advice.grouping import advice_id, bench_order, names, say
from advisor.advice.hours import clock, day_span
from advisor.advice.model import Advice, Reason, Situation
from advisor.advice.places import is_confirmed
from advisor.advice.pot_heat import PotDay

__all__ = ["pot_shade"]


def pot_shade(situation: Situation, pots: PotDay, usual: set[str]) -> list[Advice]:
    """Return shade for hot pots, and a note on hot rims; trees in ``usual`` have a standing measure."""
    exposure, tables = situation.exposure, situation.tables
    if exposure is None:
        return []
    found = []
    limits = tables.limits
    silent = {tree for tree in exposure.tree_ids if is_confirmed(situation, "roots-hot", tree)} | usual
    end = day_span(situation.holdings.garden, situation.day)[1]
    hot = [tree for row, tree in enumerate(exposure.tree_ids) if pots.harm[row] and tree not in silent]
    if hot:
        trees = bench_order(situation, hot)
        worst = max(hot, key=lambda tree: float(pots.core_max_c[exposure.row(tree)]))
        row = exposure.row(worst)
        by = min(at for tree in hot if (at := pots.starts_utc[exposure.row(tree)]) is not None)
        core = float(pots.core_max_c[row])
        when = "now" if by <= situation.now_utc else f"before {clock(situation.holdings.garden, by)}"
        found.append(
            Advice(
                advice_id("shade-pot", trees),
                "shade",
                "today",
                trees,
                f"Shade the pots of {names(situation, trees)} {when} (cloth or board on the sunny "
                "side, or down to a "
                f"shaded floor): {say(situation, core, 'degC')} in the ball",
                situation.now_utc,
                max(by, situation.now_utc),
                (
                    Reason(
                        "temperature of the ball",
                        core,
                        "degC",
                        limits.value("pot.core_c", "degC"),
                        by,
                        "roots",
                        limits.source("pot.core_c"),
                    ),
                    Reason(
                        "part of the roots beyond the injury mark",
                        float(pots.hot_share[row]),
                        "share",
                        limits.value("pot.root_share", "share"),
                        by,
                        "roots",
                        limits.source("pot.root_share"),
                    ),
                ),
                sure="the pot model is right to about 2 K",
                changes_if="light pots, moss and neighbours keep the ball cooler",
                hazard="roots-hot",
            )
        )
    warm = [tree for row, tree in enumerate(exposure.tree_ids) if pots.rim_mark[row] and tree not in silent]
    if warm:
        trees = bench_order(situation, warm)
        rim = max(float(pots.rim_max_c[exposure.row(tree)]) for tree in warm)
        found.append(
            Advice(
                advice_id("shade-rim", trees),
                "shade",
                "note",
                trees,
                f"Keep the sunny pot wall of {names(situation, trees)} in shade if you can: "
                f"{say(situation, rim, 'degC')} at the rim",
                situation.now_utc,
                end,
                (
                    Reason(
                        "temperature at the sunlit rim",
                        rim,
                        "degC",
                        limits.value("pot.rim_note_c", "degC"),
                        None,
                        "roots",
                        limits.source("pot.rim_note_c"),
                    ),
                ),
                sure="the pot model is right to about 3 K at the rim",
                hazard="roots-hot",
            )
        )
    return found
