"""Many trees in one line: bench order, names for the eye, stable ids."""

from __future__ import annotations

from collections.abc import Collection, Iterable, Sequence
from hashlib import sha256

from advisor.advice.model import Situation
from advisor.units import shown

__all__ = ["advice_id", "bench_order", "listed", "names", "say"]


def bench_order(situation: Situation, tree_ids: Iterable[str]) -> tuple[str, ...]:
    """Return trees by place as in the garden file, then by their order there; each once."""
    wanted = set(tree_ids)
    places = {place: row for row, place in enumerate(situation.holdings.places)}
    rows = {tree.id: row for row, tree in enumerate(situation.holdings.trees)}
    return tuple(
        sorted(
            wanted,
            key=lambda tree: (
                places.get(situation.states[tree].place_id, len(places)),
                rows.get(tree, len(rows)),
                tree,
            ),
        )
    )


def listed(words: Sequence[str]) -> str:
    """``a``, ``a and b``, ``a, b and c``."""
    return "".join(words) if len(words) < 2 else f"{', '.join(words[:-1])} and {words[-1]}"


def names(situation: Situation, tree_ids: Collection[str]) -> str:
    """Trees as a grower would call them out.

    Whole benches are named as such, so is everything but a few; at most about five trees by name, the
    rest counted with their place when they share one: ``Ember, Alder, Oak, Elm, Fig and 6 more on
    South bench``.
    """
    wanted = bench_order(situation, tree_ids)
    states, places = situation.states, situation.holdings.places
    at_most = round(situation.tables.limits.value("text.names", "count"))
    if len(wanted) > 1 and len(wanted) == len(states):
        return "all trees"
    others = bench_order(situation, set(states) - set(wanted))
    if len(others) <= at_most < len(wanted):
        return f"all trees but {listed([states[tree].tree.name for tree in others])}"
    if len(wanted) <= at_most:
        return listed([states[tree].tree.name for tree in wanted])
    chosen = set(wanted)
    words: list[str] = []
    single: list[str] = []
    for place in places.values():
        here = [tree for tree, state in states.items() if state.place_id == place.id]
        if len(here) > 1 and chosen.issuperset(here):
            words.append(f"all on {place.name}")
        else:
            single += [tree for tree in wanted if states[tree].place_id == place.id]
    single += [tree for tree in wanted if states[tree].place_id not in places]
    if len(words) > at_most:
        words = [*words[:at_most], f"all on {len(words) - at_most} more places"]
    named, rest = single[:at_most], single[at_most:]
    words += [states[tree].tree.name for tree in named]
    if rest:
        where = {states[tree].place_id for tree in rest}
        place_name = (
            f" on {places[next(iter(where))].name}" if len(where) == 1 and where <= set(places) else ""
        )
        words.append(f"{len(rest)} more{place_name}")
    return listed(words)


def advice_id(topic: str, tree_ids: Collection[str]) -> str:
    """Stable id of a measure on a set of trees, the same whatever their order."""
    chosen = sorted(tree_ids)
    if len(chosen) <= 1:
        return "-".join([topic, *chosen])
    return f"{topic}-{sha256(' '.join(chosen).encode()).hexdigest()[:8]}"


def say(situation: Situation, value: float | None, unit: str, decimals: int | None = None) -> str:
    """Return a number in the grower's units."""
    return str(shown(value, unit, situation.holdings.garden.units, decimals))
