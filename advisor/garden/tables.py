"""The trade's numbers as frozen rows, filled from config/ by ``store.config_files``.

Code knows no species and no threshold: it asks these tables, and every number carries its evidence.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Literal

from advisor.units import NumberTable

Effort = Literal["major", "light"]
LeafHabit = Literal["deciduous", "deciduous-needle", "evergreen-broad", "evergreen-needle", "tropical"]


@dataclass(frozen=True, slots=True)
class SpeciesGroup:
    """One row of config/species.toml.

    Attributes
    ----------
    id : str
        Group id, for example ``acer-palmatum``.
    name : str
        The trade's plain name, shown to the grower.
    species : tuple of str
        Botanical ids (genus or genus-species) that belong to the group; a genus alone is the fallback
        of its species.
    habit : str
        Leaf habit.
    traits : NumberTable
        Keys that are absent are unknown. Keys in use: ``leaf_limit_c`` (leaf temperature at which sun
        harms hardened leaves, degC), ``vpd_limit_kpa``, ``air_caution_c``, ``air_protect_c``,
        ``root_kill_c``, ``shelter_pot_c``, ``open_leaf_frost_c`` (bench air that harms open leaves),
        ``open_leaf_alarm_c``, ``leaf_width_m``, ``stomatal_conductance_mol_m2_s``, ``leaf_out_gdd5``,
        ``leaves_hard_gdd5``, ``chill_need_d``, ``wire_look_d``, ``wire_off_d``, ``water_factor``,
        ``tropical_min_c``, ``sun_until_solar_h`` (hot months), ``small_pot_shelter_c`` (instead of
        ``shelter_pot_c`` in pots under ``small_pot_below_l``).
    marks : frozenset of str
        Plain facts: ``bleeds``, ``strips-well`` (full stripping is practised), ``strips-never``,
        ``two-flush-pine``, ``one-flush-pine``, ``conifer``, ``thin-bark``, ``brittle``, ``one-flush``,
        ``frost-tender-roots``, ``no-dormancy``, ``brittle-when-old``, ``wakes-early``, ``sun-lover``,
        ``layers-poorly``.
    """

    id: str
    name: str
    species: tuple[str, ...]
    habit: LeafHabit
    traits: NumberTable
    marks: frozenset[str] = frozenset()

    def trait(self, key: str, unit: str) -> float | None:
        """Return a trait, or None where it is unknown."""
        return self.traits.value(key, unit) if key in self.traits else None


@dataclass(frozen=True, slots=True)
class FlagRule:
    """What one flag asks for while it runs: a row of config/aftercare.toml.

    ``numbers`` holds, each optional: ``days`` (with low and high), ``degree_days_5`` (low, high),
    ``direct_sun_h``, ``sun_until_solar_h`` (no direct sun after that local solar hour), ``sun_from_solar_h``,
    ``shade_share`` (net asked for), ``wind_m_s``, ``gust_m_s`` (at the bench), ``frost_limit_c`` (bench air),
    ``root_limit_c`` (pot), ``water_factor``, ``no_feed_d``, ``leaf_limit_c`` and ``vpd_limit_kpa``
    where the leaf is softer than the species' own limit, ``leaf_share`` (share of full leaf area at the
    start), ``root_share``,
    ``ask_after_d``, ``ask_every_d``.

    Attributes
    ----------
    id, name : str
        ``name`` is what the grower reads, for example ``bare after stripping``.
    starts : tuple of str
        Journal entries that raise the flag.
    ends : tuple of str
        Journal entries (sightings or work) that end it.
    followed_by : str
        Flag raised when this one ends by sighting or by time; empty for none.
    ends_by_time : bool
        False where only the grower can end it (wire on, layer running).
    question : str
        What to ask when the end is due; empty for none.
    answers : tuple of str
        Journal entries that answer it.
    water_note : str
        Words about watering while it runs; empty for none.
    keeps : frozenset of str
        Plain marks: ``bare`` (no leaves), ``tender`` (soft leaves), ``no-feed``, ``evergreen-only`` ...
    sets : frozenset of str
        Needs for which this flag counts: any of sun, shade, wind, water, frost, feed.
    """

    id: str
    name: str
    starts: tuple[str, ...]
    ends: tuple[str, ...]
    followed_by: str
    ends_by_time: bool
    question: str
    answers: tuple[str, ...]
    water_note: str
    keeps: frozenset[str]
    numbers: NumberTable


@dataclass(frozen=True, slots=True)
class CheckRow:
    """One check of a kind of work: a row under ``[[work.ID.check]]`` in config/work.toml.

    ``kind`` names a function of ``advice.checks``; ``numbers`` are its limits; ``options`` its words
    (for example the stages allowed); ``deciding`` tells whether ``unknown`` decides the verdict;
    ``shelter_mends`` whether a place of level 3 or more turns a weather fail into care.
    """

    id: str
    kind: str
    gate: Literal["tree", "weather", "person"]
    text: str
    deciding: bool
    shelter_mends: bool
    numbers: NumberTable
    options: Mapping[str, object] = field(default_factory=dict)


@dataclass(frozen=True, slots=True)
class WorkRule:
    """One kind of work: a row of config/work.toml."""

    id: str
    name: str
    entry: str
    """The journal entry that records it."""
    checks: tuple[CheckRow, ...]
    cautions: tuple[str, ...]
    """Ids of rows in config/cautions.toml."""
    prepare: tuple[str, ...]
    afterwards: tuple[str, ...]
    not_for: Mapping[str, str]
    """Species mark or habit -> why this work does not exist for it."""
    effort: Effort = "light"
    """Major works cost the tree a season; light ones do not."""
    water_before: str = ""
    """How it is watered before; empty for nothing special."""
    day_before: tuple[str, ...] = ()
    """What is made ready the day before, the tools first."""
    alternative_to: tuple[str, ...] = ()
    """Kinds of work beside which this one is not proposed."""
    by_setting: Mapping[str, Mapping[str, Mapping[str, object]]] = field(default_factory=dict)
    """Setting of ``[practice]`` -> its value -> fields of this rule that read otherwise then."""


@dataclass(frozen=True, slots=True)
class MeasureRow:
    """How the grower can better some numbers: a row under ``[[measure]]`` in config/sensitivity.toml."""

    rows: tuple[str, ...]
    """Patterns of row names, with ``*`` for any run of characters."""
    text: str


@dataclass(frozen=True, slots=True, eq=False)
class Tables:
    """Every table of config/, loaded once; two of them are the same only if they are one object."""

    species: Mapping[str, SpeciesGroup]
    sizes: Mapping[str, NumberTable]
    walls: Mapping[str, NumberTable]
    substrates: Mapping[str, NumberTable]
    grounds: Mapping[str, NumberTable]
    shelters: Mapping[int, NumberTable]
    flags: Mapping[str, FlagRule]
    works: Mapping[str, WorkRule]
    limits: NumberTable
    physics: NumberTable
    climate: NumberTable
    cautions: Mapping[str, str]
    bibliography: Mapping[str, str]
    phenology: NumberTable = field(default_factory=lambda: NumberTable("phenology.toml", {}))
    """Numbers of the stage model, of sessions, regrowth and questions."""
    shapes: Mapping[str, NumberTable] = field(default_factory=dict)
    """Pot shapes: ``fill_share`` of length x width x depth that holds medium."""
    operation: NumberTable = field(default_factory=lambda: NumberTable("operation.toml", {}))
    """Keeping, waiting and retrying: nothing about trees."""
    sensitivity: NumberTable = field(default_factory=lambda: NumberTable("sensitivity.toml", {}))
    """What counts as a change of advice, and for how much."""
    measures: tuple[MeasureRow, ...] = ()
    """How to better a number, the first match counts."""

    def group_of(self, species_id: str) -> SpeciesGroup | None:
        """Return the group of a botanical id: the longest match, walking back to the genus part by part."""
        parts = species_id.split("-")
        for length in range(len(parts), 0, -1):
            wanted = "-".join(parts[:length])
            for group in self.species.values():
                if wanted in group.species:
                    return group
        return None
