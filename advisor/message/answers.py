"""Answers on the terminal: ``suits`` and ``tree`` in words, made of the same judgements and states."""

from __future__ import annotations

import textwrap
from collections.abc import Sequence
from datetime import timedelta

from advisor.advice.model import Advice, Situation, WorkJudgement
from advisor.exposure.reading import day_slice
from advisor.garden.state_model import Need, TreeState
from advisor.garden.told_moves import OpenMove
from advisor.message.climate import climate_line
from advisor.message.json_out import tree_object
from advisor.message.parts.foot import weather_line
from advisor.message.parts.recovery import flag_text
from advisor.message.place_learned import correction_words
from advisor.message.tree_water import water_lines
from advisor.message.words import plain, short_day, why_text
from advisor.message.work_answer import judgement_lines
from advisor.physics.missing import FloatArray, How, reduce_over
from advisor.units import shown

__all__ = ["exposure_text", "suits_text", "tree_text"]

WIDTH = 78


def _wrap(text: str, first: str = "", rest: str = "") -> str:
    return textwrap.fill(
        plain(text), WIDTH, initial_indent=first, subsequent_indent=rest, break_long_words=False
    )


def suits_text(situation: Situation, work: str, judgements: Sequence[WorkJudgement]) -> str:
    """Return the answer in words: verdict, deciding reason first, when instead, cautions once."""
    rule = situation.tables.works[work]
    out = [
        _wrap(f"{rule.name}, {short_day(judgements[0].day) if judgements else short_day(situation.day)}"),
        "",
    ]
    for judgement in judgements:
        out += [*judgement_lines(situation, judgement), ""]
    cautions: dict[str, None] = {}
    for judgement in judgements:
        if not judgement.impossible:
            cautions.update(dict.fromkeys(judgement.cautions))
    out += [_wrap(f"Care: {text}", "", "  ") for text in cautions]
    out.append(_wrap(weather_line(situation)))
    out.append(_wrap(climate_line(situation)))
    return "\n".join(out) + "\n"


def _need_line(name: str, need: Need | None, situation: Situation) -> list[str]:
    if need is None:
        return []
    value = shown(need.value, need.unit, situation.holdings.garden.units)
    source = f" [{need.source}]" if need.source else ""
    return [_wrap(f"{name}: {value}, set by {need.set_by}{source}", "  - ", "    ")]


def _earlier(situation: Situation, told: OpenMove) -> str:
    """``, and Tue 7 Jul to South bench``: other places told before and still believed."""
    places = situation.holdings.places
    return "".join(f", and {short_day(one.told_on)} to {places[one.to_id].name}" for one in told.earlier)


def tree_text(situation: Situation, state: TreeState, advice: Sequence[Advice]) -> str:
    """Return everything known of one tree: state, why, what next."""
    tree, units = state.tree, situation.holdings.garden.units
    place = situation.holdings.places[state.place_id]
    numbers = tree_object(situation, state)
    out = [
        _wrap(f"{tree.name} ({tree.species_id}, {state.group.name}), on {place.name}"),
        _wrap(f"Stage: {state.stage.stage.label} (BBCH {state.stage.stage.bbch}), {state.stage.text}."),
    ]
    if told := situation.told_moves.get(tree.id):
        to = situation.holdings.places[told.to_id]
        out.append(
            _wrap(
                f"Told {short_day(told.told_on)} to go to {to.name}{_earlier(situation, told)}, and nothing "
                f"logged since: judged in {'each' if told.earlier else 'both'}, its water there. "
                f"log {tree.id} moved {to.id}, or moved {place.id} if it stayed."
            )
        )
    if learned := correction_words(place, units):
        out.append(_wrap(f"Your thermometer: {learned}"))
    out += [_wrap(f"Under way: {flag_text(flag)} [{flag.known}]") for flag in state.flags]
    out += [_wrap(f"Journal: {text}") for text in state.contradictions]
    out.append(
        _wrap(
            f"Pot {shown(tree.pot.volume_l, 'l', units)}, {tree.pot.wall}, {tree.substrate}; crown "
            f"{shown(tree.crown.width_cm, 'cm', units)} wide; strength "
            f"{tree.strength if tree.strength is not None else 'not given'}."
            + (f" By class: {', '.join(sorted(tree.defaulted))}." if tree.defaulted else "")
        )
    )
    water = numbers["water"]
    if water["left_share"] is not None:
        text = f"Water: {water['left_share']:.0%} of what is usable left, {water.get('known', '')}"
        exposure = situation.exposure
        if exposure is not None and water["use_today_l"] is not None:
            text += f"; uses about {shown(water['use_today_l'], 'l', units, 2)} today"
        out.append(_wrap(f"{text}."))
    out += [_wrap(line, "  ", "  ") for line in water_lines(situation, state)]
    today = [
        f"{word} {shown(numbers[key], unit, units)}"
        for key, word, unit in (
            ("leaf_max_c", "leaf to", "degC"),
            ("pot_max_c", "pot rim to", "degC"),
            ("night_min_c", "bench air down to", "degC"),
            ("direct_sun_h", "direct sun", "h"),
        )
        if numbers[key] is not None
    ]
    if today:
        out.append(_wrap(f"Today: {', '.join(today)}."))
    needs = state.needs
    lines: list[str] = []
    for name, need in (
        ("direct sun at most", needs.direct_sun_h),
        ("sun until solar hour", needs.sun_until_solar_h),
        ("shade asked for", needs.shade_share),
        ("wind at most", needs.wind_m_s),
        ("gusts at most", needs.gust_m_s),
        ("bench air not under", needs.frost_limit_c),
        ("pot not under", needs.root_limit_c),
        ("leaf in sun not over", needs.leaf_limit_c),
        ("dry air in sun not over", needs.vpd_limit_kpa),
        ("no feeding", needs.no_feed_until),
    ):
        lines += _need_line(name, need, situation)
    if lines:
        out += ["Limits now:", *lines]
    mine = [piece for piece in advice if tree.id in piece.trees]
    if mine:
        out.append("What next:")
        out += [
            _wrap(f"{piece.do} ({why_text(piece, situation, 3, changes=True)})", "  - ", "    ")
            for piece in mine
        ]
    out += [
        _wrap(f"Question: {question.text} {question.why}", "  - ", "    ") for question in state.questions
    ]
    out.append(_wrap(weather_line(situation)))
    out.append(_wrap(climate_line(situation)))
    return "\n".join(out) + "\n"


def exposure_text(situation: Situation, tree_id: str) -> str:
    """Return what one tree meets, a line a day from today on."""
    exposure, garden = situation.exposure, situation.holdings.garden
    if exposure is None:
        return "No weather, so no exposure.\n"
    row, out = (
        exposure.row(tree_id),
        [f"{situation.holdings.tree(tree_id).name}, day by day (unknown where a day is incomplete)"],
    )
    for ahead in range(10):
        day = situation.day + timedelta(days=ahead)
        rows = day_slice(exposure, day, garden)
        if rows.stop <= rows.start:
            break
        cells = [
            f"{word} {shown(_day_value(getattr(exposure, name)[row, rows], how), unit, garden.units, digits)}"
            for word, name, how, unit, digits in _DAY_CELLS
        ]
        out.append(_wrap(f"{short_day(day)}: {', '.join(cells)}", "", "  "))
    return "\n".join(out) + "\n"


_DAY_CELLS: tuple[tuple[str, str, How, str, int], ...] = (
    ("sun", "direct_sun_share", "sum", "h", 1),
    ("leaf to", "leaf_temperature_c", "max", "degC", 0),
    ("dry air to", "vpd_kpa", "max", "kPa", 1),
    ("pot rim to", "pot_rim_c", "max", "degC", 0),
    ("pot core to", "pot_core_c", "max", "degC", 0),
    ("bench air", "bench_temperature_c", "min", "degC", 0),
    ("gusts", "gust_m_s", "max", "m/s", 0),
    ("rain in pot", "rain_reaching_pot_mm", "sum", "mm", 1),
    ("drinks", "water_use_l", "sum", "l", 2),
)


def _day_value(values: FloatArray, how: How) -> float:
    return float(reduce_over(values, how, minimum_coverage=0.9).value)
