"""Weights of a tree in its pot: which can be true, and what pairs of them say of its thirst."""

from __future__ import annotations

import math
from collections import Counter
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from itertools import pairwise

from advisor.garden.model import JournalEntry, Tree
from advisor.garden.tables import Tables
from advisor.units import KG_PER_POUND, NumberTable

__all__ = [
    "Doubt", "Pair", "Weight", "dry_mass_kg", "full_of", "holds_l", "pairs_of", "sound_weights",
    "water_held_l", "weights_since", "why_unused",
]  # fmt: skip

NEUTRAL = frozenset({"weighed", "shaded", "unshaded", "sealed", "note"})
"""Journal words after which a pot weighs as much as before."""
SIGHTINGS = frozenset(
    {
        "buds-swelling", "leaves-open", "leaves-hard", "bloom-over", "roots-seen", "colour", "wilted",
        "scorched", "frosted", "wire-tight", "pests", "recovered",
    }
)  # fmt: skip
SLIPS = (0.1, 10.0, 0.01, 100.0, 0.001, KG_PER_POUND, 1.0 / KG_PER_POUND)
"""What a wrong weight may have to be multiplied by: a point that slipped, grams, pounds."""


@dataclass(frozen=True, slots=True)
class Weight:
    """One weighing; ``line`` is that of the journal, ``order`` its place among equal times."""

    at_utc: datetime
    kg: float
    line: int
    order: int = 0

    @property
    def when(self) -> tuple[datetime, int]:
        """Sorts as the journal does."""
        return self.at_utc, self.order


@dataclass(frozen=True, slots=True)
class Doubt:
    """A line of the journal that does not fit the others, and what it may have meant (None: no guess)."""

    at_utc: datetime
    line: int
    found: str
    meant_kg: float | None = None


@dataclass(frozen=True, slots=True)
class Pair:
    """Two weighings with nothing but drinking between them.

    Attributes
    ----------
    from_utc, until_utc : datetime
    lost_l : drunk between them; what a dry tree left undrunk for want of water is added, so that it compares
        with ``modelled_l``, the use of its size class with water at will.
    lines : journal lines of the two.
    """

    from_utc: datetime
    until_utc: datetime
    lost_l: float
    modelled_l: float
    lines: tuple[int, int]


def dry_mass_kg(tree: Tree, tables: Tables) -> float:
    """Estimate what pot, dry medium and wood weigh together [kg]."""
    get = tables.physics.value
    mix, wall = tables.substrates[tree.substrate], tables.walls[tree.pot.wall]
    solids = tree.pot.volume_l * mix.value("solid_share", "share") * get("tipping.solid_density_kg_l", "kg/l")
    width_m, height_m = tree.crown.width_cm / 100.0, tree.crown.height_cm / 100.0
    wood = get("tipping.wood_mass_kg_m3", "kg/m3") * width_m**2 * height_m
    ceramic = get("tipping.wall_mass_kg_l", "kg/l")
    own = wall.value("mass_kg_l", "kg/l") if "mass_kg_l" in wall else ceramic
    return solids + wood + tree.pot.volume_l * own


def water_held_l(tree: Tree, tables: Tables) -> tuple[float, float]:
    """Return what a pot holds after draining, and what of it the tree can use, by mix and depth [l].

    A shallow pot is wetter per volume: the bottom of any pot stays wet, and more of a shallow one is bottom.

    Source: Owen and Altland 2008 for the depth. Checked: tests/published/test_container_water.py.
    """
    get, mix = tables.physics.value, tables.substrates[tree.substrate]
    depth = tree.pot.depth_cm / get("water.depth_reference_cm", "cm")
    held = tree.pot.volume_l * mix.value("water_share", "share") * depth ** -get("water.depth_exponent", "1")
    held = min(held, holds_l(tree, tables))
    return held, held * mix.value("usable_share", "share")


def holds_l(tree: Tree, tables: Tables) -> float:
    """Water between a pot dry as dust and one with every pore full [l]."""
    return tree.pot.volume_l * (1.0 - tables.substrates[tree.substrate].value("solid_share", "share"))


def weights_since(entries: Sequence[JournalEntry]) -> list[list[Weight]]:
    """Return the weights of one tree, a list for each pot it stood in, oldest first."""
    pots: list[list[Weight]] = [[]]
    for entry in entries:
        if entry.entry == "repotted":
            pots.append([])
        elif entry.entry == "weighed" and isinstance(entry.amount, int | float):
            pots[-1].append(Weight(entry.at_utc, float(entry.amount), entry.line, entry.order))
    return pots


def sound_weights(
    weights: Sequence[Weight], most_water_l: float, pot_kg: float, numbers: NumberTable
) -> tuple[list[Weight], list[Doubt]]:
    """Part the weights of one pot into those that can be true together, and the rest.

    Parameters
    ----------
    weights : sequence of Weight
        Of one pot, in order of time.
    most_water_l : float
        Two weights cannot differ by more, but for growth and wire.
    pot_kg : float
        What such a pot weighs by its size; decides where weights exclude each other, and whether a weight
        can be true at all.
    numbers : NumberTable
        config/physics.toml.

    Returns
    -------
    sound : list of Weight
    doubtful : list of Doubt
        With what each may have meant.
    """
    slack = numbers.value("thirst.weight_slack_share", "share")
    off = math.log(numbers.value("thirst.mass_factor", "1"))
    density = numbers.value("tipping.water_density_kg_l", "kg/l")

    def near(low: Weight) -> list[Weight]:
        span = most_water_l * density + slack * low.kg
        return [weight for weight in weights if low.kg <= weight.kg <= low.kg + span]

    def distance(group: Sequence[Weight]) -> float:
        middle = sorted(weight.kg for weight in group)[len(group) // 2]
        return abs(math.log(middle / pot_kg)) if middle > 0.0 else math.inf

    groups = [near(weight) for weight in weights if weight.kg > 0.0]
    groups = [group for group in groups if distance(group) <= off]
    sound = max(groups, key=lambda group: (len(group), -distance(group)), default=[])
    low, high = min((w.kg for w in sound), default=pot_kg), max((w.kg for w in sound), default=pot_kg)
    span = most_water_l * density + slack * low
    middle = sorted(w.kg for w in sound)[len(sound) // 2] if sound else pot_kg
    reach = (high - span, low + span) if sound else (pot_kg / math.exp(off / 2), pot_kg * math.exp(off / 2))
    doubtful = []
    for weight in weights:
        if weight in sound:
            continue
        guesses = [weight.kg * slip for slip in SLIPS if reach[0] <= weight.kg * slip <= reach[1]]
        meant = min(guesses, key=lambda kg: abs(kg - middle), default=None)
        doubtful.append(Doubt(weight.at_utc, weight.line, f"{weight.kg:g} kg", meant))
    return sound, doubtful


def pairs_of(
    entries: Sequence[JournalEntry],
    sound: Sequence[Weight],
    usable_l: float,
    modelled: Callable[[datetime, datetime], tuple[float, float]],
    numbers: NumberTable,
) -> tuple[list[Pair], list[Doubt]]:
    """Find the weighings that belong together, with what was drunk between them.

    A pair has neither watering nor work nor rain between its weighings, and is neither so short that the
    scale hides the loss nor so long that somebody must have watered.

    Parameters
    ----------
    entries : sequence of JournalEntry
        Of the tree, in order of time.
    sound : sequence of Weight
        Of one pot.
    usable_l : float
        Water that the tree can use when the pot is full.
    modelled : callable
        (from, until) -> use of the size class with water at will, and rain that reached the pot [l]; NaN
        where the weather is not known.
    numbers : NumberTable
        config/physics.toml.
    """
    judged = _judged(entries, sound, usable_l, modelled, numbers)
    return [one for one in judged if isinstance(one, Pair)], [one for one in judged if isinstance(one, Doubt)]


def why_unused(
    entries: Sequence[JournalEntry],
    pots: Sequence[Sequence[Weight]],
    usable_l: float,
    modelled: Callable[[datetime, datetime], tuple[float, float]],
    numbers: NumberTable,
) -> tuple[str, ...]:
    """Say why weighings that follow one another make no pair, the commonest reason first; empty if all do.

    Parameters
    ----------
    pots : sequence of sequences of Weight
        Sound weights, by pot; the rest as for ``pairs_of``.
    """
    judged = [one for sound in pots for one in _judged(entries, sound, usable_l, modelled, numbers)]
    if not judged:
        alone = "one weighing alone: it takes two, with nothing but drinking between them"
        return (alone,) if any(pots) else ()
    counts = Counter(one for one in judged if isinstance(one, str))
    return tuple(f"{why} ({count} of {len(judged)} pairs)" for why, count in counts.most_common())


def _judged(
    entries: Sequence[JournalEntry],
    sound: Sequence[Weight],
    usable_l: float,
    modelled: Callable[[datetime, datetime], tuple[float, float]],
    numbers: NumberTable,
) -> list[Pair | Doubt | str]:
    """For each two weighings that follow one another: a pair, a doubt, or why they are neither."""
    get = numbers.value
    shortest, longest = (
        timedelta(hours=get(f"thirst.pair_{word}_h", "h")) for word in ("shortest", "longest")
    )
    scale_kg, density = get("thirst.scale_kg", "kg"), get("tipping.water_density_kg_l", "kg/l")
    scale_l = scale_kg / density

    def judge(first: Weight, second: Weight) -> Pair | Doubt | str:
        between = [one for one in entries if first.when < (one.at_utc, one.order) < second.when]
        apart = second.at_utc - first.at_utc
        busy = not all(one.entry in NEUTRAL | SIGHTINGS for one in between)
        if busy or not shortest <= apart <= longest:
            return _reason(
                (busy, "watered or worked on between two weighings"),
                (apart < shortest, f"less than {shortest / timedelta(hours=1):g} h apart"),
                (True, f"more than {longest / timedelta(hours=1):g} h apart"),
            )
        lost = (first.kg - second.kg) / density
        if lost < -get("thirst.heavier_scales", "1") * scale_l:
            found = f"{second.kg:g} kg after {first.kg:g} kg without a watering between them"
            return Doubt(second.at_utc, second.line, found)
        use, rain = modelled(first.at_utc, second.at_utc)
        if not (use >= scale_l and rain <= scale_l and lost > 0.0):
            return _reason(
                (math.isnan(use) or math.isnan(rain), "the weather between them is not known"),
                (use < scale_l, f"less to drink than {scale_kg:g} kg, which a scale hardly shows"),
                (rain > scale_l, "rain fell into the pot between them"),
                (True, "the scale showed no loss"),
            )
        full_kg = full_of(sound, second.at_utc, numbers)
        left = max(usable_l - (full_kg - first.kg) / density, 0.0)
        knee_l, empty_l = (
            get(name, "share") * usable_l for name in ("water.stress_from_share", "thirst.empty_share")
        )
        wanted = _wanted(left, left - lost, usable_l, knee_l, empty_l)
        if wanted is None:
            return "the pot was nearly empty, which tells of the pot and not of the tree"
        return Pair(first.at_utc, second.at_utc, wanted, use, (first.line, second.line))

    return [judge(first, second) for first, second in pairwise(sound)]


def _reason(*reasons: tuple[bool, str]) -> str:
    return next(words for holds, words in reasons if holds)


def full_of(sound: Sequence[Weight], at_utc: datetime, numbers: NumberTable) -> float:
    """Weight of the full pot at a moment: the heaviest of the weeks before [kg]."""
    holds = timedelta(days=numbers.value("water.weighed_full_for_d", "d"))
    return max(weight.kg for weight in sound if at_utc - holds <= weight.at_utc <= at_utc)


def _wanted(before_l: float, after_l: float, usable_l: float, knee: float, empty_l: float) -> float | None:
    """Use with water at will that took the pot from one content to the other.

    Uptake is full down to the knee and falls to nothing in a straight line below it, which is an exponential
    in the use wanted. None where the pot was nearly empty: then the loss tells of the pot,
    not of the tree.
    """
    if after_l < empty_l or before_l <= after_l:
        return None

    def gone(left: float) -> float:
        return usable_l - left if left >= knee else usable_l - knee + knee * math.log(knee / left)

    return gone(after_l) - gone(before_l)
