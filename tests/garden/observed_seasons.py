"""Observed dates and temperatures of the same places, and what the stage model says of them."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache
from pathlib import Path
from typing import Any
from zoneinfo import ZoneInfo

import numpy as np
import pandas as pd
from stations.station_reading import load_station

from advisor.garden.model import Garden
from advisor.garden.phenology import StageModel
from advisor.garden.state_model import Stage
from advisor.garden.tables import SpeciesGroup, Tables
from advisor.garden.warmth import Warmth, warmth_from_hours
from advisor.physics.degree_days import degree_days_single_sine
from advisor.store.config_files import load_tables
from advisor.units import Number, NumberTable

HERE = Path(__file__).parent
FIXTURES = HERE.parents[1] / "fixtures" / "phenology"
SERIES: dict[str, Any] = tomllib.loads((HERE / "observed_series.toml").read_text(encoding="utf-8"))
HARVARD: dict[str, Any] = tomllib.loads((HERE / "harvard_forest.toml").read_text(encoding="utf-8"))

# Places of the Korea Meteorological Administration: provenance of the fixture.
KOREA = {
    "seoul": (37.57, 126.97, 86.0),
    "chuncheon": (37.90, 127.74, 76.0),
    "daegu": (35.88, 128.65, 54.0),
    "jeonju": (35.84, 127.12, 61.0),
    "busan": (35.10, 129.03, 70.0),
    "jeju": (33.51, 126.53, 20.0),
}
_DAILY_RANGE_K = {"harvard": 11.0, "aspen": 14.0}
"""Range of a spring day where only its mean is known (PRISM normals of the sites, from memory)."""


@dataclass(frozen=True)
class Seen:
    """One observed date."""

    station: str
    day: date

    @property
    def held_out(self) -> bool:
        """Odd years are looked at only once, by the tests."""
        return self.day.year % 2 == 1

    @property
    def day_of_year(self) -> int:
        return self.day.timetuple().tm_yday


def warmth_of_days(days: Sequence[date], minimum_c: Any, maximum_c: Any) -> Warmth:
    """Warmth from daily extremes by the single sine (Baskerville and Emin 1969)."""
    low, high = np.asarray(minimum_c, dtype=float), np.asarray(maximum_c, dtype=float)
    mean = (low + high) / 2.0
    cold = np.where(np.isnan(mean), np.nan, (mean <= 5.0) * 1.0)
    return Warmth(
        tuple(days),
        np.asarray(degree_days_single_sine(low, high, 5.0)),
        np.asarray(degree_days_single_sine(low, high, 10.0)),
        mean,
        high,
        low,
        cold,
    )


def _whole(table: pd.DataFrame) -> pd.DataFrame:
    return table.reindex(pd.date_range(table.index[0], table.index[-1]))


@lru_cache(maxsize=16)
def korean_warmth(station: str) -> Warmth:
    table = _whole(pd.read_csv(FIXTURES / "korea" / f"{station}.csv.gz", parse_dates=["day"], index_col=0))
    days = [stamp.date() for stamp in table.index]
    return warmth_of_days(days, table["air_temperature_min_c"], table["air_temperature_max_c"])


@lru_cache(maxsize=256)
def _of_means(folder: str, series: str, site: int) -> Warmth:
    table = _means(folder)
    table = _whole(table[table["site"] == site].set_index("day"))
    mean, half = table["air_temperature_mean_c"].to_numpy(), _DAILY_RANGE_K[series] / 2.0
    return warmth_of_days([stamp.date() for stamp in table.index], mean - half, mean + half)


@lru_cache(maxsize=4)
def _means(folder: str) -> pd.DataFrame:
    return pd.read_csv(FIXTURES / folder / "temperature.csv.gz", parse_dates=["day"])


@lru_cache(maxsize=4)
def _observed(folder: str) -> pd.DataFrame:
    return pd.read_csv(FIXTURES / folder / "observed.csv.gz", parse_dates=["day"])


def seen(series: str, species: str, event: str) -> list[Seen]:
    """Observed dates of one species and event, oldest first within a station."""
    if series == "harvard" and species in HARVARD["species"]:
        days = HARVARD["species"][species]["bud_break" if event == "bud burst" else event]
        first = HARVARD["first_year"]
        return [Seen("1", date(first + n, 1, 1) + timedelta(days=day - 1)) for n, day in enumerate(days)]
    table = _observed("vaccinium" if series == "harvard" else series)
    table = table[(table["species"] == species) & (table["event"] == event)]
    if series == "harvard":  # four shrubs a year: their mean, as the other species have it
        table = table.groupby(table["day"].dt.year).agg(site=("site", "first"), day=("day", "mean"))
    place = "station" if series == "korea" else "site"
    return [Seen(str(row[place]), row["day"].date()) for _, row in table.iterrows()]


@lru_cache(maxsize=256)
def place(series: str, station: str) -> tuple[Garden, Warmth]:
    """Garden and warmth of a station of a series."""
    if series == "korea":
        return Garden(station, *KOREA[station], "Asia/Seoul"), korean_warmth(station)
    if series == "harvard":
        return Garden("Petersham", 42.54, -72.19, 350.0, "America/New_York"), _of_means(
            "vaccinium", series, 1
        )
    sites = pd.read_csv(FIXTURES / "aspen" / "sites.csv.gz").set_index("site")
    row = sites.loc[int(station)]
    garden = Garden(station, float(row["latitude_deg"]), float(row["longitude_deg"]), 500.0, "America/Denver")
    return garden, _of_means("aspen", series, int(station))


@lru_cache(maxsize=1)
def tables() -> Tables:
    return load_tables()


def own_group(leaf_out_gdd5: float, chill_need_d: float | None) -> SpeciesGroup:
    """A deciduous group of which nothing is known but its warmth, and its cold."""
    rows = {"leaf_out_gdd5": Number(leaf_out_gdd5, "K d", "estimate", "house")}
    if chill_need_d is not None:
        rows["chill_need_d"] = Number(chill_need_d, "d", "estimate", "house")
    return SpeciesGroup("own", "own", ("own",), "deciduous", NumberTable("test", rows))


def group_of(species: str) -> SpeciesGroup:
    found = tables().group_of(species)
    assert found is not None, species
    return found


def first_day(model: StageModel, stage: Stage, begin: date, days: int = 250) -> date:
    """First day on which the stage, or one after it, is reached; the end of the span where it never is.

    Stages only go forward within a season (asserted in test_phenology), so that halving finds it; after
    autumn comes rest.
    """
    later = [one for one in Stage if one.order >= stage.order]
    if stage.order >= Stage.AUTUMN_COLOUR.order:
        later.append(Stage.DORMANT)
    low, high = 0, days
    while low < high:
        middle = (low + high) // 2
        if model.on(begin + timedelta(days=middle), []).stage in later:
            high = middle
        else:
            low = middle + 1
    return begin + timedelta(days=low)


def bud_break(group: SpeciesGroup, series: str, one: Seen) -> date:
    garden, warmth = place(series, one.station)
    model = StageModel(group, garden, warmth, tables().phenology)
    return first_day(model, Stage.BUD_BREAK, date(one.day.year, 1, 1), 200)


def errors_d(group: SpeciesGroup, series: str, rows: Sequence[Seen]) -> np.ndarray:
    """Modelled less observed day of bud break [d]."""
    return np.array([(bud_break(group, series, one) - one.day).days for one in rows], dtype=float)


def fitted(series: str, rows: Sequence[Seen], chill_need_d: float | None) -> SpeciesGroup:
    """The one number of the series, by halving until half of the rows come too early and half too late."""
    low, high = 5.0, 1500.0
    for _ in range(12):
        middle = (low * high) ** 0.5
        if np.median(errors_d(own_group(middle, chill_need_d), series, rows)) < 0.0:
            low = middle
        else:
            high = middle
    return own_group((low * high) ** 0.5, chill_need_d)


def rmse(errors: np.ndarray) -> float:
    return float(np.sqrt(np.mean(errors**2)))


def mean_date_errors(train: Sequence[Seen], test: Sequence[Seen], *, pooled: bool = False) -> np.ndarray:
    """Errors [d] of the mean date of the even years, of each station or of all together."""
    everyone = np.mean([one.day_of_year for one in train])

    def known(station: str) -> float:
        own = [one.day_of_year for one in train if one.station == station]
        return float(np.mean(own)) if own and not pooled else float(everyone)

    return np.array([known(one.station) - one.day_of_year for one in test])


def shift_correlation(rows: Sequence[Seen], errors: np.ndarray) -> float:
    """Correlation of observed and modelled shifts from each station's own mean, all stations together."""
    observed = np.array([one.day_of_year for one in rows], dtype=float)
    modelled = observed + errors
    for station in {one.station for one in rows}:
        own = np.array([one.station == station for one in rows])
        observed[own] -= observed[own].mean()
        modelled[own] -= modelled[own].mean()
    return float(np.corrcoef(observed, modelled)[0, 1])


@lru_cache(maxsize=32)
def station_place(name: str, shift_k: float = 0.0) -> tuple[Garden, Warmth]:
    """Garden and warmth at a record of fixtures/stations.

    A record of one year lends its own months to the winter before and the year after, so that every
    season is whole; ``shift_k`` makes a place that much warmer.
    """
    record = load_station(name)
    zone = record.about["station"]["timezone"]
    garden = Garden(name, record.latitude_deg, record.longitude_deg, record.elevation_m, zone)
    if not record.hourly:
        table = _whole(record.table)
        low, high = (table[f"air_temperature_{end}_c"] + shift_k for end in ("min", "max"))
        return garden, warmth_of_days([stamp.date() for stamp in table.index], low, high)
    air = record.table["air_temperature_c"].to_numpy(dtype=float) + shift_k
    return garden, _lent(warmth_from_hours(record.start_utc, air, ZoneInfo(zone)))


def _lent(warmth: Warmth) -> Warmth:
    """Stretch to a year before and a year after, whose days are those of the record."""
    first, last = warmth.days[0] - timedelta(days=366), warmth.days[-1] + timedelta(days=366)
    days = [first + timedelta(days=step) for step in range((last - first).days + 1)]

    def row(day: date) -> int | None:
        for year in (day.year, day.year + 1, day.year - 1):
            try:
                found = warmth.index(day.replace(year=year))
            except ValueError:
                found = warmth.index(date(year, 2, 28))
            if found is not None:
                return found
        return None

    rows = [row(day) for day in days]
    pick: Callable[[np.ndarray], np.ndarray] = lambda values: np.array(  # noqa: E731
        [np.nan if one is None else values[one] for one in rows]
    )
    return replace(
        warmth,
        days=tuple(days),
        **{
            name: pick(getattr(warmth, name))
            for name in ("degree_days_5", "degree_days_10", "mean_c", "max_c", "min_c", "chill_days")
        },
    )
