"""The morning digest and the alert mail as view models."""

from __future__ import annotations

from advisor.advice.model import AlertEvent
from advisor.message.parts import foot
from advisor.message.parts.must import chosen
from advisor.message.parts.registry import PARTS
from advisor.message.view import DigestInput, Line, MessageView, Picture, Section
from advisor.message.words import ascii_subject, short_day, tree_names, why_text

__all__ = ["alert_view", "digest_view"]


def _subject(digest: DigestInput) -> str:
    situation = digest.situation
    must = chosen(digest)
    day = short_day(situation.day)
    if situation.weather is None:
        return ascii_subject(f"{day}: no weather today, check the pots by hand")
    if must:
        more = f" (+{len(must) - 1})" if len(must) > 1 else ""
        return ascii_subject(f"{day}{more}: {must[0].do}")
    pressing = [advice for advice in digest.advice if advice.urgency in {"now", "today"}]
    if not pressing:
        return ascii_subject(f"{day}: nothing that cannot wait")
    return ascii_subject(f"{day}: {pressing[0].do}")


def digest_view(digest: DigestInput, picture: Picture | None = None) -> MessageView:
    """Return the digest: notices, up to three must-do lines, the parts in order, the foot."""
    situation = digest.situation
    sections = tuple(section for build in PARTS.values() if (section := build(digest)) is not None)
    if not any(section.id not in {"ahead", "recovery"} for section in sections):
        quiet = Section("quiet", "Today", (Line("Nothing needs doing today.", "", "quiet"),))
        sections = (quiet, *sections)
    return MessageView(
        kind="digest",
        garden=situation.holdings.garden.name,
        day=situation.day,
        subject=_subject(digest),
        title=f"{situation.holdings.garden.name}, {short_day(situation.day)}",
        notices=tuple(Line(text, "", f"notice:{place}", "must") for place, text in enumerate(digest.notices)),
        sections=sections,
        foot=foot.build(digest),
        picture=picture,
    )


def alert_view(
    event: AlertEvent, digest: DigestInput, *, update: bool, picture: Picture | None = None
) -> MessageView:
    """Return the mail for one hazard: what to do in order, which trees, which may stay, why, until when."""
    situation = digest.situation
    trees = tree_names(situation, event.trees, 12)
    first = [Line(f"{event.headline}.", "", f"event:{event.hazard}", "must")]
    first.append(Line(f"In danger: {trees}.", "", "event:trees"))
    if event.spared:
        first.append(
            Line(f"May stay as they are: {tree_names(situation, event.spared, 12)}.", "", "event:spared")
        )
    steps: list[Line] = []
    said = ""
    for place, advice in enumerate(event.advice, 1):
        why = why_text(advice, situation, changes=True)
        steps.append(Line(f"{place}. {advice.do}", "" if why == said else why, advice.id))
        said = why or said
    word = "Update: " if update else ""
    sections = [
        Section("event", "What is coming", tuple(first)),
        Section("steps", "What to do, in order", tuple(steps)),
    ]
    return MessageView(
        kind=event.hazard,
        garden=situation.holdings.garden.name,
        day=situation.day,
        subject=ascii_subject(f"{word}{event.headline}"),
        title=f"{word}{situation.holdings.garden.name}: {event.hazard} ahead",
        notices=tuple(Line(text, "", f"notice:{place}", "must") for place, text in enumerate(digest.notices)),
        sections=tuple(sections),
        foot=foot.build(digest),
        picture=picture,
    )
