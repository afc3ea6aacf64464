"""Advice, reasons, verdicts: plain frozen values that every message is made of."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import date, datetime
from typing import Literal, TypeVar, cast

from advisor.advice.doubles import Doubles
from advisor.exposure.model import Exposure
from advisor.exposure.water_known import ToldWatering
from advisor.garden.model import Holdings
from advisor.garden.state_model import TreeState
from advisor.garden.tables import Tables
from advisor.garden.told_moves import OpenMove
from advisor.weather.climate import Climate
from advisor.weather.forecast_error import ForecastError
from advisor.weather.table import WeatherTable

Result = TypeVar("Result")
Kind = Literal["water", "shade", "shelter", "work", "due", "alert"]
Urgency = Literal["now", "today", "week", "note"]
Verdict = Literal["suits", "suits-with-care", "does-not-suit", "cannot-tell"]
CheckVerdict = Literal["pass", "care", "fail", "unknown"]
Gate = Literal["tree", "weather", "person"]
Caution = Literal["cautious", "even", "bold"]

_NOT_YET = object()
"""Stands where ``Situation.once`` has nothing: None is an answer."""


@dataclass(frozen=True, slots=True)
class Reason:
    """Why: a quantity, its value, the limit, the hour, who set the limit, and the evidence."""

    quantity: str
    value: float | None
    unit: str
    limit: float | None
    at_utc: datetime | None
    set_by: str
    source: str
    then: str = ""
    """What comes at the hour, where it is not the value: ``at the limit``."""


@dataclass(frozen=True, slots=True)
class Amount:
    """A number with its unit (``UNITS``)."""

    value: float
    unit: str


@dataclass(frozen=True, slots=True)
class Advice:
    """One piece of advice. ``do`` begins with a verb; ``reasons`` is never empty.

    ``id`` is stable from day to day for the same measure on the same trees (kind, topic, trees), so
    that a measure can be silenced, confirmed and compared. ``hazard`` groups what one confirmed
    measure silences: heat, frost, gale, hail, roots-cold, roots-hot, rain, dry, standing, "".
    """

    id: str
    kind: Kind
    urgency: Urgency
    trees: tuple[str, ...]
    do: str
    from_utc: datetime
    until_utc: datetime
    reasons: tuple[Reason, ...]
    amount: Amount | None = None
    chance: float | None = None
    sure: str = ""
    """How sure, in a few words."""
    changes_if: str = ""
    """What would change it."""
    hazard: str = ""
    must: bool = False
    """True where leaving it may cost a tree: candidates for the must-do lines."""
    because: str = ""
    """Why this choice and no other, in a sentence, where trees want the same place; else empty."""
    anywhere: bool = False
    """True for a step of a warning that is the same wherever the tree stands."""

    def __post_init__(self) -> None:
        if not self.reasons:
            raise ValueError(f"advice {self.id!r} has no reason")


@dataclass(frozen=True, slots=True)
class AlertEvent:
    """A hazard worth a mail between digests.

    ``event`` is stable over ticks while it is the same event (kind and first local day at its first
    telling are kept by the service's ledger); ``advice`` is what to do, in order.
    """

    hazard: Literal["heat", "frost", "gale", "hail", "dry"]
    first_day: date
    last_day: date
    trees: tuple[str, ...]
    spared: tuple[str, ...]
    """Trees that may stay as they are."""
    headline: str
    advice: tuple[Advice, ...]
    chance: float | None
    may_break_quiet_hours: bool
    expires_utc: datetime
    send_from_utc: datetime
    """Not before: heat about 48 h ahead, frost by 15:00 local of the day before the night."""
    opens: bool = True
    """False while it is too unsure, so far ahead, to be mailed; the morning mail tells it all the same."""
    grade: int = 0
    """Class of how far it goes beyond the limits, 0 for the least."""
    sure_trees: tuple[str, ...] | None = None
    """Those of ``trees`` that are worth a mail of their own; None: all."""


@dataclass(frozen=True, slots=True)
class Check:
    """One check of a piece of work on one tree in one half day."""

    gate: Gate
    check: str
    verdict: CheckVerdict
    value: float | str | None
    unit: str
    limit: float | str | None
    at_utc: datetime | None
    source: str
    text: str
    """In words, for the grower."""
    deciding: bool = True


@dataclass(frozen=True, slots=True)
class HalfDay:
    """A half day inside working hours with its verdict and the checks that gave it."""

    from_utc: datetime
    until_utc: datetime
    day: date
    verdict: Verdict
    checks: tuple[Check, ...]


@dataclass(frozen=True, slots=True)
class WorkJudgement:
    """The answer for one tree, one kind of work, one day."""

    work: str
    tree_id: str
    day: date
    verdict: Verdict
    checks: tuple[Check, ...]
    """Deciding reason first."""
    windows: tuple[HalfDay, ...]
    """Half days of the coming ten days that suit, soonest first."""
    next_window: HalfDay | None
    last_sensible_day: date | None
    last_sensible_why: str
    cautions: tuple[str, ...]
    prepare: tuple[str, ...]
    afterwards: tuple[str, ...]
    impossible: bool = False
    """True for work that the species cannot have."""
    last_sensible_chance: float | None = None
    """Share of past years in which the last sensible day was early enough; None for an estimate."""
    barred_why: str = ""
    """Why the last sensible day is no help and left out: what in the tree forbids the work then, too."""


@dataclass(frozen=True, slots=True)
class WorkAhead:
    """What a digest counts of one kind of work on one tree: no verdict of each half day, no reasons."""

    work: str
    tree_id: str
    clear: tuple[tuple[date, datetime, datetime], ...]
    """Local day, from and until in UTC of the first half days that suit without any care."""
    closes: date | None
    """Its last sensible day, where that is near and nothing rules the work out today; else None."""


@dataclass(frozen=True, slots=True)
class SeasonEnd:
    """When the growing season ends here, by what is known of the climate.

    ``known`` is ``climate`` where it comes from past winters at a station, ``estimate`` where it comes from
    the table by latitude and elevation, ``none`` where no frost is to be expected.
    """

    first_frost: date | None
    known: Literal["climate", "estimate", "none"]
    text: str
    source: str
    chance: float | None = None
    """Share of past winters whose first frost had come by ``first_frost``; None for an estimate."""
    by_share: tuple[tuple[float, date | None], ...] = ()
    """Dates by which that share of winters had its first frost; None: it has none. Empty for an estimate."""
    last_frost: date | None = None
    """Prudent date after which this season's spring frosts were over; None where none or unknown."""
    winters: int = 0
    """Past winters that this rests on."""
    cool_from: date | None = None
    """Where no frost is to be expected: the prudent date of the first cool week; None where there is none."""


@dataclass(frozen=True, slots=True)
class Situation:
    """Everything a rule may look at. Built once per pass; rules are pure functions of it."""

    now_utc: datetime
    day: date
    """Local day of ``now_utc`` in the garden."""
    holdings: Holdings
    tables: Tables
    states: Mapping[str, TreeState]
    weather: WeatherTable | None
    """None: no usable weather at all."""
    exposure: Exposure | None
    members: Exposure | None
    """Exposure with a leading member axis, or None without an ensemble."""
    caution: Caution
    season_end: SeasonEnd
    weather_age_h: float | None
    confirmed: Mapping[tuple[str, str], date] = field(default_factory=dict)
    """(hazard, tree id) -> local date on which the journal confirmed the measure."""
    warnings: tuple[AlertEvent, ...] = ()
    """Warnings that stand; which of them stop a kind of work is said by its rows of kind ``warning``."""
    told_standing: frozenset[str] = frozenset()
    """Ids of standing measures already told (kept by the service)."""
    quiet_from_local: str = "22:00"
    quiet_until_local: str = "06:00"
    climate: Climate | None = None
    """Past years of a station near the garden; None while there are not enough."""
    forecast_error: ForecastError | None = None
    """Learned of this garden and of the source of ``weather``; None: the usual error of config/."""
    expose: Callable[[Holdings, Mapping[str, TreeState]], Exposure] | None = None
    """What works out the exposure of trees in other places; None: the physics, from ``weather``."""
    told_moves: Mapping[str, OpenMove] = field(default_factory=dict)
    """Moves that digests told and nobody logged, by tree id: the tree may stand in either place."""
    told_watering: Sequence[ToldWatering] = ()
    """What the digests of the last days told on water."""
    by_journal: bool = False
    """True after a fault in placing: no moves; each tree is judged where the journal has it."""
    doubles: Doubles | None = field(default=None, compare=False, repr=False)
    """Handed on to what is made of a situation by moving trees; see ``placing_elsewhere.doubles_of``."""
    worked_out: dict[Hashable, object] = field(init=False, default_factory=dict, compare=False, repr=False)
    """What rules have worked out of this situation and ask for again; see ``once``."""

    def where_logged(self) -> Situation:
        """Return the situation without moves, told or of today: what is left when placing fails."""
        return replace(self, by_journal=True, told_moves={})

    def once(self, key: Hashable, work: Callable[[], Result]) -> Result:
        """Return ``work()``, worked out only the first time that ``key`` is asked for.

        ``key`` names the question whole: it begins with the name of the function that asks and holds
        everything but the situation that the answer depends on. The answer must not be changed.
        """
        found = self.worked_out.get(key, _NOT_YET)
        if found is _NOT_YET:
            found = self.worked_out[key] = work()
        return cast("Result", found)
