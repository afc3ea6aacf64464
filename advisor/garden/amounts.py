"""How much leaf and root a tree has now: shares that regrow, per need on the safe side."""

from __future__ import annotations

from collections.abc import Sequence

from advisor.garden.flags import EndClock, Run
from advisor.garden.phenology import StageModel
from advisor.garden.state_model import Stage, StageKnown
from advisor.units import NumberTable

__all__ = ["leaf_shares", "root_share", "water_factor"]

_NEXT = {
    Stage.DORMANT: Stage.BUD_SWELL,
    Stage.BUD_SWELL: Stage.BUD_BREAK,
    Stage.BUD_BREAK: Stage.LEAVES_UNFOLDING,
    Stage.LEAVES_UNFOLDING: Stage.SHOOTS_EXTENDING,
}


def _stage_share(stage: Stage, numbers: NumberTable) -> float:
    return numbers.value(f"leaf_share.{stage.label.replace(' ', '-')}", "share")


def _left(run: Run) -> float:
    """Share of leaf that the event left."""
    if run.keeps("takes-leaf") and run.amount is not None and run.amount_unit == "share":
        return min(max(1.0 - run.amount, 0.0), 1.0)
    return run.rule.numbers.value("leaf_share", "share")


def _back(run: Run, clock: EndClock) -> float:
    """Share (0..1) of the lost leaf that is back, as far as it is known."""
    if run.ended_by == "time" or run.ended_entry == "leaves-hard":
        return 1.0
    back = clock.regrown(run)
    seen = run.ended if run.ended_entry == "leaves-open" else run.leaf_seen
    if seen is not None:
        start = clock.numbers.value("reopened.start_share", "share")
        days = clock.numbers.value("reopened.full_d", "d")
        back = max(back, min(1.0, start + (1.0 - start) * (clock.today - seen).days / days))
    return back


def leaf_shares(
    stage: StageKnown, runs: Sequence[Run], model: StageModel, clock: EndClock
) -> tuple[float, float]:
    """Leaf area that draws water, and leaf area that sun can harm, as shares of the full crown.

    Parameters
    ----------
    stage : StageKnown
        A guess in spring counts as one stage further: thirst before thrift.
    runs : sequence of Run
        Running and ended flags; those restarted count through their successor.
    model : StageModel
        Tells whether the tree is ever bare by itself.
    clock : EndClock

    Returns
    -------
    tuple of float
        (water, sun), 0..1. A stripped tree has 0 for sun until leaves may be out (0.6 of the expected
        time, or seen), and the share of bark for water.
    """
    numbers = clock.numbers
    bark = numbers.value("leaf_share.dormant", "share")
    leafless_year = not model.evergreen and (stage.stage in {Stage.DORMANT, Stage.BUD_SWELL, Stage.LEAF_FALL})
    if model.evergreen:
        base = 1.0
    else:
        base = _stage_share(stage.stage, numbers)
        if stage.certainty == "guess" and stage.stage in _NEXT:
            base = max(base, _stage_share(_NEXT[stage.stage], numbers))
    share = 1.0
    for run in runs:
        if "leaf_share" not in run.rule.numbers or run.ended_by == "restarted":
            continue
        back = _back(run, clock)
        left = _left(run)
        share *= left + (1.0 - left) * back
    water = max(base * share, bark)
    return water, 0.0 if leafless_year else base * share


def root_share(runs: Sequence[Run], clock: EndClock) -> float:
    """Working root share, 0..1: regrows evenly until the late end of the range, whole once roots are seen."""
    share = 1.0
    for run in runs:
        if "root_share" not in run.rule.numbers or run.ended is not None:
            continue
        start = run.rule.numbers.value("root_share", "share")
        whole = max((clock.end_range(run).late - run.began).days, 1)
        grown = start + (1.0 - start) * (clock.today - run.began).days / whole
        share = min(share, grown, 1.0)
    return share


def water_factor(runs: Sequence[Run], clock: EndClock) -> tuple[float, str]:
    """Return what the tree draws over one with as much leaf and whole roots, and the state that sets it.

    Only states that take no leaf count (repotted): where leaf is taken, the leaf share has it already. The
    factor holds until 0.6 of the expected time and goes back to 1 at the expected end: thirst before thrift.
    Of several the lowest counts.
    """
    lowest, by = 1.0, ""
    for run in runs:
        numbers = run.rule.numbers
        if run.ended is not None or "water_factor" not in numbers or "leaf_share" in numbers:
            continue
        least = numbers.value("water_factor", "1")
        factor = least + (1.0 - least) * clock.regrown(run)
        if factor < lowest:
            lowest, by = factor, run.rule.name
    return lowest, by
