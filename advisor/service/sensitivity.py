"""Which number the advice hangs on: every estimate varied over its range, one at a time, on many mornings."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import replace
from datetime import UTC, date, datetime, time, timedelta
from zoneinfo import ZoneInfo

from advisor.advice.compare import differences
from advisor.advice.sensitivity import RowEffect, Sensitivity, Tally, ends_of, how_to_measure, row_effect
from advisor.garden.practice import practised
from advisor.garden.table_rows import matches_row, rows_of
from advisor.garden.tables import Tables
from advisor.service.evaluate import AlertSettings
from advisor.service.sensitivity_morning import Build, Morning
from advisor.units import Number
from advisor.weather.table import WeatherTable

__all__ = ["as_forecast", "mornings_between", "sensitivity"]

Report = Callable[[str], None]


class _Stopped(BaseException):
    """Somebody asked to end."""


VARIED = ("estimate", "from memory")
"""Evidence of the rows that are varied unless all are asked for."""
_POTS_AT_ONCE = 650
"""Pots run through the hours side by side: more of them cost memory and save little."""


def mornings_between(first: date, last: date, every_d: int, at: time, zone: ZoneInfo) -> tuple[datetime, ...]:
    """Return the mornings of every so many local days from ``first`` to ``last``, in UTC."""
    days = range(0, (last - first).days + 1, every_d)
    return tuple(datetime.combine(first + timedelta(days=n), at, zone).astimezone(UTC) for n in days)


def as_forecast(weather: WeatherTable, now_utc: datetime, ahead_d: float) -> WeatherTable:
    """Return what would have been known at ``now_utc``, had the forecast been perfect, and no more."""
    until = weather.index_at(now_utc + timedelta(days=ahead_d))
    return replace(
        weather.between(0, until),
        provenance=replace(weather.provenance, issued_at_utc=None, fetched_at_utc=now_utc),
        members={},
        seam_utc=now_utc,
    )


def sensitivity(
    build: Build,
    tables: Tables,
    weather: WeatherTable,
    mornings: Sequence[datetime],
    alerts: AlertSettings,
    *,
    every_row: bool = False,
    only: Sequence[str] = (),
    report: Report | None = None,
    stop: Callable[[], bool] = lambda: False,
) -> Sensitivity:
    """Vary each number over its stated range, one at a time, and count the advice that becomes another.

    Parameters
    ----------
    build : callable
        Tables in, holdings out: the garden as these tables fill it.
    weather : WeatherTable
        Complete; hours after a morning are its forecast, taken as perfect. Members are left aside.
    mornings : sequence of datetime
        Aware.
    every_row : bool
        True: published rows and common practice too, where they state a range.
    only : sequence of str
        Patterns of row names; empty for all.
    report : callable, optional
        Called with a line of progress.
    stop : callable
        Asked between variations; True ends it in order.

    Returns
    -------
    Sensitivity
        Rows that were read on some morning. Where it was stopped what is known by then:
        the mornings that were worked through, or the beginning of the first.
    """
    tables = practised(tables, build(tables).garden.practice)
    rows = rows_of(tables)
    ahead_d = tables.operation.value("service.forecast_days", "d")
    tallies: dict[str, Tally] = {}
    no_range: set[str] = set()
    failures: list[str] = []
    done: list[datetime] = []
    complete = True
    trees = len(build(tables).trees)

    def wanted(row: str) -> bool:
        chosen = not only or any(matches_row(row, pattern) for pattern in only)
        return chosen and (every_row or rows[row].evidence in VARIED)

    ordered = sorted(mornings)
    for place, now_utc in enumerate(ordered, 1):
        found: dict[str, Tally] = {}
        head = f"{now_utc:%Y-%m-%d}, morning {place} of {len(ordered)}"
        try:
            if report is not None:
                report(head)
            morning = Morning(build, tables, as_forecast(weather, now_utc, ahead_d), now_utc, alerts)
            chosen = [row for row in sorted(morning.read) if wanted(row)]
            no_range |= {row for row in chosen if _unranged(rows[row])}
            block = max(1, _POTS_AT_ONCE // max(trees, 1))
            changes = [(row, value) for row in chosen for value in ends_of(rows[row])]
            found |= {row: Tally() for row in chosen if not _unranged(rows[row])}
            for begin in range(0, len(changes), block):
                if report is not None and begin:
                    report(f"{head}: {begin} of {len(changes)} variations")
                morning.prepare(changes[begin : begin + block])
                for row, value in _until_stopped(changes[begin : begin + block], stop):
                    try:
                        varied = morning.with_row(row, value)
                    except Exception as error:  # noqa: BLE001 - named; the other rows go on
                        failures.append(f"{row} at {value:g} on {now_utc:%Y-%m-%d}: {error}")
                    else:
                        found[row].add(
                            value, now_utc, differences(morning.advice, varied, tables.sensitivity)
                        )
        except (KeyboardInterrupt, _Stopped):
            complete = False
            if not done:
                _merge(tallies, found)
            break
        except Exception as error:  # noqa: BLE001 - named; the other mornings go on
            failures.append(f"the morning of {now_utc:%Y-%m-%d} cannot be worked out: {error}")
        else:
            done.append(now_utc)
            _merge(tallies, found)
    effects = [
        row_effect(row, rows[row], tally, tables.sensitivity, how_to_measure(row, tables.measures))
        for row, tally in tallies.items()
    ]
    return Sensitivity(
        mornings=tuple(done),
        asked_mornings=len(ordered),
        trees=trees,
        rows=tuple(sorted(effects, key=_rank)),
        no_range=tuple(sorted(no_range)),
        failures=tuple(failures),
        complete=complete,
    )


def _until_stopped(
    changes: Sequence[tuple[str, float]], stop: Callable[[], bool]
) -> Iterator[tuple[str, float]]:
    for change in changes:
        if stop():
            raise _Stopped
        yield change


def _unranged(number: Number) -> bool:
    return number.low is None and number.high is None


def _rank(effect: RowEffect) -> tuple[float, str]:
    return -effect.score, effect.row


def _merge(tallies: dict[str, Tally], found: dict[str, Tally]) -> None:
    for row, tally in found.items():
        kept = tallies.setdefault(row, Tally())
        for value, differences_at in tally.by_end.items():
            for morning, difference in differences_at:
                kept.add(value, morning, difference)
