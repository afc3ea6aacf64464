"""A tree's state at one moment: stage, flags with a clock, amounts, and what they ask for."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from datetime import date, datetime
from enum import Enum
from typing import Literal

from advisor.garden.model import Tree
from advisor.garden.tables import FlagRule, SpeciesGroup

Certainty = Literal["seen", "estimated", "guess"]


class Stage(Enum):
    """Stages on the BBCH general scale (Hack et al. 1992; Meier 2001). Value: (name, code, order)."""

    DORMANT = ("dormant", "00", 0)
    BUD_SWELL = ("bud swell", "01", 1)
    BUD_BREAK = ("bud break", "07", 2)
    LEAVES_UNFOLDING = ("leaves unfolding", "11", 3)
    SHOOTS_EXTENDING = ("shoots extending", "31", 4)
    LEAVES_HARD = ("leaves hard", "39", 5)
    SECOND_FLUSH = ("second flush", "32", 6)
    AUTUMN_COLOUR = ("autumn colour", "92", 7)
    LEAF_FALL = ("leaf fall", "95", 8)

    @property
    def label(self) -> str:
        """Plain name."""
        return self.value[0]

    @property
    def bbch(self) -> str:
        """BBCH code."""
        return self.value[1]

    @property
    def order(self) -> int:
        """Place in the year, counted from dormant."""
        return self.value[2]

    @property
    def in_leaf(self) -> bool:
        """True while leaves are on a deciduous tree."""
        return 3 <= self.value[2] <= 7

    @property
    def tender(self) -> bool:
        """True while soft growth is out."""
        return self in {Stage.BUD_BREAK, Stage.LEAVES_UNFOLDING, Stage.SHOOTS_EXTENDING, Stage.SECOND_FLUSH}


@dataclass(frozen=True, slots=True)
class StageKnown:
    """The stage and how it is known."""

    stage: Stage
    certainty: Certainty
    text: str
    """For the grower: ``seen 6 days ago``, ``estimated from 412 degree days``, ``guess by the calendar``."""
    since: date | None
    seen_on: date | None


@dataclass(frozen=True, slots=True)
class Flag:
    """A state with a clock.

    ``day_n`` counts from 1 on the day it began. ``expected_end`` is a range of local dates.
    ``phase`` tells where in that range today lies: ``running`` (before the early end), ``due``
    (inside the range), ``overdue`` (past the late end, never confirmed). ``open`` for flags that only
    the grower ends.
    """

    rule: FlagRule
    began: date
    began_utc: datetime
    day_n: int
    degree_days_5: float | None
    expected_end: tuple[date, date]
    phase: Literal["running", "due", "overdue", "open"]
    known: str
    event_line: int | None
    amount: float | None = None

    @property
    def id(self) -> str:
        """Flag id."""
        return self.rule.id


@dataclass(frozen=True, slots=True)
class Need:
    """One limit that holds now, and which flag, stage or species set it."""

    value: float
    unit: str
    set_by: str
    source: str


@dataclass(frozen=True, slots=True)
class Needs:
    """The strictest of what species, stage and flags ask for; None where nothing asks."""

    direct_sun_h: Need | None = None
    sun_until_solar_h: Need | None = None
    shade_share: Need | None = None
    wind_m_s: Need | None = None
    gust_m_s: Need | None = None
    frost_limit_c: Need | None = None
    """Bench air [degC] below which the shoots must be sheltered."""
    root_limit_c: Need | None = None
    """Pot temperature [degC] below which the roots must be sheltered."""
    leaf_limit_c: Need | None = None
    vpd_limit_kpa: Need | None = None
    no_feed_until: Need | None = None
    """Days [d] still without feed, counted from today; ``set_by`` names the date."""


@dataclass(frozen=True, slots=True)
class WaterRecord:
    """What the journal says of this pot's water.

    ``last_watered_utc`` is the last logged watering (until it ran through, or ``amount_l``);
    ``unlogged`` is True when the last logged watering is older than a day, so that watering is assumed
    done as advised.
    """

    last_watered_utc: datetime | None
    last_amount_l: float | None
    last_weight_kg: float | None
    last_weight_utc: datetime | None
    unlogged: bool


@dataclass(frozen=True, slots=True)
class Question:
    """A thing to ask, answerable in a word with ``log``."""

    id: str
    text: str
    answers: tuple[str, ...]
    due: date
    why: str


@dataclass(frozen=True, slots=True)
class Session:
    """One working session: work logged close together counts as one event.

    ``works`` are the journal entries done in it, in order, each once; a cut that counts as big is
    ``big-cut`` beside ``cut``.
    """

    began: date
    ended: date
    works: tuple[str, ...]


@dataclass(frozen=True, slots=True)
class TreeState:
    """Everything known of one tree at ``at_utc``."""

    tree: Tree
    group: SpeciesGroup
    at_utc: datetime
    place_id: str
    place_since: date | None
    extra_shade: float
    """Share of sun taken away by a net the grower put over this very tree."""
    stage: StageKnown
    leaves_hard_seen: bool
    """The grower saw hard leaves, not undone by a later flush or stripping."""
    flags: tuple[Flag, ...]
    water_leaf_share: float
    """Leaf area drawing water, as a share of the full crown: per need, on the safe side for drought."""
    sun_leaf_share: float
    """Leaf area that sun and heat can harm; 0 = bare (bark and buds are then what is at risk)."""
    root_share: float
    needs: Needs
    water: WaterRecord
    last: dict[str, date] = field(default_factory=dict)
    """Last local date of each journal entry, by entry id; ``big-cut`` for the last cut that counts as big."""
    questions: tuple[Question, ...] = ()
    contradictions: tuple[str, ...] = ()
    """Journal lines that do not fit one another, in words; the safe reading was taken."""
    sessions: tuple[Session, ...] = ()
    """Working sessions, oldest first."""
    water_factor: float = 1.0
    """What the tree draws over a tree with as much leaf and whole roots."""
    water_factor_by: str = ""
    """The state that sets ``water_factor``; empty where none does."""

    stages_ahead: tuple[tuple[date, StageKnown], ...] = ()
    """Stages that the forecast brings and the first day of each, oldest first; a guess, all of them."""

    def on(self, day: date) -> TreeState:
        """Return the state with the stage expected on a later day; everything else stays as it is now."""
        begun = [known for first, known in self.stages_ahead if first <= day]
        return replace(self, stage=begun[-1]) if begun and begun[-1] is not self.stage else self

    def flag(self, flag_id: str) -> Flag | None:
        """Return the running flag ``flag_id`` or None."""
        for flag in self.flags:
            if flag.id == flag_id:
                return flag
        return None
