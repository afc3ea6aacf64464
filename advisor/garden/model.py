"""What the grower owns, as frozen values: garden, places, pots, trees, journal lines.

Everything is checked before it gets here (``store.garden_files``); nothing in this module reads a file.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import date, datetime, time
from typing import Literal
from zoneinfo import ZoneInfo

from advisor.errors import Fault
from advisor.garden.practice import Practice
from advisor.units import DisplayUnits

Ground = Literal["gravel", "paving", "grass", "boards"]
RainCover = Literal["open", "covered"]


@dataclass(frozen=True, slots=True)
class Garden:
    """The garden as a whole. Times of day are garden-local."""

    name: str
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str
    units: DisplayUnits = "metric"
    watering_times: tuple[time, ...] = (time(7), time(13), time(19))
    working_hours: tuple[time, time] = (time(8), time(18))
    works_per_day: int | None = None
    """Major works a day that the plan may propose; None takes that of config/limits.toml, as below."""
    light_works_per_day: int | None = None
    major_works_per_season: int | None = None
    """On one tree."""
    practice: Practice = field(default_factory=Practice)
    """Where growers disagree: the grower's side."""

    @property
    def zone(self) -> ZoneInfo:
        """The time zone as an object."""
        return ZoneInfo(self.timezone)

    @property
    def southern(self) -> bool:
        """True south of the equator, where the seasons are turned by half a year."""
        return self.latitude_deg < 0.0


@dataclass(frozen=True, slots=True)
class SunHours:
    """The hours, by the garden's clock, in which the sun reaches a place in one month; where that is."""

    from_time: time
    until_time: time
    month: int
    latitude_deg: float
    longitude_deg: float
    elevation_m: float
    timezone: str


@dataclass(frozen=True, slots=True)
class PlaceReading:
    """A thermometer of the grower's at a place: the lowest of a night, or the highest of a day.

    ``day`` is the local date on which the night ended, or the day itself; ``line`` that of the journal, 0 for
    a logger's file.
    """

    place_id: str
    kind: Literal["night-min", "day-max"]
    day: date
    air_c: float
    line: int


@dataclass(frozen=True, slots=True)
class PlaceCorrection:
    """What such readings taught: air at the pots is so much warmer than reckoned [K].

    ``night_k`` holds in full on clear calm nights (indoors on all), ``day_k`` on clear days; each with the
    readings that it rests on. ``set_aside``: readings too far off to be believed. ``unknown_weather``:
    readings of nights and days of whose weather too little is known to compare.
    """

    night_k: float = 0.0
    night_readings: int = 0
    day_k: float = 0.0
    day_readings: int = 0
    set_aside: tuple[PlaceReading, ...] = ()
    unknown_weather: int = 0


@dataclass(frozen=True, slots=True)
class Place:
    """A spot where pots stand. Shares are 0..1; horizon is (azimuth, elevation) in degrees, sorted."""

    id: str
    name: str
    shade_fraction: float = 0.0
    sky_view: float = 1.0
    horizon_deg: tuple[tuple[float, float], ...] = ()
    wind_shelter: float = 0.0
    rain: RainCover = "open"
    ground: Ground = "gravel"
    height_m: float = 0.8
    night_gain_c: float = 0.0
    shelter_level: int = 0
    room: int | None = None
    drip_l_per_h: float | None = None
    """What a drip line gives each pot here [l/h]; None without a line."""
    drip_minutes: float | None = None
    """How long a timer runs the line at each watering time; None: the grower runs it."""
    tray_l: float = 0.0
    """Water that stays in the tray under each pot."""
    sun_hours: SunHours | None = None
    """Stands for the horizon where the grower told hours instead."""
    thermometer: str = ""
    """Name of a logger's file in the garden folder; empty without."""
    correction: PlaceCorrection | None = None
    """Worked out of the readings at each pass; None without any that count or could not be compared."""

    @property
    def timer_l(self) -> float:
        """Litres that the timer gives each pot at each watering time; 0 without."""
        return (self.drip_l_per_h or 0.0) * (self.drip_minutes or 0.0) / 60.0


@dataclass(frozen=True, slots=True)
class Pot:
    """A pot. ``volume_l`` is always known; the rest may come from the size class."""

    volume_l: float
    length_cm: float
    width_cm: float
    depth_cm: float
    shape: str
    wall: str


@dataclass(frozen=True, slots=True)
class Crown:
    """The green part, seen from the side: width and height [cm]."""

    width_cm: float
    height_cm: float


@dataclass(frozen=True, slots=True)
class Tree:
    """One tree in its pot. ``defaulted`` names the keys that rest on a class default."""

    id: str
    name: str
    species_id: str
    group_id: str
    place_id: str
    size: str
    pot: Pot
    crown: Crown
    substrate: str
    strength: int | None = None
    defaulted: frozenset[str] = field(default_factory=frozenset)


@dataclass(frozen=True, slots=True)
class JournalEntry:
    """One journal line, checked.

    ``amount`` is a number for units share, mm, kg, l, c; a place id for ``moved``; the new tree's id
    for ``layer-separated``; None where empty. ``order`` keeps file order among equal times.
    """

    at_utc: datetime
    tree_id: str
    entry: str
    amount: float | str | None
    unit: str
    note: str
    line: int
    order: int


@dataclass(frozen=True, slots=True)
class Holdings:
    """Everything of one garden folder that passed the checks."""

    garden: Garden
    places: dict[str, Place]
    trees: tuple[Tree, ...]
    journal: tuple[JournalEntry, ...]
    readings: tuple[PlaceReading, ...] = ()
    """Of thermometers at places, oldest first."""
    slips: tuple[Fault, ...] = ()
    """Rows of loggers' files that were left out: said, but no reason to leave anything else out."""

    def tree(self, tree_id: str) -> Tree:
        """Return the tree ``tree_id``; ``KeyError`` if the garden has none."""
        for tree in self.trees:
            if tree.id == tree_id:
                return tree
        raise KeyError(tree_id)

    def journal_of(self, tree_id: str) -> tuple[JournalEntry, ...]:
        """Return the lines of one tree, oldest first."""
        lines = [entry for entry in self.journal if entry.tree_id == tree_id]
        return tuple(sorted(lines, key=lambda entry: (entry.at_utc, entry.order)))
