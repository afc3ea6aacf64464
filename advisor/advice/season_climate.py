"""What past years say of this season: first frost at the benches, and warmth still to come.

The one door from a climate to advice. Which share of past years may fall short follows the grower's
caution word; where there is no climate the table by latitude and height answers, and says so.
"""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

from advisor.advice.model import Caution, SeasonEnd, Situation
from advisor.exposure.places import clear_night_offset_k
from advisor.garden.model import Holdings, Place
from advisor.garden.tables import Tables
from advisor.units import NumberTable
from advisor.weather.climate import Climate, climate_text
from advisor.weather.climate_frost import cool_dates, frost_dates, winter_of_season
from advisor.weather.climate_warmth import WarmthLeft, warmth_to_come
from advisor.weather.season import season_end_estimate

__all__ = ["PastWarmth", "bench_offset_k", "missed_share", "past_warmth", "season_end", "years_in_words"]

SHARES_TOLD = (0.1, 0.2, 0.5)
"""Shares of winters for which dates are given beside the one that counts."""


def missed_share(caution: Caution, climate_numbers: NumberTable) -> float:
    """Share of past years that may have fallen short of what is counted on, by the caution word."""
    row = climate_numbers["season.missed_share"]
    chosen = {"cautious": row.low, "even": row.value, "bold": row.high}[caution]
    return row.value if chosen is None else chosen


def years_in_words(share: float) -> str:
    """``in 4 of 5 years`` for 0.8, in the smallest whole numbers up to ten."""
    parts = min(range(2, 11), key=lambda n: (abs(round(share * n) / n - share) > 0.005, n))
    count = round(share * parts)
    return "in every year" if count == parts else f"in {count} of {parts} years"


def bench_offset_k(holdings: Holdings, tables: Tables) -> float:
    """What the benches add to the screen's minimum in a night of first or last frost [K].

    The outdoor place where most trees are at home speaks for the garden, the colder one among equals; a
    garden without such a place is taken as an open bench of usual height.
    """
    share = tables.climate.value("bench.clear_night_share", "share")
    indoors = tables.physics.value("bench.indoor_level", "count")
    outdoors = [place for place in holdings.places.values() if place.shelter_level < indoors]
    if not outdoors:
        height_m = tables.physics.value("night_cooling.bench_height_m", "m")
        outdoors = [Place("bench", "bench", height_m=height_m)]
    at_home = {place.id: 0 for place in outdoors}
    for tree in holdings.trees:
        if tree.place_id in at_home:
            at_home[tree.place_id] += 1
    most = max(at_home.values())
    return min(clear_night_offset_k(place, tables, share) for place in outdoors if at_home[place.id] == most)


def season_end(
    holdings: Holdings, day: date, climate: Climate | None, caution: Caution, tables: Tables
) -> SeasonEnd:
    """Say when the season of ``day`` ends by frost at the benches; the date may have passed.

    Parameters
    ----------
    climate : Climate or None
        None, or one with too few winters known: the estimate by latitude and height answers.
    caution : {"cautious", "even", "bold"}
        Even: the date that a fifth of past winters had reached.

    Source: past winters of a station; without, config/climate.toml. Checked:
    tests/advice/test_season_climate.py.
    """
    found = None if climate is None else _from_climate(holdings, day, climate, caution, tables)
    if found is not None:
        return found
    garden = holdings.garden
    estimate = season_end_estimate(garden.latitude_deg, garden.elevation_m, day, tables.climate)
    return SeasonEnd(estimate.first_frost, estimate.known, estimate.text, estimate.source)


def _from_climate(
    holdings: Holdings, day: date, climate: Climate, caution: Caution, tables: Tables
) -> SeasonEnd | None:
    numbers = tables.climate
    offset_k = bench_offset_k(holdings, tables)
    dates = frost_dates(climate, "first", offset_k, numbers)
    if not dates.winters:
        return None
    share, winter = missed_share(caution, numbers), winter_of_season(climate, day)
    frost = dates.date_of(share, winter)
    station = climate_text(climate, len(dates.winters))
    if len(dates.winters) < numbers.value("record.years_full", "count"):
        station = f"only {station}"
    often = years_in_words(1.0 - share)
    source = f"{numbers.source('season.missed_share')}; daily record of {climate.station.name}"
    if frost is None:
        free = f"{dates.frost_free} of {len(dates.winters)} winters had no frost at your benches"
        text = f"{free} ({station})"
    else:
        text = f"{often} the first frost at your benches came on {frost.day} {frost:%B} or later ({station})"
    cool = None if frost is not None else cool_dates(climate, numbers).date_of(share, winter)
    if cool is not None:
        limit, week = (
            numbers.value(f"season.cool_{key}", unit) for key, unit in (("below", "degC"), ("week", "d"))
        )
        text += f"; {often} {week:.0f} nights in a row first fell under {limit:.0f} °C on average on"
        text += f" {cool.day} {cool:%B} or later"
    return SeasonEnd(
        first_frost=frost,
        cool_from=cool,
        known="none" if frost is None else "climate",
        text=text,
        source=source,
        chance=dates.share_until(frost, winter) if frost is not None else share,
        by_share=tuple((told, dates.date_of(told, winter)) for told in SHARES_TOLD),
        last_frost=frost_dates(climate, "last", offset_k, numbers).date_of(1.0 - share, winter - 1),
        winters=len(dates.winters),
    )


@dataclass(frozen=True, slots=True)
class PastWarmth:
    """Degree days still to come, by past years, for one base and one length of day.

    Attributes
    ----------
    seasons : WarmthLeft
    share : float
        Of past years that may have had less.
    often, station : str
        ``in 4 of 5 years``; ``28 years of Giessen, 12 km``.
    """

    seasons: WarmthLeft
    share: float
    often: str
    station: str

    def reached(self, day: date) -> float:
        """Degree days that were still to come from ``day`` on."""
        return self.seasons.reached(self.share, day)

    def last_day(self, needed_k_d: float, day: date) -> date:
        """Last day, in the season of ``day``, from which the needed degree days still came."""
        return self.seasons.last_day(needed_k_d, self.share, day)


def past_warmth(
    situation: Situation, base_temperature_c: float, day_length_limit_h: float
) -> PastWarmth | None:
    """Return the warmth of past seasons, or None where no climate can tell.

    Screen air at the garden's height; trees under glass have more.
    """
    asked = ("past_warmth", base_temperature_c, day_length_limit_h)
    return situation.once(asked, lambda: _past_warmth(situation, base_temperature_c, day_length_limit_h))


def _past_warmth(
    situation: Situation, base_temperature_c: float, day_length_limit_h: float
) -> PastWarmth | None:
    climate, numbers = situation.climate, situation.tables.climate
    if climate is None:
        return None
    seasons = warmth_to_come(climate, base_temperature_c, numbers, day_length_limit_h=day_length_limit_h)
    if seasons is None:
        return None
    share = missed_share(situation.caution, numbers)
    station = climate_text(climate, len(seasons.seasons))
    if len(seasons.seasons) < numbers.value("record.years_full", "count"):
        station = f"only {station}"
    return PastWarmth(seasons, share, years_in_words(1.0 - share), station)
