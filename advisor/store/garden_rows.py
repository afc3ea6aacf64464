"""The tables of garden.toml as the grower writes them, checked field by field.

Field descriptions are the words in which a slip is answered. Words that must be known (walls, media,
size classes ...) are looked up in the tables that arrive as validation context.
"""

from __future__ import annotations

import difflib
import re
from datetime import time
from typing import Annotated, Literal
from zoneinfo import ZoneInfo, available_timezones

from pydantic import AfterValidator, BeforeValidator, Field, ValidationInfo, field_validator
from pydantic_core import PydanticCustomError

from advisor.garden.tables import Tables
from advisor.store.toml_faults import StrictRow, clean_name, known_word, nearest, shown_value

__all__ = [
    "MONTHS",
    "CrownRow",
    "GardenRow",
    "Identifier",
    "PlaceRow",
    "PotRow",
    "PracticeRow",
    "TreeRow",
    "clock_time",
]

_ID = re.compile(r"[a-z0-9][a-z0-9-]{0,39}")
_CLOCK = re.compile(r"([01]?\d|2[0-3]):([0-5]\d)")


MONTHS = (
    "january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
    "november", "december",
)  # fmt: skip
_IN = "by the garden's clock"


def _slip(found: str, wanted: str) -> PydanticCustomError:
    return PydanticCustomError("grower_fault", "{found}; {wanted}", {"found": found, "wanted": wanted})


def _identifier(word: str) -> str:
    if word == "all":
        raise _slip('"all" means every tree', "another id")
    if not _ID.fullmatch(word):
        plain = re.sub(r"[^a-z0-9]+", "-", word.casefold()).strip("-")[:40]
        wanted = "lower-case letters, digits and hyphens, at most 40"
        raise _slip(f"{shown_value(word)} is not an id", f'write "{plain}": {wanted}' if plain else wanted)
    return word


Identifier = Annotated[str, AfterValidator(_identifier)]
"""Id of a tree or place: lower-case letters, digits, hyphens; not ``all``."""

Name = Annotated[str, AfterValidator(clean_name)]


def clock_time(value: object) -> time:
    """Return a time of day written as ``"HH:MM"``; raise the fault that pydantic carries otherwise."""
    if isinstance(value, time):
        raise _slip(f"{value} stands without quotes", f'write it in quotes: "{value:%H:%M}"')
    match = _CLOCK.fullmatch(value.strip()) if isinstance(value, str) else None
    if match is None:
        raise _slip(f"{shown_value(value)} is not a time of day", '"HH:MM" in quotes, 00:00 to 23:59')
    return time(int(match[1]), int(match[2]))


ClockTime = Annotated[time, BeforeValidator(clock_time)]
Share = Annotated[float, Field(ge=0.0, le=1.0)]
Side = Annotated[float, Field(gt=0.0, le=300.0)]


def _point(point: list[float]) -> list[float]:
    if len(point) != 2 or not 0 <= point[0] <= 360 or not 0 <= point[1] <= 90:
        raise _slip(shown_value(point), "[azimuth 0..360 from north clockwise, elevation 0..90] in degrees")
    return point


_STEP_AT_NORTH = 359.99
"""Where 0 and 360 are both given the horizon has a step there, and 360 is its western side."""

HorizonPoint = Annotated[list[float], AfterValidator(_point)]


def _zone(word: str) -> str:
    try:
        ZoneInfo(word)
    except (KeyError, ValueError, OSError) as error:  # which one depends on the system's zone files
        hit = nearest(word, available_timezones())
        known = f"did you mean '{hit}'? " if hit else ""
        raise _slip(
            f"{shown_value(word)} is not a time zone", f'{known}an IANA name such as "Europe/Berlin"'
        ) from error
    return word


class GardenRow(StrictRow):
    """``[garden]``."""

    name: Name = Field("Garden", description="the garden's name")
    latitude: float = Field(ge=-90, le=90, description="degrees, north positive, -90..90")
    longitude: float = Field(ge=-180, le=180, description="degrees, east positive, -180..180")
    elevation_m: float = Field(ge=-450, le=6000, description="metres above sea level")
    timezone: Annotated[str, AfterValidator(_zone)] = Field(description='IANA name such as "Europe/Berlin"')
    units: Literal["metric", "us"] = Field("metric", description="what is shown")
    watering_times: list[ClockTime] = Field(
        [time(7), time(13), time(19)],
        min_length=1,
        max_length=12,
        description='times of day such as ["07:00"]',
    )
    working_hours: list[ClockTime] = Field(
        [time(8), time(18)], min_length=2, max_length=2, description='from and until, ["08:00", "18:00"]'
    )
    works_per_day: int | None = Field(
        None, ge=1, le=50, description="trees a day for major work, a whole number 1..50"
    )
    light_works_per_day: int | None = Field(
        None, ge=1, le=100, description="trees a day for light work, a whole number 1..100"
    )
    major_works_per_season: int | None = Field(
        None, ge=1, le=2, description="major works on one tree in a season, 1 or 2"
    )
    former_trees: list[Identifier] = Field(
        [], description="ids of trees no longer owned, still in the journal"
    )

    @field_validator("working_hours")
    @classmethod
    def _in_order(cls, hours: list[time]) -> list[time]:
        if hours[0] >= hours[1]:
            raise _slip(f"{hours[0]:%H:%M} is not before {hours[1]:%H:%M}", "write the earlier hour first")
        return hours


class PracticeRow(StrictRow):
    """``[practice]``: where growers disagree."""

    defoliate_in_repotting_year: Literal["never", "vigorous"] = Field(
        "never", description="strip a tree in the year of its root work"
    )
    big_cuts: Literal["both", "summer", "late-winter"] = Field(
        "both", description="time of big cuts on trees that do not bleed"
    )
    bleeders_in_leaf_fall: Literal["never", "two-weeks"] = Field(
        "never", description="big cuts on bleeders after peak colour"
    )
    water_before_wiring: Literal["evening-before", "slightly-dry", "before-work"] = Field(
        "evening-before", description="water before wiring and bending"
    )
    feed_after_defoliation: Literal["new-leaves", "weeks", "throughout"] = Field(
        "new-leaves", description="feed after stripping and candle cutting"
    )
    feed_after_repotting: Literal["four-weeks", "three-weeks"] = Field(
        "four-weeks", description="first feed after root work"
    )
    lime_wood: Literal["dry", "wet"] = Field("dry", description="wood under lime-sulphur")
    seal: Literal["big-cuts", "thin-bark", "never"] = Field("big-cuts", description="cuts that are sealed")


class PlaceRow(StrictRow):
    """``[[place]]``."""

    id: Identifier = Field(description='a short id such as "south-bench"')
    name: Name | None = Field(None, description="the name shown")
    shade_fraction: Share = Field(0.0, description="share of sunlight taken away, 0..1")
    sky_view: Share = Field(1.0, description="share of the sky dome seen, 0..1")
    horizon: list[HorizonPoint] = Field(
        [], max_length=360, description="pairs of azimuth and elevation [degrees]"
    )
    wind_shelter: Share = Field(0.0, description="share of the wind taken away, 0..1")
    rain: Literal["open", "covered"] = Field("open", description="does rain reach the pots")
    ground: Literal["gravel", "paving", "grass", "boards"] = Field(
        "gravel", description="what lies under the pots"
    )
    height_m: float = Field(0.8, ge=0, le=200, description="of the pots above ground, metres")
    night_gain_c: float = Field(
        0.0, ge=-10, le=25, description="warmer than the open bench on a clear night, K"
    )
    shelter_level: int = Field(0, ge=0, le=5, description="0 open bench .. 5 frost-free room")
    room: int | None = Field(None, ge=0, description="pots it can hold")
    drip_l_per_h: float | None = Field(
        None, gt=0, le=60, description="litres an hour that a drip line gives each pot, above 0 to 60"
    )
    drip_minutes: float | None = Field(
        None, gt=0, le=240, description="minutes a timer runs the line at each watering time, above 0 to 240"
    )
    tray_l: float = Field(0.0, ge=0, le=50, description="litres that stay in the tray under each pot, 0..50")

    sun_in: str | None = Field(None, description='the month of sun, such as "june"')
    sun: list[ClockTime] | None = Field(
        None,
        min_length=2,
        max_length=2,
        validate_default=True,
        description='from and until when the sun reaches the place, ["08:00", "14:00"], instead of horizon',
    )
    thermometer: str | None = Field(None, description="file name of a logger's CSV in this folder")

    @field_validator("sun_in")
    @classmethod
    def _month(cls, word: str | None) -> str | None:
        return word if word is None else known_word(word, MONTHS, "month")

    @field_validator("sun")
    @classmethod
    def _described(cls, hours: list[time] | None, info: ValidationInfo) -> list[time] | None:
        month = info.data.get("sun_in", "")
        if hours is None:
            if month:
                raise _slip(
                    "sun_in stands without sun", f'write the hours too: sun = ["08:00", "14:00"], {_IN}'
                )
            return None
        if month is None:
            raise _slip(
                "sun stands without sun_in", f'write the month of these hours too: sun_in = "june", {_IN}'
            )
        if info.data.get("horizon"):
            raise _slip(
                "horizon and sun stand side by side", "keep one of the two: horizon if it was measured"
            )
        if hours[0] >= hours[1]:
            raise _slip(f"{hours[0]:%H:%M} is not before {hours[1]:%H:%M}", "write the earlier hour first")
        return hours

    @field_validator("thermometer")
    @classmethod
    def _in_folder(cls, name: str | None) -> str | None:
        if name is not None and (not name.strip() or "/" in name or "\\" in name or name.startswith(".")):
            raise _slip(
                f"{shown_value(name)} is not a plain file name",
                'a file beside garden.toml, such as "bench.csv"',
            )
        return name

    @field_validator("drip_minutes")
    @classmethod
    def _line_known(cls, minutes: float | None, info: ValidationInfo) -> float | None:
        if minutes is not None and "drip_l_per_h" in info.data and info.data["drip_l_per_h"] is None:
            raise _slip(
                "drip_minutes stands without drip_l_per_h",
                "write drip_l_per_h too, the litres an hour that the line gives each pot",
            )
        return minutes

    @field_validator("horizon")
    @classmethod
    def _sorted(cls, points: list[list[float]]) -> list[list[float]]:
        north = _STEP_AT_NORTH if any(azimuth == 0 for azimuth, _ in points) else 0.0
        turned = [[north if azimuth == 360 else azimuth, elevation] for azimuth, elevation in points]
        azimuths = [azimuth for azimuth, _ in turned]
        for azimuth in azimuths:
            if azimuths.count(azimuth) > 1:
                raise _slip(f"azimuth {azimuth:g} stands twice", "write each azimuth once")
        return sorted(turned)


def _tables(info: ValidationInfo) -> Tables:
    tables = (info.context or {}).get("tables")
    if not isinstance(tables, Tables):
        raise TypeError("rows of trees are validated with context={'tables': Tables}")
    return tables


class PotRow(StrictRow):
    """``pot = { ... }``."""

    shape: str | None = Field(None, description="shape seen from above")
    length_cm: Side | None = Field(None, description="outside, cm")
    width_cm: Side | None = Field(None, description="outside, cm")
    depth_cm: Side | None = Field(None, description="outside, cm")
    wall: str | None = Field(None, description="material")
    volume_l: float | None = Field(None, gt=0, le=2000, description="litres of medium it holds")

    @field_validator("shape")
    @classmethod
    def _known_shape(cls, word: str | None, info: ValidationInfo) -> str | None:
        return word if word is None else known_word(word, _tables(info).shapes, "shape")

    @field_validator("wall")
    @classmethod
    def _known_wall(cls, word: str | None, info: ValidationInfo) -> str | None:
        return word if word is None else known_word(word, _tables(info).walls, "wall")


class CrownRow(StrictRow):
    """``crown = { ... }``."""

    width_cm: float | None = Field(None, gt=0, le=1000, description="cm")
    height_cm: float | None = Field(None, gt=0, le=1000, description="cm")


class TreeRow(StrictRow):
    """``[[tree]]``."""

    id: Identifier = Field(description='a short id such as "ember"')
    name: Name | None = Field(None, description="the name shown")
    species: str = Field(description='botanical id such as "acer-palmatum"')
    place: str | None = Field(None, description="id of a place")
    size: str | None = Field(None, description="size class")
    pot: PotRow | None = Field(
        None, description="{ volume_l = 3 } or { shape, length_cm, width_cm, depth_cm, wall }"
    )
    substrate: str | None = Field(None, description="what is in the pot")
    crown: CrownRow | None = Field(None, description="{ width_cm = 45, height_cm = 38 }")
    strength: int | None = Field(None, ge=1, le=5, description="1 weak .. 5 strong")

    @field_validator("species")
    @classmethod
    def _known_species(cls, word: str, info: ValidationInfo) -> str:
        tables = _tables(info)
        names = sorted({name for group in tables.species.values() for name in group.species})
        if word in names:
            return word
        alike = [name for name in names if name.count("-") == word.count("-") > 0]
        slip = _close(word, alike)
        if slip is None and re.fullmatch(r"[a-z][a-z-]*", word) and tables.group_of(word) is not None:
            return word
        return known_word(word, [slip, *names] if slip else names, "species")

    @field_validator("size")
    @classmethod
    def _known_size(cls, word: str | None, info: ValidationInfo) -> str | None:
        return word if word is None else known_word(word, _tables(info).sizes, "size")

    @field_validator("substrate")
    @classmethod
    def _known_substrate(cls, word: str | None, info: ValidationInfo) -> str | None:
        return word if word is None else known_word(word, _tables(info).substrates, "substrate")


def _close(word: str, names: list[str]) -> str | None:
    """Return the name that ``word`` misspells by a letter or two; another species of the genus is no slip."""
    hits = difflib.get_close_matches(word, names, n=1, cutoff=0.9)
    return hits[0] if hits else None
