"""Which numbers move the advice, in words for a narrow screen and as JSON."""

from __future__ import annotations

import textwrap
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import tzinfo
from typing import Any

from advisor.advice.sensitivity import EndEffect, RowEffect, Sensitivity
from advisor.message.json_out import utc_text

__all__ = ["SensitivityView", "sensitivity_object", "sensitivity_text"]

WIDTH = 72
"""Of a phone held upright."""
_NAMED = 8
"""Rows without a range that are named in the text."""
_UNITS = {"degC": "°C", "1": "", "share": "", "count": "", "W/m2": "W/m²", "d": "days"}


@dataclass(frozen=True, slots=True)
class SensitivityView:
    """A result, and whose it is."""

    garden: str
    zone: tzinfo
    weather: str
    """Source of the weather."""
    result: Sensitivity


def _wrap(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(
        text,
        WIDTH,
        initial_indent=first,
        subsequent_indent=rest,
        break_long_words=False,
        break_on_hyphens=False,
    )


def _count(count: int, word: str) -> str:
    return f"{count} {word}" if count == 1 else f"{count} {word}s"


def _number(value: float, unit: str = "") -> str:
    return f"{value:g} {_UNITS.get(unit, unit)}".strip()


def _range(row: RowEffect) -> str:
    low, high = row.number.low, row.number.high
    if low is None or high is None:
        return f"from {_number(low)}" if low is not None else f"up to {_number(high or 0.0)}"
    return f"{_number(low)} to {_number(high)}"


def _end(row: RowEffect, end: EndEffect) -> str:
    """One end of a range: what becomes more and fewer, by kind, most first."""
    parts = []
    for kind in sorted(end.days, key=lambda kind: (-end.days[kind], kind)):
        change = end.changes[kind]
        counts = [
            f"{count} {word}"
            for count, word in ((change.more, "more"), (change.fewer, "fewer"), (change.other, "otherwise"))
            if count
        ]
        parts.append(f"{kind} on {end.days[kind]} ({', '.join(counts)})")
    for amount, unit, what in ((end.litres, "l", "water"), (end.shade_h, "h", "shade")):
        if abs(amount) >= 0.05:
            parts.append(f"{abs(amount):.1f} {unit} {'more' if amount > 0 else 'less'} {what}")
    return f"at {_number(end.value, row.number.unit)}: {'; '.join(parts) or 'nothing'}"


def _row(place: int, row: RowEffect) -> list[str]:
    head = f"{place:>2}. {_number(round(row.score, 1))}  {row.row}"
    value = f"{_number(row.number.value, row.number.unit)} ({_range(row)}), {row.number.evidence}"
    return [
        _wrap(head, "", "    "),
        _wrap(value, "    ", "    "),
        *(_wrap(_end(row, end), "    ", "      ") for end in row.ends),
        _wrap(f"Measure: {row.measure}", "    ", "      "),
        "",
    ]


def sensitivity_text(view: SensitivityView, top: int) -> str:
    """Return the ``top`` rows that move the advice most, with what to measure."""
    result = view.result
    days = [f"{at.astimezone(view.zone):%Y-%m-%d}" for at in result.mornings]
    span = f", {days[0]} to {days[-1]}" if len(days) > 1 else "".join(f", {day}" for day in days)
    out = [
        _wrap(
            f"{view.garden}: {_count(result.trees, 'tree')} on {_count(len(days), 'morning')}{span}, weather "
            f"{view.weather}. {len(result.rows)} numbers were in use and varied over their range, one at a "
            "time."
        ),
        _wrap(
            "Score: tree-mornings told otherwise at one end or the other; a warning counts twice, a "
            "question half. 'More' and 'fewer' count measures tree by tree, for work the kinds that suit."
        ),
        "",
    ]
    if not result.complete:
        out.insert(0, _wrap(f"Stopped after {len(days)} of {result.asked_mornings} mornings; so far:"))
    moving = [row for row in result.rows if row.score > 0.0]
    for place, row in enumerate(moving[:top], 1):
        out += _row(place, row)
    quiet = len(result.rows) - len(moving)
    if len(moving) > top:
        out.append(_wrap(f"{len(moving) - top} more moved some advice (--top N shows them)."))
    out.append(_wrap(f"{quiet} moved none on these mornings."))
    if result.no_range:
        named = "; ".join(result.no_range[:_NAMED])
        rest = len(result.no_range) - _NAMED
        more = f"; and {rest} more (--json names all)" if rest > 0 else ""
        out.append(_wrap(f"In use, but no range stated, so not varied: {named}{more}.", "", "  "))
    return "\n".join(out) + "\n"


def sensitivity_object(view: SensitivityView, top: int | None) -> dict[str, Any]:
    """Return ``sensitivity/1``: every row that was varied, or the first ``top``."""
    result = view.result
    rows: Sequence[RowEffect] = result.rows if top is None else result.rows[:top]
    return {
        "schema": "sensitivity/1",
        "garden": view.garden,
        "weather": view.weather,
        "mornings": [utc_text(at) for at in result.mornings],
        "asked_mornings": result.asked_mornings,
        "complete": result.complete,
        "trees": result.trees,
        "varied": len(result.rows),
        "rows": [_row_object(row) for row in rows],
        "no_range": list(result.no_range),
        "failures": list(result.failures),
    }


def _row_object(row: RowEffect) -> Mapping[str, Any]:
    return {
        "row": row.row,
        "value": row.number.value,
        "unit": row.number.unit,
        "evidence": row.number.evidence,
        "low": row.number.low,
        "high": row.number.high,
        "score": row.score,
        "days": dict(row.days),
        "ends": [
            {
                "value": end.value,
                "days": dict(end.days),
                "changes": {
                    kind: {
                        "more": change.more,
                        "fewer": change.fewer,
                        "other": change.other,
                        "trees": sorted(change.trees - {""}),
                    }
                    for kind, change in end.changes.items()
                },
                "litres": round(end.litres, 3),
                "shade_h": round(end.shade_h, 2),
            }
            for end in row.ends
        ],
        "measure": row.measure,
    }
