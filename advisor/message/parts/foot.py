"""The foot of every message: source and age of the weather, stages assumed, how to correct, credit."""

from __future__ import annotations

from advisor.advice.model import Situation
from advisor.garden.state_model import TreeState
from advisor.message.climate import climate_line
from advisor.message.error_table import spread_words
from advisor.message.place_learned import learned_lines
from advisor.message.view import DigestInput, Line
from advisor.message.words import clock, day_and_clock, list_of
from advisor.weather.error_correction import CORRECTED
from advisor.weather.quality import left_out

__all__ = ["build", "weather_line"]

MOST_NAMES = 8


def _age(hours: float) -> str:
    if hours < 1.0:
        return f"{max(round(hours * 60), 0)} min old"
    return f"{hours:.0f} h old" if hours < 48.0 else f"{hours / 24.0:.0f} days old"


def weather_line(situation: Situation) -> str:
    """One sentence on where the weather comes from and how old it is."""
    weather = situation.weather
    zone = situation.holdings.garden.zone
    if weather is None:
        return "Weather: none could be had; what needs weather is left open above."
    text = f"Weather: {weather.provenance.source}"
    if situation.weather_age_h is not None:
        text += f", fetched {clock(weather.provenance.fetched_at_utc, zone)}, {_age(situation.weather_age_h)}"
    until = weather.covers_until_utc
    if until is not None:
        text += f", reaches to {day_and_clock(until, zone, situation.day)}"
    text += (
        f"; {weather.member_count} members"
        if weather.member_count
        else f"; single forecast, {spread_words(situation)}"
    )
    corrected = [
        note.removeprefix(CORRECTED) for note in weather.provenance.notes if note.startswith(CORRECTED)
    ]
    if corrected:
        text += f". Corrected: {'; '.join(corrected)}"
    if weather.provenance.derived:
        text += f". Derived, not measured: {list_of([_plain(name) for name in weather.provenance.derived])}"
    if weather.provenance.missing:
        text += f". Missing: {list_of([_plain(name) for name in weather.provenance.missing])}"
    return f"{text}."


def left_out_line(situation: Situation) -> str:
    """Say which values of the weather could not be, by variable, hours and rule; empty where all could."""
    weather = situation.weather
    found = () if weather is None else left_out(weather.provenance.notes)
    words = [
        f"{_plain(one.name)}, {one.hours} h{' ' if one.what else ''}{one.what} ({one.rule})" for one in found
    ]
    return f"Left out of the weather: {'; '.join(words)}." if words else ""


def _plain(name: str) -> str:
    for tail in ("_10m_m_s", "_w_m2", "_m_s", "_mm", "_pct", "_hpa", "_c", "_cm", "_j_kg"):
        if name.endswith(tail):
            name = name[: -len(tail)]
            break
    return {"cape": "storm energy", "reference_et": "reference evapotranspiration"}.get(
        name, name.replace("_", " ")
    )


def _stages(states: list[TreeState]) -> str:
    by_stage: dict[tuple[str, str], list[str]] = {}
    for state in states:
        by_stage.setdefault((state.stage.stage.label, state.stage.text), []).append(state.tree.name)
    parts = []
    for (label, known), names in by_stage.items():
        who = list_of(names) if len(names) <= MOST_NAMES else f"{len(names)} trees"
        parts.append(f"{label}, {known}: {who}")
    return "; ".join(parts)


def build(digest: DigestInput) -> tuple[Line, ...]:
    """Return the foot lines; never empty."""
    situation = digest.situation
    garden = situation.holdings.garden
    lines = [
        Line(weather_line(situation), "", "foot:weather", "quiet"),
        Line(climate_line(situation), "", "foot:climate", "quiet"),
    ]
    if faulty := left_out_line(situation):
        lines.insert(1, Line(faulty, "", "foot:left-out", "quiet"))
    lines += [
        Line(learned, "", f"foot:place:{number}", "quiet")
        for number, learned in enumerate(learned_lines(situation))
    ]
    lines += [
        Line(f"Left out: {slip}.", "", f"foot:logger:{number}", "quiet")
        for number, slip in enumerate(situation.holdings.slips)
    ]
    if situation.states:
        lines.append(Line(f"Stages: {_stages(list(situation.states.values()))}.", "", "foot:stages", "quiet"))
    defaulted = [tree.name for tree in situation.holdings.trees if tree.defaulted - {"name", "place"}]
    if defaulted:
        who = list_of(defaulted) if len(defaulted) <= MOST_NAMES else f"{len(defaulted)} trees"
        lines.append(Line(f"Pot or crown taken from the size class for {who}.", "", "foot:defaults", "quiet"))
    lines += [Line(note, "", f"foot:note:{place}", "quiet") for place, note in enumerate(digest.quiet_notes)]
    lines.append(
        Line(
            "Wrong? Say it in a word: advisor log TREE leaves-hard (or leaves-open, watered, wilted ...).",
            "",
            "foot:correct",
            "quiet",
        )
    )
    lines.append(Line(f"Times are local, {garden.timezone}.", "", "foot:zone", "quiet"))
    weather, climate = situation.weather, situation.climate
    credit = () if weather is None else weather.provenance.attribution
    credit = tuple(dict.fromkeys((*credit, *(() if climate is None else climate.attribution))))
    if credit:
        lines.append(
            Line(
                f"{'; '.join(credit)}. Values were processed.",
                "",
                "foot:credit",
                "quiet",
            )
        )
    return tuple(lines)
