"""First and last frost of past winters at the bench, and how likely a date is.

A winter is named by the year in which it begins (1 August, in the south 1 February). A winter without
frost counts as one; a winter in which a frost may hide in a gap, or that the record cuts short, does not.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace
from datetime import date, timedelta
from functools import lru_cache

import numpy as np

from advisor.physics.missing import longest_run, reduce_over
from advisor.units import NumberTable
from advisor.weather.climate import Climate, WhichFrost

__all__ = ["FrostDates", "cool_dates", "frost_dates", "winter_of_season"]

_LEAPLESS = 2001
"""Any year without a leap day, to turn a day of the year into a date."""


@dataclass(frozen=True, slots=True)
class FrostDates:
    """First (or last) frosts of the winters known.

    Attributes
    ----------
    which : {"first", "last"}
    winters : tuple of int
        Years in which these winters began.
    after_d : tuple of int or None
        Days from the winter's beginning to the frost; None where the winter had no frost.
    begins : (month, day)
    """

    which: WhichFrost
    winters: tuple[int, ...]
    after_d: tuple[int | None, ...]
    begins: tuple[int, int]

    @property
    def frost_free(self) -> int:
        """Winters without any frost."""
        return sum(after is None for after in self.after_d)

    def date_in(self, winter: int, after_d: int) -> date:
        """Return the date so many days after the beginning of a winter."""
        return date(winter, *self.begins) + timedelta(days=after_d)

    def date_of(self, share: float, winter: int) -> date | None:
        """Return the date reached by a share of winters, in the winter that begins in ``winter``.

        Parameters
        ----------
        share : float
            First frost: in this share of winters it came by then, in the rest later or not at all. Last
            frost: in this share of winters it was over by then.
        winter : int

        Returns
        -------
        date or None
            Rounded to the side of more frost. None where it is a winter without frost that stands there, or
            where no winter is known.

        Source: type-8 quantile (Hyndman and Fan 1996) with winters without frost beyond every date (first
        frost) or before every date (last frost). Checked: tests/weather/test_climate_frost.py.
        """
        if not self.after_d:
            return None
        beyond = math.inf if self.which == "first" else -math.inf
        ordered = sorted(beyond if after is None else float(after) for after in self.after_d)
        place = min(max((len(ordered) + 1.0 / 3.0) * share + 1.0 / 3.0, 1.0), float(len(ordered)))
        lower, upper = ordered[math.floor(place) - 1], ordered[math.ceil(place) - 1]
        if math.isinf(lower) and math.isinf(upper):
            return None
        if math.isinf(lower) or math.isinf(upper):
            after = upper if math.isinf(lower) else lower
        else:
            after = lower + (place - math.floor(place)) * (upper - lower)
        days = math.floor(after + 1e-9) if self.which == "first" else math.ceil(after - 1e-9)
        return self.date_in(winter, days)

    def share_until(self, day: date, winter: int) -> float | None:
        """Share of winters whose frost had come (last frost: was over) by ``day``; None if unknown."""
        if not self.after_d:
            return None
        passed = (day - date(winter, *self.begins)).days
        free = self.which == "last"
        come = sum(free if after is None else after <= passed for after in self.after_d)
        return come / len(self.after_d)


def winter_of_season(climate: Climate, day: date) -> int:
    """Return the winter that ends the growing season of ``day``; the one before it began it."""
    return climate.season_year(day) + (1 if climate.southern else 0)


def _begins(climate: Climate, numbers: NumberTable) -> tuple[int, int]:
    key = "winter.begins_south" if climate.southern else "winter.begins_north"
    first = date(_LEAPLESS, 1, 1) + timedelta(days=round(numbers.value(key, "day of year")) - 1)
    return first.month, first.day


def frost_dates(
    climate: Climate, which: WhichFrost, bench_offset_k: float, numbers: NumberTable
) -> FrostDates:
    """Gather the first or last frosts of the winters of a climate.

    Parameters
    ----------
    climate : Climate
    which : {"first", "last"}
    bench_offset_k : float
        What the bench adds to the screen's minimum in such a night; negative where it is colder.
    numbers : NumberTable
        config/climate.toml.

    Returns
    -------
    FrostDates
        Without winters where fewer than ``record.years_least`` are known: nothing can be said.

    Source: frost day as ETCCDI FD; winters from 1 August as NCEI (from memory). Checked:
    tests/weather/test_climate_frost.py, tests/published/test_climate_indices.py.
    """
    found = _known_frosts(
        climate,
        which,
        numbers.value("winter.frost_below", "degC") - bench_offset_k,
        _begins(climate, numbers),
        numbers.value("record.coverage_least", "share"),
        numbers.value("record.winter_gap_most", "d"),
    )
    if len(found.winters) < numbers.value("record.years_least", "count"):
        return FrostDates(which, (), (), found.begins)
    return found


def cool_dates(climate: Climate, numbers: NumberTable) -> FrostDates:
    """Gather, for each winter known, the day that ends its first week with a mean minimum below a limit.

    Rows ``season.cool_below`` and ``season.cool_week`` of config/climate.toml; screen air. As ``frost_dates``
    otherwise; None where a winter has no such week.

    Source: estimate, for gardens without frost. Checked: tests/advice/test_season_climate.py.
    """
    days = round(numbers.value("season.cool_week", "d"))
    offset_k = numbers.value("winter.frost_below", "degC") - numbers.value("season.cool_below", "degC")
    return frost_dates(_by_week(climate, days), "first", offset_k, numbers)


@lru_cache(maxsize=8)
def _by_week(climate: Climate, days: int) -> Climate:
    """Return the climate with the mean minimum of the days that end with each; NaN where one is missing."""
    means = np.full(climate.minimum_c.shape, np.nan)
    if means.size >= days:
        means[days - 1 :] = np.lib.stride_tricks.sliding_window_view(climate.minimum_c, days).mean(axis=1)
    return replace(climate, minimum_c=means)


@lru_cache(maxsize=64)
def _known_frosts(
    climate: Climate,
    which: WhichFrost,
    below_c: float,
    begins: tuple[int, int],
    coverage: float,
    gap_most_d: float,
) -> FrostDates:
    """Every winter of which the frost asked for is known."""
    winters: list[int] = []
    after: list[int | None] = []
    if not climate.day.size:
        return FrostDates(which, (), (), begins)
    origin = climate.day[0]
    years = range(climate.day[0].astype(object).year - 1, climate.day[-1].astype(object).year + 1)
    for year in years:
        start, end = np.datetime64(date(year, *begins)), np.datetime64(date(year + 1, *begins))
        low, high = (int((edge - origin).astype(np.int64)) for edge in (start, end))
        if low < 0 or high > climate.day.size:
            continue  # a winter cut short would count only if its frost happened to come before the cut
        values = climate.minimum_c[low:high]
        with np.errstate(invalid="ignore"):
            frosts = np.flatnonzero(values < below_c)
        if not frosts.size:
            before_it = values
        elif which == "first":
            before_it = values[: frosts[0] + 1]
        else:
            before_it = values[frosts[-1] :]
        if _is_known(before_it, coverage, gap_most_d):
            winters.append(year)
            place = None if not frosts.size else int(frosts[0] if which == "first" else frosts[-1])
            after.append(place)
    return FrostDates(which, tuple(winters), tuple(after), begins)


def _is_known(values: np.ndarray, coverage: float, gap_most_d: float) -> bool:
    """Whether no frost can hide in these days: enough of them known, and no long gap."""
    missing = np.isnan(values).astype(np.float64)
    share = float(reduce_over(np.where(missing > 0.0, np.nan, 1.0), "sum", minimum_coverage=0.0).coverage)
    return share >= coverage and float(longest_run(missing).value) <= gap_most_d
