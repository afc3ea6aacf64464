"""Questions that are due, one line for all trees that are asked the same, with how to answer in a word."""

from __future__ import annotations

from advisor.advice.checks_hazard import stopped_by
from advisor.advice.grouping import advice_id, bench_order, listed, names
from advisor.advice.hours import day_span
from advisor.advice.model import Advice, Reason, Situation
from advisor.garden.state_model import Question

__all__ = ["due_advice"]


def due_advice(situation: Situation) -> tuple[Advice, ...]:
    """Ask what is due; what is well overdue is for today."""
    limits, feeding = situation.tables.limits, situation.tables.works["feed"]
    overdue = limits.value("due.overdue_d", "d")
    groups: dict[tuple[str, tuple[str, ...]], dict[str, Question]] = {}
    for tree in bench_order(situation, situation.states):
        for question in situation.states[tree].questions:
            if (
                question.id == "feed-again"
                and stopped_by(situation, feeding, tree, situation.day) is not None
            ):
                continue  # the warning says to stop feeding until it is over
            if question.due <= situation.day:
                groups.setdefault((question.text, question.answers), {})[tree] = question
    found = []
    for (text, answers), asked in groups.items():
        trees = tuple(asked)
        latest = max(asked.values(), key=lambda question: (situation.day - question.due).days)
        late = (situation.day - latest.due).days
        topic = "due-" + "-".join(answers) if answers else f"due-{latest.id}"
        how = f" (log {trees[0]} {' or '.join(answers)})" if answers else ""
        question_text = text[:1].lower() + text[1:] if text[1:2].islower() else text
        found.append(
            Advice(
                advice_id(topic, trees),
                "due",
                "today" if late > overdue else "note",
                trees,
                f"Look at {names(situation, trees)}: {question_text}{how}",
                situation.now_utc,
                day_span(situation.holdings.garden, situation.day)[1],
                (
                    Reason(
                        "days since it was time to look",
                        float(late),
                        "d",
                        overdue if late > overdue else None,  # a limit not reached is no reason
                        None,
                        listed(sorted({question.why for question in asked.values()})[:2]),
                        limits.source("due.overdue_d"),
                    ),
                ),
                sure="by the journal",
                changes_if="an answer in a word",
            )
        )
    return tuple(found)
