"""The stage expected over the coming days: what today's stage will have become when a work window comes.

The model alone never opens a gate: whatever is expected is a guess until somebody looks.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, timedelta

from advisor.garden.phenology import Sighting, StageModel
from advisor.garden.state_model import Stage, StageKnown

__all__ = ["stages_ahead"]


def stages_ahead(
    model: StageModel, sightings: Sequence[Sighting], now: StageKnown, today: date, days: int
) -> tuple[tuple[date, StageKnown], ...]:
    """Return the changes of stage that the forecast brings.

    Parameters
    ----------
    model : StageModel
        With the warmth of past and forecast; days beyond it bring nothing.
    sightings : sequence of Sighting, oldest first
    now : StageKnown
        The stage of ``today``.
    today : date
    days : int
        How far ahead.

    Returns
    -------
    tuple of (date, StageKnown)
        First day of each stage to come, oldest first, each a guess; empty where today's stage stays.
    """
    known: dict[int, Stage] = {0: now.stage}

    def stage(ahead: int) -> Stage:
        if ahead not in known:
            known[ahead] = model.on(today + timedelta(days=ahead), sightings).stage
        return known[ahead]

    found: list[tuple[date, StageKnown]] = []
    at = 0
    # Stages only go forward, so that halving finds the first day that differs.
    while at < days and stage(days) is not stage(at):
        low, high = at, days
        while high - low > 1:
            middle = (low + high) // 2
            low, high = (middle, high) if stage(middle) is stage(at) else (low, middle)
        day = today + timedelta(days=high)
        text = f"expected from {day.day} {day:%B} by the forecast; now {now.stage.label}, {now.text}"
        found.append((day, StageKnown(stage(high), "guess", text, day, None)))
        at = high
    return tuple(found)
