"""A season sheet: runs of days, what is said of limits, the same in text and on the page, gaps said as gaps.

Days and numbers are invented; what must be said of them is written out by hand.
"""

from __future__ import annotations

import csv
import io
import math
import re
from dataclasses import replace
from datetime import date, timedelta
from html import unescape

import numpy as np
import pytest
from PIL import Image

from advisor.message.season_chart import season_picture
from advisor.message.season_days import DAY_COLUMNS, SheetDay, day_cells, day_of_cells
from advisor.message.season_sheet import Merging, SeasonSheet, Span, sheet_html, sheet_text, spans_of

FIRST = date(2013, 7, 1)
PLAIN = SheetDay(
    day=FIRST,
    place="south-bench",
    stage="leaves hard",
    stage_known="seen",
    flags=(),
    leaf_max_c=35.0,
    leaf_limit_c=38.0,
    pot_rim_max_c=40.0,
    pot_core_max_c=31.0,
    pot_core_limit_c=38.0,
    bench_min_c=12.0,
    frost_limit_c=-2.0,
    root_min_c=13.0,
    root_limit_c=-5.0,
    water_left_min_share=0.4,
    water_use_l=0.5,
    direct_sun_h=9.0,
)


def days(*changes: dict[str, object]) -> tuple[SheetDay, ...]:
    return tuple(
        replace(PLAIN, day=FIRST + timedelta(days=n), **change)  # type: ignore[arg-type]
        for n, change in enumerate(changes)
    )


SHEET = SeasonSheet(
    garden="Gantry Yard",
    units="metric",
    tree_id="wren",
    name="Wren & <Sons>",
    species="acer-palmatum",
    days=days(
        {},
        {"leaf_max_c": 41.5, "flags": ("leafless",)},
        {"leaf_max_c": math.nan, "flags": ("leafless", "wired"), "water_left_min_share": -0.05},
        {"bench_min_c": -3.5, "stage": "autumn colour", "stage_known": "estimated"},
        {"bench_min_c": math.nan, "water_use_l": math.nan},
    ),
    actions=((FIRST + timedelta(days=1), "defoliated (by hand)"),),
    warnings=((FIRST, "heat: Heat tomorrow"),),
    advice=(Span(FIRST, FIRST + timedelta(days=4), "shade: Move Wren", 3),),
)


def words(page: str) -> str:
    return " ".join(unescape(re.sub(r"<[^>]+>", " ", page)).split())


def test_runs_of_days_are_spans_and_overlap_where_they_ran_together() -> None:
    assert [(span.first.day, span.last.day, span.text) for span in SHEET.flags] == [
        (2, 3, "leafless"),
        (3, 3, "wired"),
    ]
    assert [(span.first.day, span.last.day, span.text) for span in SHEET.stages] == [
        (1, 3, "leaves hard (seen)"),
        (4, 4, "autumn colour (estimated)"),
        (5, 5, "leaves hard (seen)"),
    ]
    assert spans_of((), lambda one: [one.stage]) == ()


def test_limits_passed_are_counted_and_the_extreme_named_with_its_day() -> None:
    leaf, ball, frost, *_ = SHEET.findings
    assert leaf == "Leaf heat: beyond the limit on 1 of 4 days; highest 42 °C on Tue 2 Jul 2013."
    assert "beyond the limit on 0 of 5 days" in ball
    assert frost == "Frost on the bench: beyond the limit on 1 of 4 days; lowest -4 °C on Thu 4 Jul 2013."
    text = " ".join(SHEET.findings)
    assert "2.0 l drawn on 4 days" in text
    assert "least left 0 %" in text
    assert "Weather was missing on 1 of 5 days." in text


def test_text_and_page_say_the_same() -> None:
    text, page = " ".join(sheet_text(SHEET).split()), words(sheet_html(SHEET, None))
    said = [*SHEET.findings, "Wren & <Sons>", "defoliated (by hand)", "heat: Heat tomorrow", "on 3 of 5 days"]
    said += ["autumn colour (estimated)", "south-bench", "leafless"]
    for one in said:
        assert one in text, one
        assert one in page, one
    assert "nan" not in text.casefold()
    assert "nan" not in page.casefold().replace("maintenance", "")


def test_names_cannot_break_the_page() -> None:
    page = sheet_html(SHEET, None)
    assert "<Sons>" not in page
    assert "Wren &amp; &lt;Sons&gt;" in page


def test_units_are_those_of_the_grower() -> None:
    american = replace(SHEET, units="us")
    assert "highest 107 °F" in american.findings[0]
    assert "°C" not in sheet_text(american)


def test_nothing_is_said_as_nothing() -> None:
    empty = replace(SHEET, actions=(), warnings=(), advice=())
    assert sheet_text(empty).count("- nothing") == 3
    assert season_picture(replace(SHEET, days=())) is None
    assert "Wren" in sheet_text(replace(SHEET, days=()))


def test_the_same_measure_is_one_span_in_its_first_words() -> None:
    said = [
        (FIRST, "move", "Move before 14:00"),
        (FIRST, "move", "Move before 15:00"),
        (FIRST + timedelta(days=1), "net", "Net"),
        (FIRST + timedelta(days=2), "move", "Move before 13:00"),
        (FIRST + timedelta(days=9), "move", "Move again"),
    ]
    merging = Merging()
    for one in said:
        merging.add(*one)
    assert merging.spans() == (
        Span(FIRST, FIRST + timedelta(days=2), "Move before 14:00", 2),
        Span(FIRST + timedelta(days=1), FIRST + timedelta(days=1), "Net"),
        Span(FIRST + timedelta(days=9), FIRST + timedelta(days=9), "Move again"),
    )


@pytest.mark.parametrize("one", SHEET.days, ids=[str(day.day) for day in SHEET.days])
def test_day_comes_back_from_its_line(one: SheetDay) -> None:
    out = io.StringIO()
    csv.writer(out).writerows([DAY_COLUMNS, day_cells(one)])
    (row,) = csv.DictReader(io.StringIO(out.getvalue()))
    assert "nan" not in out.getvalue()
    np.testing.assert_equal(day_of_cells(row), one)


@pytest.mark.parametrize("count", [1, 14, 365])
def test_picture_can_be_drawn_for_any_length_and_is_the_same_twice(count: int) -> None:
    many = tuple(replace(SHEET.days[n % 5], day=FIRST + timedelta(days=n)) for n in range(count))
    sheet = replace(SHEET, days=many)
    png = season_picture(sheet)
    assert png is not None
    assert len(png) < 150_000
    assert season_picture(sheet) == png
    picture = Image.open(io.BytesIO(png))
    assert picture.mode in {"P", "RGB"}
    assert picture.size == (1000, 800)


def test_picture_of_unknown_days_is_drawn_empty() -> None:
    gap = dict.fromkeys(DAY_COLUMNS[5:], math.nan)
    assert season_picture(replace(SHEET, days=days(gap, gap))) is not None
    assert "no limit held, or nothing known" in sheet_text(replace(SHEET, days=days(gap, gap)))
