"""The rules, in one explicit register, and the one call that runs them all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass

from advisor.advice.due import due_advice
from advisor.advice.grouping import bench_order
from advisor.advice.model import Advice, Kind, Situation, Urgency
from advisor.advice.shade import shade_advice
from advisor.advice.shelter import shelter_advice
from advisor.advice.water import water_advice
from advisor.advice.work import work_advice

__all__ = ["RULES", "Advised", "advise", "run_rules"]

Rule = Callable[[Situation], tuple[Advice, ...]]

RULES: dict[str, Rule] = {
    "water": water_advice,
    "shade": shade_advice,
    "shelter": shelter_advice,
    "work": work_advice,
    "due": due_advice,
}
"""Every rule by name. A new one is a pure function of the situation, and a row here."""

_URGENCY: dict[Urgency, int] = {"now": 0, "today": 1, "week": 2, "note": 3}
_KIND: dict[Kind, int] = {"alert": 0, "water": 1, "shade": 2, "shelter": 3, "work": 4, "due": 5}


@dataclass(frozen=True, slots=True)
class Advised:
    """Advice in the order of the digest, and the rules that failed, each with its fault in words."""

    advice: tuple[Advice, ...]
    failures: tuple[str, ...]


def advise(situation: Situation) -> Advised:
    """Run every rule of the register; see ``run_rules``."""
    return run_rules(situation, RULES)


def run_rules(situation: Situation, rules: Mapping[str, Rule]) -> Advised:
    """Run rules so that one that fails leaves the others running.

    Order: what must be done, then urgency, kind, and bench order of the first tree.
    """
    found: list[Advice] = []
    failures: list[str] = []
    for name, rule in rules.items():
        try:
            found += rule(situation)
        except Exception as error:  # noqa: BLE001 - a rule's fault must not silence the other rules
            failures.append(f"{name}: {type(error).__name__}: {error}")
    rows = {tree: row for row, tree in enumerate(bench_order(situation, situation.states))}

    def place(advice: Advice) -> tuple[bool, int, int, int, str]:
        first = min((rows.get(tree, len(rows)) for tree in advice.trees), default=len(rows))
        return not advice.must, _URGENCY[advice.urgency], _KIND[advice.kind], first, advice.id

    return Advised(tuple(sorted(found, key=place)), tuple(failures))
