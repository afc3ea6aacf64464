"""The rules, in one explicit register, and the one call that runs them all."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from math import inf

from advisor.advice.due import due_advice
from advisor.advice.grouping import bench_order
from advisor.advice.model import Advice, Kind, Situation, Urgency
from advisor.advice.shade import shade_advice
from advisor.advice.shelter import shelter_advice
from advisor.advice.water import water_advice
from advisor.advice.work import work_advice

__all__ = ["RULES", "Advised", "advise", "placing_fault", "run_rules"]

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
    """Advice in the order of the digest, and the rules that failed, each with its fault in words.

    ``by_journal``: a fault in placing; every rule judged each tree where the journal has it.
    """

    advice: tuple[Advice, ...]
    failures: tuple[str, ...]
    by_journal: bool = False


def placing_fault(error: str) -> str:
    """Say that placing failed, and what the advice holds for instead."""
    return (
        f"no better place could be worked out ({error}): each tree is judged where the journal has it, "
        "and nets are told instead of moves"
    )


def advise(situation: Situation) -> Advised:
    """Run every rule of the register; see ``run_rules``."""
    return run_rules(situation, RULES)


def run_rules(situation: Situation, rules: Mapping[str, Rule]) -> Advised:
    """Run rules so that one that fails leaves the others running.

    Where one fails with today's moves and not without them, placing is at fault: then all are run without, so
    that they cannot contradict one another.

    Order: what must be done, then urgency, kind, rounds of watering by their hour, and bench order of the
    first tree.
    """
    found, failed = _run(situation, rules)
    plain = situation.where_logged()
    again = {} if situation.by_journal else _run(plain, {name: rules[name] for name in failed})[1]
    healed = [] if situation.by_journal else [name for name in failed if name not in again]
    if healed:
        found, left = _run(plain, rules)
        failures = [placing_fault(failed[healed[0]]), *(f"{name}: {fault}" for name, fault in left.items())]
    else:
        failures = [f"{name}: {fault}" for name, fault in failed.items()]
    rows = {tree: row for row, tree in enumerate(bench_order(situation, situation.states))}

    def place(advice: Advice) -> tuple[bool, int, int, float, int, str]:
        timed = advice.amount is not None or advice.from_utc > situation.now_utc
        hour = advice.from_utc.timestamp() if advice.kind == "water" and timed else inf
        first = min((rows.get(tree, len(rows)) for tree in advice.trees), default=len(rows))
        return not advice.must, _URGENCY[advice.urgency], _KIND[advice.kind], hour, first, advice.id

    return Advised(tuple(sorted(found, key=place)), tuple(failures), bool(healed))


def _run(situation: Situation, rules: Mapping[str, Rule]) -> tuple[list[Advice], dict[str, str]]:
    """Return the advice of the rules that ran, and the fault of each that did not."""
    found: list[Advice] = []
    failed: dict[str, str] = {}
    for name, rule in rules.items():
        try:
            found += rule(situation)
        except Exception as error:  # noqa: BLE001 - a rule's fault must not silence the other rules
            failed[name] = f"{type(error).__name__}: {error}"
    return found, failed
