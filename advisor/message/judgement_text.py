"""The verdict on the advice as text: how it is counted, then one table a question."""

from __future__ import annotations

import math
from collections.abc import Sequence
from statistics import median

from advisor.message.judgement import Judged, WarningScore

__all__ = ["judgement_text"]

DEFINITIONS = """\
How it is counted
  harm: some tree is harmed by its own limits, in its own place and state, in the weather that came (sun
    together with a hot leaf or dry air for hours; bench or pot below the frost limit). Heat counts by day,
    frost by night, named by the day on which it begins. Where hours are missing a day is left out, and
    counted as unknown.
  not told as standing: harm, less that of trees told to be moved for good, but for days well beyond limits.
  hit: a day that was warned of before its first hour of harm. False: warned of, and no harm came.
  event: an unbroken run of days of harm; warned of when the first word on any of its days came before its
    first hour. Lead is the time between the two.
  Plain rules know the true weather of the day, as no forecast does, and speak when the digest does; "the day
    before" goes by yesterday. Always warns of every day on the day before, never not once.
  POD: share of what happened that was warned of. FAR: share of the warnings that were false. Bias: days
    warned of over days of harm. Brier: mean square error of the chances, over days for which one was given.
  v 0.10: value where protecting costs 0.10 of the loss: 1 perfect, 0 no better than the cheaper of always and
    never (Richardson 2000).
"""


def _cell(value: float | None, digits: int = 2) -> str:
    if value is None or not math.isfinite(value):
        return "-"
    text = f"{value:.{digits}f}"
    return text.removeprefix("-") if not text.strip("-0.") else text


def _is_number(cell: str) -> bool:
    return cell == "-" or cell.lstrip("-").replace(".", "", 1).isdigit()


def _table(header: Sequence[str], rows: Sequence[Sequence[str]], judged: Sequence[Judged]) -> list[str]:
    """Columns as wide as their widest cell, words to the left, numbers to the right.

    The replay's name is left out where there is but one, its role where all are alike.
    """
    idle = {"replay"} if len(judged) == 1 else set()
    idle |= {"role"} if len({one.role for one in judged}) == 1 else set()
    columns = [number for number, name in enumerate(header) if name not in idle]
    every = [[row[number] for number in columns] for row in (header, *rows)]
    widths = [max(len(row[number]) for row in every) for number in range(len(columns))]
    words = [not all(_is_number(row[number]) for row in every[1:]) for number in range(len(columns))]
    return [
        "  "
        + "  ".join(
            cell.ljust(width) if word else cell.rjust(width)
            for cell, width, word in zip(row, widths, words, strict=True)
        ).rstrip()
        for row in every
    ]


def _shown_ratios(ratios: Sequence[float]) -> list[int]:
    """Columns of the table: the first and every other, so that it fits; CSV and JSON hold all."""
    return [0, *range(1, len(ratios), 2)]


def judgement_text(judged: Sequence[Judged]) -> str:
    """Return the verdicts as text, rows of one question together."""
    lines = []
    for one in judged:
        said = ", ".join(f"{count} {word}" for word, count in one.counts.items())
        lines.append(
            f"{one.name} ({_role(one)}): {one.first_day} to {one.last_day}, {one.trees} trees; {said}"
        )
    lines += ["", *DEFINITIONS.splitlines(), ""]
    lines += _warning_lines(judged)
    lines += _water_lines(judged)
    lines += _shade_lines(judged)
    notes = [f"{one.name}: {note}" for one in judged for note in one.notes]
    if notes:
        lines += ["Notes", *(f"  {note}" for note in notes)]
    return "\n".join(lines).rstrip() + "\n"


def _role(one: Judged) -> str:
    return {"tuning": "tuned on", "reported": "reported", "both": "tuned on and reported"}[one.role]


def _warning_lines(judged: Sequence[Judged]) -> list[str]:
    lines: list[str] = []
    every = [(one, row) for one in judged for row in one.warnings]
    ratios = every[0][1].ratios if every else ()
    shown = _shown_ratios(ratios)
    header = [
        "by", "replay", "role", "hits", "misses", "false", "quiet", "unknown", "POD", "FAR", "bias", "events",
        "warned", "lead h", "least", "mails", "Brier", *(f"v {ratios[number]:.2f}" for number in shown),
    ]  # fmt: skip
    for hazard, truth in dict.fromkeys((row.hazard, row.truth) for _, row in every):
        speakers = dict.fromkeys(row.by for _, row in every if row.hazard == hazard)
        rows = [
            _warning_cells(one, row, shown)
            for by in speakers
            for one, row in every
            if row.key == (hazard, truth, by)
        ]
        lines += [f"{hazard.capitalize()} warnings; happened: {truth}", *_table(header, rows, judged), ""]
    return lines


def _warning_cells(one: Judged, row: WarningScore, shown: Sequence[int]) -> list[str]:
    table = row.table
    counts = (table.hits, table.misses, table.false_alarms, table.correct_negatives, table.unknown)
    return [
        row.by,
        one.name,
        _role(one),
        *(str(count) for count in counts),
        _cell(table.probability_of_detection),
        _cell(table.false_alarm_ratio),
        _cell(table.frequency_bias),
        str(row.events),
        str(len(row.lead_h)),
        _cell(median(row.lead_h) if row.lead_h else None, 0),
        _cell(min(row.lead_h, default=None), 0),
        str(row.mails),
        _cell(row.brier.score if row.brier is not None else None, 3),
        *(_cell(row.values[number]) for number in shown),
    ]


def _water_lines(judged: Sequence[Judged]) -> list[str]:
    keys = list(dict.fromkeys(row.key for one in judged for row in one.water))
    rows = [
        [
            size,
            way,
            one.name,
            _role(one),
            str(row.pots),
            _cell(row.dry_h, 0),
            _cell(100.0 * row.dry_h / row.hours if row.hours else None, 1),
            _cell(row.unknown_h, 0),
            _cell(row.litres, 1),
            str(row.waterings),
        ]
        for size, way in keys
        for one in judged
        for row in one.water
        if row.key == (size, way)
    ]
    if not rows:
        return []
    return [
        "Watering; one water balance for all, so this judges the advice and not the balance",
        *_table(
            [
                "size",
                "watered",
                "replay",
                "role",
                "pots",
                "dry pot h",
                "of hours %",
                "unknown",
                "litres",
                "times",
            ],
            rows,
            judged,
        ),
        "",
    ]


def _shade_lines(judged: Sequence[Judged]) -> list[str]:
    rows = [
        [
            f"{row.way} the shade advice",
            one.name,
            _role(one),
            _cell(row.leaf_hours, 0),
            _cell(row.harmful_sun_h, 0),
            _cell(row.unknown_h, 0),
            str(row.tree_days),
        ]
        for way in dict.fromkeys(row.way for one in judged for row in one.shade)
        for one in judged
        for row in one.shade
        if row.way == way
    ]
    if not rows:
        return []
    return [
        "Shade; hours of all trees together",
        *_table(
            [
                "",
                "replay",
                "role",
                "leaf h above limit",
                "h of harmful sun",
                "unknown h",
                "tree-days in shade",
            ],
            rows,
            judged,
        ),
        "",
    ]
