"""A season of one tree on a sheet: state, heat and frost against limits, water, what was done and advised.

Text and HTML are made of the same ``SeasonSheet``; the picture is drawn by ``season_chart``.
"""

from __future__ import annotations

import base64
import math
import textwrap
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import date, timedelta
from functools import lru_cache
from typing import TYPE_CHECKING

from advisor.message.season_days import SheetDay
from advisor.message.words import plain, short_day
from advisor.units import DisplayUnits, shown

if TYPE_CHECKING:
    from jinja2 import Template

__all__ = ["Merging", "SeasonSheet", "Span", "sheet_html", "sheet_text", "spans_of"]

WIDTH = 96


@dataclass(frozen=True, slots=True)
class Span:
    """Something that held from one local day to another, both included."""

    first: date
    last: date
    text: str
    times: int = 1
    """On how many days it was said."""


@dataclass(frozen=True, slots=True)
class SeasonSheet:
    """What a sheet shows.

    Attributes
    ----------
    days : every local day, oldest first.
    actions : journal lines of the tree.
    warnings : mails that named it. advice : pieces of advice, each with the days it stood on.
    """

    garden: str
    units: DisplayUnits
    tree_id: str
    name: str
    species: str
    days: tuple[SheetDay, ...]
    actions: tuple[tuple[date, str], ...] = ()
    warnings: tuple[tuple[date, str], ...] = ()
    advice: tuple[Span, ...] = ()

    @property
    def title(self) -> str:
        """Heading of the sheet."""
        if not self.days:
            return f"{self.name}, {self.species}, {self.garden}"
        first, last = self.days[0].day, self.days[-1].day
        return f"{self.name}, {self.species}, {self.garden}: {_day(first)} to {_day(last)}"

    @property
    def stages(self) -> tuple[Span, ...]:
        """The state band: stages one after another."""
        return spans_of(self.days, lambda one: [f"{one.stage} ({one.stage_known})"])

    @property
    def flags(self) -> tuple[Span, ...]:
        """What ran beside the stages."""
        return spans_of(self.days, lambda one: [flag.replace("-", " ") for flag in one.flags])

    @property
    def places(self) -> tuple[Span, ...]:
        """Where the tree stood."""
        return spans_of(self.days, lambda one: [one.place])

    @property
    def findings(self) -> tuple[str, ...]:
        """The season in a few sentences: how often each limit was passed, and the extreme of each."""
        return tuple(_findings(self))


def spans_of(days: Sequence[SheetDay], words: Callable[[SheetDay], Sequence[str]]) -> tuple[Span, ...]:
    """Return the runs of days over which each word held, in order of their beginning."""
    running: dict[str, Span] = {}
    done: list[Span] = []
    for one in days:
        here = list(words(one))
        done += [running.pop(text) for text in list(running) if text not in here]
        for text in here:
            before = running.get(text)
            running[text] = (
                Span(one.day, one.day, text)
                if before is None
                else Span(before.first, one.day, text, before.times + 1)
            )
    return tuple(sorted([*done, *running.values()], key=lambda span: (span.first, span.last, span.text)))


class Merging:
    """Makes spans of measures said day after day, in the words of their first day; holds no more than spans.

    Days without a measure end its span only where there are more than ``gap_d`` of them.
    """

    def __init__(self, gap_d: int = 1) -> None:
        self._within = timedelta(days=gap_d + 1)
        self._open: dict[str, Span] = {}
        self._done: list[Span] = []

    def add(self, day: date, measure: str, text: str) -> None:
        """Take what was said on a day; days come in order."""
        before = self._open.get(measure)
        if before is not None and day - before.last <= self._within:
            more = before.times + (day != before.last)
            self._open[measure] = Span(before.first, day, before.text, more)
            return
        if before is not None:
            self._done.append(before)
        self._open[measure] = Span(day, day, text)

    def spans(self) -> tuple[Span, ...]:
        """Return all spans by their beginning."""
        found = [*self._done, *self._open.values()]
        return tuple(sorted(found, key=lambda span: (span.first, span.last, span.text)))


def _day(day: date) -> str:
    return f"{short_day(day)} {day.year}"


def _known(values: Sequence[float]) -> list[float]:
    return [value for value in values if not math.isnan(value)]


def _findings(sheet: SeasonSheet) -> list[str]:
    days, units = sheet.days, sheet.units
    out = []

    def passed(what: str, over: Sequence[float], peak: Sequence[float], *, low: bool = False) -> None:
        told = _known(over)
        if not told:
            out.append(f"{what}: no limit held, or nothing known.")
            return
        count = sum(1 for value in told if value > 0.0)
        known = [(value, one.day) for value, one in zip(peak, days, strict=True) if not math.isnan(value)]
        if not known:
            return
        extreme, on = min(known) if low else max(known)
        word = "lowest" if low else "highest"
        out.append(
            f"{what}: beyond the limit on {count} of {len(told)} days; {word} "
            f"{shown(extreme, 'degC', units)} on {_day(on)}."
        )

    passed("Leaf heat", [one.leaf_over_k for one in days], [one.leaf_max_c for one in days])
    core = [one.pot_core_max_c - one.pot_core_limit_c for one in days]
    passed("Ball heat", core, [one.pot_core_max_c for one in days])
    frost = [-one.frost_margin_k for one in days]
    passed("Frost on the bench", frost, [one.bench_min_c for one in days], low=True)
    roots = [-one.root_margin_k for one in days]
    passed("Cold roots", roots, [one.root_min_c for one in days], low=True)
    used = _known([one.water_use_l for one in days])
    left = [(one.water_left_min_share, one.day) for one in days if not math.isnan(one.water_left_min_share)]
    if used and left:
        least, on = min(left)
        litres = shown(sum(used), "l", units)
        out.append(
            f"Water: {litres} drawn on {len(used)} days, watered as advised or logged; least left "
            f"{shown(max(least, 0.0), 'share', units)} on {_day(on)}."
        )
    unknown = sum(1 for one in days if math.isnan(one.bench_min_c))
    if unknown:
        out.append(f"Weather was missing on {unknown} of {len(days)} days.")
    return out


# --- text ------------------------------------------------------------------------------------------


def _span_line(span: Span) -> str:
    when = _day(span.first) if span.first == span.last else f"{_day(span.first)} to {_day(span.last)}"
    days = (span.last - span.first).days + 1
    often = f", on {span.times} of {days} days" if span.times < days else ""
    return f"{when}: {plain(span.text)}{often}"


def _wrapped(text: str) -> str:
    return textwrap.fill(text, WIDTH, initial_indent="- ", subsequent_indent="  ", break_long_words=False)


def _sections(sheet: SeasonSheet) -> list[tuple[str, list[str]]]:
    return [
        ("Summary", list(sheet.findings)),
        ("State", [_span_line(span) for span in sheet.stages]),
        ("Running", [_span_line(span) for span in sheet.flags]),
        ("Place", [_span_line(span) for span in sheet.places]),
        ("Done and seen", [f"{_day(day)}: {plain(text)}" for day, text in sheet.actions]),
        ("Warned", [f"{_day(day)}: {plain(text)}" for day, text in sheet.warnings]),
        ("Advised", [_span_line(span) for span in sheet.advice]),
    ]


HEADER = (
    "Day", "State", "Leaf", "limit", "Ball", "limit", "Bench low", "limit", "Roots low", "limit",
    "Water left",
)  # fmt: skip


def _cells(one: SheetDay, units: DisplayUnits) -> tuple[str, ...]:
    def of(value: float, unit: str = "degC") -> str:
        return "" if math.isnan(value) else str(shown(value, unit, units))

    left = one.water_left_min_share
    return (
        one.day.isoformat(),
        one.stage,
        of(one.leaf_max_c),
        of(one.leaf_limit_c),
        of(one.pot_core_max_c),
        of(one.pot_core_limit_c),
        of(one.bench_min_c),
        of(one.frost_limit_c),
        of(one.root_min_c),
        of(one.root_limit_c),
        "" if math.isnan(left) else str(shown(max(left, 0.0), "share", units)),
    )


def sheet_text(sheet: SeasonSheet) -> str:
    """Return the sheet as text, lines ended by a line feed."""
    out = [plain(sheet.title), ""]
    for title, lines in _sections(sheet):
        out.append(title.upper())
        out += [_wrapped(line) for line in lines] or ["- nothing"]
        out.append("")
    rows = [HEADER, *(_cells(one, sheet.units) for one in sheet.days)]
    widths = [max(len(row[column]) for row in rows) for column in range(len(HEADER))]
    out.append("DAY BY DAY")
    out += [
        "  ".join(cell.ljust(width) for cell, width in zip(row, widths, strict=True)).rstrip() for row in rows
    ]
    return "\n".join(out) + "\n"


# --- page ------------------------------------------------------------------------------------------

_TEMPLATE = """\
<!DOCTYPE html>
<html lang="en">
<head>
<meta charset="utf-8">
<meta name="viewport" content="width=device-width, initial-scale=1">
<title>{{ title }}</title>
<style>
body { margin: 0 auto; padding: 12px; max-width: 1000px; font: 16px/1.45 system-ui, sans-serif;
       color: #1f241d; background: #ffffff; }
h1 { font-size: 20px; } h2 { font-size: 15px; color: #3d4a36; border-bottom: 1px solid #d5dad0; }
img { display: block; width: 100%; height: auto; } ul { padding-left: 18px; } li { margin: 3px 0; }
table { border-collapse: collapse; font-size: 13px; } td, th { text-align: left; padding: 2px 8px 2px 0; }
</style>
</head>
<body>
<h1>{{ title }}</h1>
{% if picture %}<img src="data:image/png;base64,{{ picture }}" alt="{{ finding }}">
{% endif %}
{% for name, lines in sections %}
<h2>{{ name }}</h2>
<ul>
{% for line in lines %}<li>{{ line }}</li>
{% else %}<li>nothing</li>
{% endfor %}</ul>
{% endfor %}
<details><summary>Day by day</summary>
<table>
<tr>{% for cell in header %}<th>{{ cell }}</th>{% endfor %}</tr>
{% for row in rows %}<tr>{% for cell in row %}<td>{{ cell }}</td>{% endfor %}</tr>
{% endfor %}</table>
</details>
</body>
</html>
"""


@lru_cache(maxsize=1)
def _template() -> Template:
    from jinja2 import Environment, StrictUndefined

    environment = Environment(
        autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    return environment.from_string(_TEMPLATE)


def sheet_html(sheet: SeasonSheet, png: bytes | None) -> str:
    """Return the sheet as a page that stands alone: the picture is inside it, nothing is loaded."""
    return _template().render(
        title=plain(sheet.title),
        picture=base64.b64encode(png).decode("ascii") if png else "",
        finding=" ".join(sheet.findings),
        sections=_sections(sheet),
        header=HEADER,
        rows=[_cells(one, sheet.units) for one in sheet.days],
    )
