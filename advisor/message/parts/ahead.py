"""Ahead lines: the coming days, the hazards in them, and what is about to close for the season."""

from __future__ import annotations

from advisor.message.outlook import day_outlooks, outlook_cells
from advisor.message.view import DigestInput, Line, Section
from advisor.message.words import chance_text, short_day, tree_names

__all__ = ["build"]


def _hazards(digest: DigestInput) -> list[Line]:
    situation = digest.situation
    lines = []
    for event in digest.events:
        text = f"{event.headline}."
        if event.spared:
            text += f" May stay: {tree_names(situation, event.spared)}."
        chance = chance_text(event.chance) if event.chance is not None else ""
        lines.append(Line(text, chance, f"ahead:{event.hazard}:{event.first_day}"))
    return lines


def _closing(digest: DigestInput) -> list[Line]:
    situation = digest.situation
    by_text: dict[tuple[str, str], list[str]] = {}
    for (work_id, tree_id), ahead in digest.work_ahead.items():
        last = ahead.closes
        if last is not None:
            name = situation.tables.works[work_id].name
            if any(
                event.hazard == "heat" and tree_id in event.trees and event.first_day <= last
                for event in digest.events
            ):
                name = f"{name}, but the heat stands in the way"
            by_text.setdefault((name, short_day(last)), []).append(tree_id)
    return [
        Line(
            f"Last sensible day for {name}: {day} ({tree_names(situation, trees)}).",
            "",
            f"closing:{name}:{day}",
        )
        for (name, day), trees in by_text.items()
    ]


def build(digest: DigestInput) -> Section | None:
    """Return the ahead section, or None without any weather."""
    situation = digest.situation
    units = situation.holdings.garden.units
    lines = _hazards(digest) + _closing(digest)
    if not digest.with_table:
        for outlook in day_outlooks(situation):
            low, high, rain, gust = outlook_cells(outlook, units)
            lines.append(
                Line(
                    f"{short_day(outlook.day)}: {low} to {high}, rain {rain}, gusts {gust}",
                    "",
                    f"day:{outlook.day}",
                    "quiet",
                )
            )
    return Section("ahead", "Ahead", tuple(lines)) if lines else None
