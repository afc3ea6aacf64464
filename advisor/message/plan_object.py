"""The JSON of ``advisor plan``: ``plan/1``, the same sessions as the text."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from advisor.advice.model import Situation
from advisor.advice.plan_model import Plan, PlannedSession, Waiting
from advisor.advice.readiness import until_texts
from advisor.advice.season import SeasonLast
from advisor.message.json_out import check_object, utc_text, weather_object
from advisor.message.plan_text import cautions_of, grouped, preparing

__all__ = ["plan_object"]


def _last(last: SeasonLast | None) -> dict[str, Any]:
    return {
        "last_sensible_day": None if last is None else last.day.isoformat(),
        "last_sensible_why": "" if last is None else last.why,
        "chance": None if last is None or last.chance is None else round(last.chance, 3),
    }


def _waiting(waiting: Waiting) -> dict[str, Any]:
    return {
        "work": waiting.work,
        "from_day": None if waiting.from_day is None else waiting.from_day.isoformat(),
        "this_season": waiting.this_season,
    }


def _entry(situation: Situation, group: Sequence[PlannedSession]) -> dict[str, Any]:
    one = group[0]
    rule = situation.tables.works[one.work]
    until = until_texts(situation, rule, situation.states[one.tree_id], one.day)
    return {
        "trees": [session.tree_id for session in group],
        "work": one.work,
        "with": list(one.works[1:]),
        "order": list(one.order),
        "effort": "major" if one.major else "light",
        "day": one.day.isoformat(),
        "from": utc_text(one.from_utc),
        "until": utc_text(one.until_utc),
        "verdict": one.half.verdict,
        "reasons": [check_object(check) for check in one.half.checks],
        "prepare": list(preparing(situation, one)),
        "afterwards": [*rule.afterwards, *until],
        **_last(one.last),
        "waiting": [_waiting(other) for other in one.waiting],
    }


def plan_object(situation: Situation, plan: Plan) -> dict[str, Any]:
    """Return ``plan/1``: every day of the plan, also those on which nothing is proposed."""
    return {
        "schema": "plan/1",
        "garden": situation.holdings.garden.name,
        "asked_at": utc_text(situation.now_utc),
        "weather": weather_object(situation),
        "works_per_day": plan.major_a_day,
        "light_works_per_day": plan.light_a_day,
        "days": [
            {
                "day": day.isoformat(),
                "entries": [_entry(situation, group) for group in grouped(plan.on(day))],
                "prepare": [
                    {
                        "for_day": one.day.isoformat(),
                        "tree": one.tree_id,
                        "work": one.work,
                        "do": list(preparing(situation, one)),
                    }
                    for one in plan.prepared_on(day)
                ],
            }
            for day in plan.days
        ],
        "also_ready": [_entry(situation, group) for group in grouped(plan.also_ready)],
        "closing": [
            {
                "work": one.work,
                "tree": one.tree_id,
                **_last(one.last),
                "planned": None if one.planned is None else one.planned.isoformat(),
                "hindered_by": one.hindered_by,
            }
            for one in plan.closing
        ],
        "resting": [{"tree": one.tree_id, "why": one.why} for one in plan.resting],
        "cautions": [
            {"caution": caution, "with": list(names), "text": situation.tables.cautions[caution]}
            for caution, names in cautions_of(situation, plan).items()
        ],
    }
