"""Checks of the tree: species, stage, strength, spacing after earlier stress, running states, water."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import timedelta
from typing import cast

import numpy as np

from advisor.advice.model import Check, CheckVerdict
from advisor.advice.work_case import (
    FloatArray,
    WorkCase,
    band,
    date_words,
    matches,
    option_words,
    overlapping,
    raised_by,
    worst,
)
from advisor.garden.practice import said_by, usual
from advisor.garden.state_model import Flag, Stage

__all__ = [
    "begun_nothing",
    "flags",
    "leaf_left",
    "no_flag_named",
    "no_stress_logged",
    "not_stripped",
    "practice",
    "since_seen",
    "spacing",
    "stage",
    "strength",
    "to_end",
    "unseen",
    "water",
]


def stage(case: WorkCase) -> Check:
    """Hold the stage against those in which this group may have the work.

    Hard leaves must have been seen where the row asks for it (``seen``), else care at best; a guess is
    care at best, and a guess next door to an open stage is unknown rather than closed.
    """
    known, tree = case.state.stage, case.state.tree
    asked = ("stages_open", id(case.row), tree.species_id, tree.group_id)
    opens = case.situation.once(asked, lambda: _opens(case))
    name, label = known.stage.name, known.stage.label
    source = str(case.row.options.get("source", "common practice: growers"))
    verdict: CheckVerdict = "fail"
    note = ""
    if name in opens.freely:
        verdict = "pass"
    elif name in opens.with_care:
        verdict, note = "care", opens.why or "possible with care"
    if verdict == "fail":
        note = opens.closed or "not in this stage"
        if known.certainty == "guess" and _next_door(known.stage, opens.all):
            verdict, note = "unknown", f"look at the tree and {_log_words(case, known.stage, opens.all)}"
    elif name in option_words(case.row, "seen") and not _hard_seen(case):
        verdict, note = "care", "not seen hard since this flush began: feel the leaves, then log leaves-hard"
    elif known.certainty == "guess":
        verdict, note = "care", "only a guess: look at the tree first"
    text = f"{case.row.text}: {label}, {known.text}" + (f"; {note}" if note else "")
    return case.check(verdict, text, value=label, limit=opens.words, source=source)


@dataclass(frozen=True, slots=True)
class _Opens:
    """Stages in which a group may have the work, and what to say."""

    freely: tuple[str, ...]
    with_care: tuple[str, ...]
    why: str
    closed: str
    all: tuple[str, ...]
    words: str


def _opens(case: WorkCase) -> _Opens:
    group, species = case.state.group, case.state.tree.species_id
    rows = cast("Sequence[Mapping[str, object]]", case.row.options.get("by", ()))
    fit = (
        row
        for row in rows
        if usual(row) and any(matches(word, group, species) for word in cast("Sequence[str]", row["on"]))
    )
    row = next(fit, case.row.options)
    setting = said_by(row)
    freely, with_care = (tuple(cast("Sequence[str]", row.get(key, ()))) for key in ("pass", "care"))
    return _Opens(
        freely,
        with_care,
        str(row.get("why", "")) + (f" ({setting})" if setting else ""),
        str(row.get("no", case.row.options.get("no", ""))),
        (*freely, *with_care),
        ", ".join(Stage[name].label for name in (*freely, *with_care)),
    )


_SEEN_AS: Mapping[Stage, str] = {
    Stage.BUD_SWELL: "buds-swelling",
    Stage.BUD_BREAK: "buds-swelling",
    Stage.LEAVES_UNFOLDING: "leaves-open",
    Stage.SHOOTS_EXTENDING: "leaves-open",
    Stage.LEAVES_HARD: "leaves-hard",
    Stage.SECOND_FLUSH: "leaves-open",
    Stage.AUTUMN_COLOUR: "colour",
    Stage.LEAF_FALL: "leaf-fall",
}
"""The journal entry that tells of a stage; dormancy has none: it is what is left when nothing moves."""


def _log_words(case: WorkCase, now: Stage, opens: Sequence[str]) -> str:
    """Say which entry would settle whether an open stage next to ``now`` is reached."""
    near = [Stage[name] for name in opens if abs(Stage[name].order - now.order) == 1]
    words = dict.fromkeys(_SEEN_AS[stage] for stage in (*near, now) if stage in _SEEN_AS)
    return " or ".join(f"log {word}" for word in words) + f" for {case.state.tree.id}"


def _next_door(now: Stage, opens: Sequence[str]) -> bool:
    return any(abs(Stage[name].order - now.order) == 1 for name in opens)


def _hard_seen(case: WorkCase) -> bool:
    """Hard leaves seen, or seen before the stripping that this session began with; not owed by all."""
    if any(
        matches(word, case.state.group, case.state.tree.species_id)
        for word in option_words(case.row, "unseen")
    ):
        return True
    if case.state.leaves_hard_seen:
        return True
    stripped, seen = case.days_since("defoliated"), case.days_since("leaves-hard")
    return case.same_session("defoliated") and stripped is not None and seen is not None and seen >= stripped


def not_stripped(case: WorkCase) -> bool:
    """True where no session began with the stripping: only such a one makes the day matter."""
    return "defoliated" not in case.logged


def unseen(case: WorkCase) -> bool:
    """True where what ``since_seen`` counts from is not in the journal."""
    return case.row.options["entry"] not in case.logged


def since_seen(case: WorkCase) -> Check:
    """Days since a sighting or work (option ``entry``): at least ``days``, or at most ``within``.

    Option ``missing`` is the verdict where nothing is logged, or nothing since more than ``forgotten``
    days: pass unless the row says otherwise.
    """
    key, side = ("within", "max") if "within" in case.row.numbers else ("days", "min")
    number, source = case.row.numbers[key], case.row.numbers.source(key)
    entry = str(case.row.options["entry"])
    days = case.days_since(entry)
    forgotten = case.number("forgotten")
    if days is None or (forgotten is not None and days > forgotten.value):
        missing = cast("CheckVerdict", case.row.options.get("missing", "pass"))
        text = f"{case.row.text}: not logged"
        if missing != "pass":
            text += f"; log {entry} for {case.state.tree.id} with its day"
        return case.check(missing, text, limit=number.value, unit="d", source=source)
    verdict, limit = band(float(days), number, side)
    bound = "at most" if side == "max" else "at least"
    text = f"{case.row.text}: {days} days; {bound} {limit:.0f}"
    return case.check(verdict, text, value=float(days), unit="d", limit=limit, source=source)


def strength(case: WorkCase) -> Check:
    """Strength of the tree, 1 to 5, against the least that this work wants; not given is care."""
    number = case.number("strength") or case.row.numbers["strength"]
    source = f"{number.evidence}: {number.source}"
    given = case.state.tree.strength
    if given is None:
        unknown = cast("CheckVerdict", case.row.options.get("not_given", "care"))
        text = f"{case.row.text}: not given; at least {number.value:.0f} of 5, you judge"
        return case.check(unknown, text, limit=number.value, unit="1", source=source)
    verdict, limit = band(float(given), number, "min")
    text = f"{case.row.text}: {given} of 5; at least {limit:.0f}"
    return case.check(verdict, text, value=float(given), unit="1", limit=limit, source=source)


def practice(case: WorkCase) -> Check:
    """Pass where growers do this on the species (marks or habits in ``pass``), else care."""
    group, species = case.state.group, case.state.tree.species_id
    source = str(case.row.options.get("source", "common practice: growers"))
    if any(matches(word, group, species) for word in option_words(case.row, "pass")):
        return case.check("pass", f"{case.row.text}: usual on {group.name}", value=group.name, source=source)
    why = str(case.row.options.get("why", "rarely done on this species"))
    return case.check("care", f"{case.row.text}: {why}", value=group.name, source=source)


def spacing(case: WorkCase) -> Check:
    """Days since each earlier stress against the days the tree wants; the worst one speaks.

    Work of the same session (``same_session``) is one event and is not counted. A stress named in
    ``eased_by_recovered`` asks for care only once the grower has logged ``recovered`` after it.
    """
    entries = _stresses(case)
    readings = [reading for entry in sorted(entries) if (reading := _spaced(case, entry)) is not None]
    if readings:
        return worst(readings)
    return case.check("pass", f"{case.row.text}: nothing that counts", source="")


def _stresses(case: WorkCase) -> set[str]:
    """Entries of the journal for which the row has a number."""
    return {name.rpartition(".")[2] for name in case.row.numbers} & case.logged.keys()


def no_stress_logged(case: WorkCase) -> bool:
    """True where ``spacing`` has nothing to count from."""
    return not _stresses(case)


def _spaced(case: WorkCase, entry: str) -> Check | None:
    days = case.days_since(entry)
    number = case.number(entry) if days is not None else None
    if number is None or days is None:
        return None
    if entry in option_words(case.row, "same_session") and case.same_session(entry):
        return None
    counted = case.rested(days, number.value)
    verdict, limit = band(counted, number, "min")
    note = ""
    if counted < days and verdict != "pass":
        share = case.show(case.situation.tables.phenology.value("winter.day_counts", "share"), "share")
        note = f" (winter days count {share} each: {counted:.0f})"
    recovered = case.days_since("recovered")
    eased = entry in option_words(case.row, "eased_by_recovered")
    if verdict == "fail" and eased and recovered is not None and recovered <= days:
        verdict, note = "care", f"{note}, recovered since"
    text = f"{case.row.text}: {entry} {days} days ago{note}; at least {limit:.0f}"
    return case.check(
        verdict, text, value=counted, unit="d", limit=limit, source=f"{number.evidence}: {number.source}"
    )


def flags(case: WorkCase) -> Check:
    """States that run on the tree and forbid the work (``fail``) or ask for care (``care``).

    A word of the row names a flag by its id, by a journal entry that starts it, or by a mark it keeps.
    A state that should have ended by the judged day and was never confirmed asks for care.
    """
    source = str(case.row.options.get("source", "common practice: growers"))
    readings = []
    for flag in case.state.flags:
        verdict = _flag_verdict(case, flag)
        if verdict is None:
            continue
        asks, note = verdict
        readings.append(
            case.check(
                asks,
                f"{case.row.text}: {flag.rule.name}, day {_day_n(case, flag)}{note}",
                value=flag.id,
                source=source,
            )
        )
    if readings:
        return worst(readings)
    return case.check("pass", f"{case.row.text}: none that forbids it", source=source)


def _day_n(case: WorkCase, flag: Flag) -> int:
    return (case.day - flag.began).days + 1


def _words_of(case: WorkCase, flag: Flag) -> set[str]:
    """Words by which a row may name a flag."""
    origin = raised_by(case.state, flag)
    named = {*origin, *flag.rule.keeps}
    if flag.id not in flag.rule.starts or flag.id in origin:
        named.add(flag.id)
    return named


def no_flag_named(case: WorkCase) -> bool:
    """True where no state that runs on the tree is named by the row."""
    asks = {*option_words(case.row, "fail"), *option_words(case.row, "care")}
    return all(asks.isdisjoint(_words_of(case, flag)) for flag in case.state.flags)


def _flag_verdict(case: WorkCase, flag: Flag) -> tuple[CheckVerdict, str] | None:
    named = _words_of(case, flag)
    verdict: CheckVerdict
    if named & set(option_words(case.row, "fail")):
        verdict = "fail"
    elif named & set(option_words(case.row, "care")):
        verdict = "care"
    else:
        return None
    session = case.number("session_d")
    in_session = session is not None and (case.day - flag.began) <= timedelta(days=session.value)
    if in_session and named & set(option_words(case.row, "same_session")):
        return None
    if flag.rule.ends_by_time and case.day > flag.expected_end[1]:
        return "care", f", should have ended by {flag.expected_end[1].isoformat()}: look and tell"
    return verdict, ""


def begun_nothing(case: WorkCase) -> bool:
    """True where nothing of what ``to_end`` would end is in the journal."""
    return case.logged.keys().isdisjoint(option_words(case.row, "begun_by"))


def to_end(case: WorkCase) -> Check:
    """What the work would end (option ``begun_by``): in the journal, not ended yet (``ended_by``), and ripe.

    Unknown where nothing of it is in the journal, unless option ``missing`` says otherwise; fail where it
    was ended since. ``within`` days after it began it is late (up to the high end with care); a state that
    runs is early before its expected end, unless an entry in ``unless`` was logged since it began.
    """
    tree, row = case.state.tree.id, case.row
    source = str(row.options.get("source", "common practice: growers"))
    begun = [
        (ago, entry) for entry in option_words(row, "begun_by") if (ago := case.days_since(entry)) is not None
    ]
    if not begun:
        missing = cast("CheckVerdict", row.options.get("missing", "unknown"))
        text = f"{row.text}: {row.options['none']}"
        if missing != "pass":
            text += f", log {' or '.join(option_words(row, 'begun_by'))} for {tree} with its day"
        return case.check(missing, text, source=source)
    ago, entry = min(begun)
    enders = set(option_words(row, "ended_by"))
    running = [flag for flag in case.state.flags if enders & set(flag.rule.ends)]
    ended = [
        (gone, one) for one in option_words(row, "ended_by") if (gone := case.days_since(one)) is not None
    ]
    if ended and (min(ended)[0] < ago or (min(ended)[0] == ago and not running)):
        gone, one = min(ended)
        text = f"{row.text}: {one} {_ago(gone)}, and nothing is begun since"
        return case.check("fail", text, value=float(gone), unit="d", source=source)
    if "within" in row.numbers:
        number = row.numbers["within"]
        verdict, limit = band(float(ago), number, "max")
        text = f"{row.text}: {entry} {_ago(ago)}; at most {limit:.0f} days"
        text += f"; {row.options['late']}" if verdict != "pass" else ""
        held = row.numbers.source("within")
        return case.check(verdict, text, value=float(ago), unit="d", limit=limit, source=held)
    unless = [after for word in option_words(row, "unless") if (after := case.days_since(word)) is not None]
    early = [flag for flag in running if "early" in row.options and case.day < flag.expected_end[0]]
    if early and not any(after <= ago for after in unless):
        first, last = early[0].expected_end
        span = f"{date_words(first, case.situation.day)} to {date_words(last, case.situation.day)}"
        text = f"{row.text}: {entry} {_ago(ago)}; {row.options['early']} {span}"
        return case.check("care", text, value=float(ago), unit="d", limit=first.isoformat(), source=source)
    return case.check("pass", f"{row.text}: {entry} {_ago(ago)}", value=float(ago), unit="d", source=source)


def _ago(days: int) -> str:
    return {0: "today", 1: "a day ago"}.get(days, f"{days} days ago")


def leaf_left(case: WorkCase) -> Check:
    """Share of the full leaf area on the tree now; not asked when stripped in the same session."""
    number = case.row.numbers["share"]
    source = case.row.numbers.source("share")
    if case.same_session("defoliated"):
        return case.check("pass", f"{case.row.text}: stripped in this session", unit="share", source=source)
    value = case.state.sun_leaf_share
    verdict, limit = band(value, number, "min")
    text = f"{case.row.text}: {case.show(value, 'share')}; at least {case.show(limit, 'share')}"
    return case.check(verdict, text, value=value, unit="share", limit=limit, source=source)


def water(case: WorkCase) -> Check:
    """Usable water left in the pot when the half day begins; a dry pot is watered first."""
    number = case.row.numbers["min"]
    source = case.row.numbers.source("min")
    value = _water_left(case)
    if value is None or not math.isfinite(value):
        return case.check("unknown", f"{case.row.text}: not known; feel the pot", unit="share", source=source)
    verdict, limit = band(value, number, "min")
    text = f"{case.row.text}: {case.show(value, 'share')} of the usable water left"
    if verdict != "pass":
        remedy = case.row.options.get("remedy", "Water it through, work an hour later")
        text += f"; at least {case.show(limit, 'share')}. {remedy}"
    return case.check(verdict, text, value=value, unit="share", limit=limit, source=source)


def _water_left(case: WorkCase) -> float | None:
    """Share of the usable water when the half day begins; of all trees at once, each half day asks for it."""
    situation, begin = case.situation, case.from_utc
    exposure = situation.exposure
    if exposure is None or not exposure.start_utc.size or case.state.tree.id not in exposure.tree_ids:
        return None
    if begin <= situation.now_utc < case.until_utc:
        return float(exposure.left_now_share[exposure.row(case.state.tree.id)])

    def least() -> FloatArray:
        low, high, _ = overlapping(exposure.start_utc[0], begin, begin + timedelta(hours=1))
        hours = exposure.water_left_share[:, low:high]
        return np.asarray(np.fmin.reduce(hours, axis=1, initial=np.inf), dtype=np.float64)

    left = situation.once(("water_left", begin), least)
    return float(left[exposure.row(case.state.tree.id)])
