"""How far this source's forecasts are off at this garden, by lead time and local hour.

Bias is the mean of forecast minus observation, the spread is the standard deviation about it, and
root mean square² = bias² + spread². Both are taken over what is left after gross outliers went, drawn
towards zero and towards the usual error of config/ where little is known, and used only from enough
days on.

Source: Wilks, Statistical Methods in the Atmospheric Sciences (scalar accuracy measures); outliers
after Iglewicz and Hoaglin 1993. Checked: tests/weather/test_forecast_error.py.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from datetime import date
from itertools import pairwise
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from advisor.physics.missing import FloatArray, as_float
from advisor.units import NumberTable
from advisor.weather.error_pairs import ComparedWith
from advisor.weather.spread import gust_error_share, temperature_error_sd_k

__all__ = [
    "HOURS_A_CLASS",
    "LEAD_EDGES_H",
    "Correction",
    "ErrorStat",
    "ForecastError",
    "error_from_json",
    "error_to_json",
    "learned_days",
    "learned_gust_share",
    "learned_temperature_k",
    "trust",
    "without_corrections",
]

LEAD_EDGES_H: tuple[int, ...] = (0, 24, 48, 96, 168, 240)
"""Lead time classes [h], from each to before the next."""
HOURS_A_CLASS = 3
"""Width of a class of local hours; the first begins at midnight."""
LEADS = len(LEAD_EDGES_H) - 1
HOUR_CLASSES = 24 // HOURS_A_CLASS


@dataclass(frozen=True, slots=True)
class ErrorStat:
    """One class: hours (or days) counted, on how many local days, bias and spread [K or share].

    ``bias`` and ``spread`` are NaN where nothing was counted.
    """

    count: int
    days: int
    bias: float
    spread: float

    @property
    def root_mean_square(self) -> float:
        """Of the error as it is, bias and all."""
        return math.hypot(self.bias, self.spread)


@dataclass(frozen=True, slots=True)
class Correction:
    """A class in which taking the bias off was shown to help on days that it was not learned from.

    Attributes
    ----------
    bias_k : float
        What is taken off the forecast [K].
    days : int
        Local days it was learned from.
    before_k, after_k : float
        Mean absolute error on the later days without and with the correction learned on the earlier.
    """

    bias_k: float
    days: int
    before_k: float
    after_k: float


@dataclass(frozen=True, slots=True)
class ForecastError:
    """What was learned of one source at one garden.

    Attributes
    ----------
    source : str
    compared_with : {"station", "own-past"}
        ``own-past``: what the service said of the hours afterwards, which is no observation.
    reference : str
        Name of the station, or empty.
    first_day, last_day : date
        Local days of the hours compared.
    hourly : tuple of tuple of ErrorStat, (lead class, hour class)
        Air temperature [K].
    by_lead, maximum, minimum : tuple of ErrorStat, (lead class,)
        Air temperature of all hours, of each day's highest and lowest [K].
    wind, gust : tuple of ErrorStat, (lead class,)
        Shares of the forecast.
    corrections : tuple of tuple of Correction or None, (lead class, hour class)
        None where none was shown to help.
    refused : int
        Hours left out because no forecast is so wrong.
    """

    source: str
    compared_with: ComparedWith
    reference: str
    first_day: date
    last_day: date
    hourly: tuple[tuple[ErrorStat, ...], ...]
    by_lead: tuple[ErrorStat, ...]
    maximum: tuple[ErrorStat, ...]
    minimum: tuple[ErrorStat, ...]
    wind: tuple[ErrorStat, ...]
    gust: tuple[ErrorStat, ...]
    corrections: tuple[tuple[Correction | None, ...], ...]
    refused: int


def without_corrections(error: ForecastError) -> ForecastError:
    """Return ``error`` for a garden that takes forecasts as they come."""
    none: tuple[Correction | None, ...] = (None,) * HOUR_CLASSES
    return replace(error, corrections=(none,) * LEADS)


# --- the spread ----------------------------------------------------------------------------------------

_CENTRES_H = [(begin + end) / 2.0 for begin, end in pairwise(LEAD_EDGES_H)]


def trust(days: int, numbers: NumberTable) -> float:
    """Weight 0..1 of what so many days say against the usual: days / (days + ``forecast_error.trust``)."""
    return days / (days + numbers.value("forecast_error.trust", "d"))


def _enough(stat: ErrorStat, numbers: NumberTable) -> bool:
    return stat.days >= numbers.value("forecast_error.enough", "d")


def _mixed(stat: ErrorStat, left_bias: float, own_past: float, usual: float, numbers: NumberTable) -> float:
    """Spread of one class; variances are mixed, the bias that is left counts as error."""
    if not _enough(stat, numbers):
        return usual
    weight = trust(stat.days, numbers)
    square = stat.spread**2 + left_bias**2 + own_past**2
    return math.sqrt(weight * square + (1.0 - weight) * usual**2)


def learned_temperature_k(
    error: ForecastError | None, lead_h: ArrayLike, local_hour: ArrayLike, numbers: NumberTable
) -> FloatArray:
    """Return the standard error of an hourly air temperature about the forecast as it is used [K].

    Parameters
    ----------
    error : ForecastError or None
        None: the usual error of config/.
    lead_h : float array
        Hours from the making of the forecast.
    local_hour : int array, same shape
        0..23, garden-local.
    numbers : NumberTable
        Rows ``spread.*`` and ``forecast_error.*``.

    Returns
    -------
    float array, same shape
        Learned where the class has ``forecast_error.enough`` days, linear between the middles of the
        lead classes. A bias that is not corrected counts as error. Where the service's own past was the
        measure, the usual error of such a past is added, in squares.

    Source: root mean square² = bias² + spread² (Wilks).
    """
    usual = temperature_error_sd_k(lead_h, numbers)
    if error is None:
        return usual
    place = np.asarray(local_hour) % 24 // HOURS_A_CLASS
    own = 0.0 if error.compared_with == "station" else numbers.value("forecast_error.own_past", "K")
    at_centres = temperature_error_sd_k(_CENTRES_H, numbers).tolist()
    for here in np.unique(place).tolist():
        stats = [row[here] for row in error.hourly]
        if not any(_enough(stat, numbers) for stat in stats):
            continue
        corrections = [row[here] for row in error.corrections]
        widths = [
            _mixed(stat, stat.bias - (0.0 if one is None else one.bias_k), own, centre, numbers)
            for stat, one, centre in zip(stats, corrections, at_centres, strict=True)
        ]
        usual = np.where(place == here, np.interp(as_float(lead_h), _CENTRES_H, widths), usual)
    return usual


def learned_gust_share(error: ForecastError | None, lead_h: ArrayLike, numbers: NumberTable) -> FloatArray:
    """Return the standard error of a gust as a share of the forecast; see ``learned_temperature_k``."""
    if error is None or not any(_enough(stat, numbers) for stat in error.gust):
        return gust_error_share(lead_h, numbers)
    own = 0.0 if error.compared_with == "station" else numbers.value("forecast_error.own_past_share", "share")
    widths = [
        _mixed(stat, stat.bias, own, centre, numbers)
        for stat, centre in zip(error.gust, gust_error_share(_CENTRES_H, numbers).tolist(), strict=True)
    ]
    return as_float(np.interp(as_float(lead_h), _CENTRES_H, widths))


def learned_days(error: ForecastError | None, numbers: NumberTable) -> int:
    """Days that the learned spread of the first day rests on; 0 where the usual error is used."""
    if error is None or not any(_enough(stat, numbers) for row in error.hourly for stat in row):
        return 0
    return max(stat.days for stat in error.by_lead)


# --- as JSON -------------------------------------------------------------------------------------------

_SCHEMA = "forecast-error/1"


def _stat_out(stat: ErrorStat) -> list[float | int | None]:
    return [stat.count, stat.days, *(None if math.isnan(x) else x for x in (stat.bias, stat.spread))]


def _stat_back(row: list[Any]) -> ErrorStat:
    count, days, bias, spread = row
    return ErrorStat(
        int(count),
        int(days),
        math.nan if bias is None else float(bias),
        math.nan if spread is None else float(spread),
    )


_BY_LEAD = ("by_lead", "maximum", "minimum", "wind", "gust")


def error_to_json(error: ForecastError) -> dict[str, Any]:
    """Return ``error`` as JSON can hold it; NaN becomes null."""
    return {
        "schema": _SCHEMA,
        "source": error.source,
        "compared_with": error.compared_with,
        "reference": error.reference,
        "first_day": error.first_day.isoformat(),
        "last_day": error.last_day.isoformat(),
        "refused": error.refused,
        "hourly": [[_stat_out(stat) for stat in row] for row in error.hourly],
        **{name: [_stat_out(stat) for stat in getattr(error, name)] for name in _BY_LEAD},
        "corrections": [
            [None if one is None else [one.bias_k, one.days, one.before_k, one.after_k] for one in row]
            for row in error.corrections
        ],
    }


def error_from_json(data: Mapping[str, Any]) -> ForecastError:
    """Return what ``error_to_json`` wrote.

    Raises
    ------
    ValueError
        Of another schema, or damaged.
    """
    try:
        if data["schema"] != _SCHEMA:
            raise ValueError(f"learned errors are of schema {data['schema']!r}, this program reads {_SCHEMA}")
        hourly = tuple(tuple(_stat_back(stat) for stat in row) for row in data["hourly"])
        corrections = tuple(
            tuple(
                None if one is None else Correction(float(one[0]), int(one[1]), float(one[2]), float(one[3]))
                for one in row
            )
            for row in data["corrections"]
        )
        leads = {name: tuple(_stat_back(stat) for stat in data[name]) for name in _BY_LEAD}
        rows = (hourly, corrections, *leads.values())
        if any(len(row) != LEADS for row in rows) or any(
            len(row) != HOUR_CLASSES for row in (*hourly, *corrections)
        ):
            raise ValueError("learned errors are damaged: wrong number of classes")
        return ForecastError(
            source=str(data["source"]),
            compared_with=data["compared_with"],
            reference=str(data["reference"]),
            first_day=date.fromisoformat(data["first_day"]),
            last_day=date.fromisoformat(data["last_day"]),
            hourly=hourly,
            corrections=corrections,
            refused=int(data["refused"]),
            **leads,
        )
    except (KeyError, TypeError, IndexError) as error:
        raise ValueError(f"learned errors are damaged: {error!r}") from None
