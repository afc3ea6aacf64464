"""Who warned of what and when: the mails, the digest, and rules that need no advisor."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from datetime import date, timedelta

import numpy as np
from numpy.typing import NDArray

from advisor.advice.hours import day_span, eve_of, local_at, night_span
from advisor.physics.missing import FloatArray
from advisor.service.judging_truth import HazardTruth, Truth
from advisor.store.replayed_folder import Morning, Piece, Told, digest_mornings, spoken_at
from advisor.weather.days import at_local
from advisor.weather.table import TimeArray, stamp_of

__all__ = ["Speaker", "speakers_of"]

_NEVER = np.datetime64("NaT", "s")
_AT_ONCE, _THE_DAY_BEFORE = np.timedelta64(0, "s"), np.timedelta64(86400, "s")
_SUN_HOURS = frozenset({"direct sun today", "sun after the morning"})
"""Reasons of a move out of the sun that are not heat."""
_HEAT_IDS = ("shade-move-", "shade-net", "shade-denser")
_FROST_IDS = ("shelter-cold-",)
_EVENING_H = (18.0, 24.0)
"""Local hours by which the nights of a frost mail are told: those whose evening lies within its span."""


@dataclass(frozen=True, slots=True)
class Speaker:
    """Something that warns: when it first warned of each day and tree, NaT where it did not.

    ``said_utc`` (D, T) holds the first word; ``mails`` what was sent for it; ``chance`` (D, T) where given.
    """

    by: str
    said_utc: TimeArray
    mails: int
    chance: FloatArray | None = None


def speakers_of(truth: Truth, hazard: str, one: HazardTruth, limit: float, rule: str) -> list[Speaker]:
    """Return everyone who is held against one hazard, the advisor first; ``rule`` names the plain rule."""
    mails = _mails(truth, hazard)
    digest = _digest(truth, hazard)
    earliest = np.where(
        np.isnat(mails.said_utc) | (digest.said_utc < mails.said_utc), digest.said_utc, mails.said_utc
    )
    each = _rule_times(truth)
    with np.errstate(invalid="ignore"):
        passed = one.extreme_c > limit if hazard == "heat" else one.extreme_c < limit
    before = np.concatenate([[_day_before(truth, hazard, limit)], passed[:-1]])
    spell = "day" if hazard == "heat" else "night"
    everyone = np.ones(one.harm.shape[-1], dtype=bool)

    def of_rule(by: str, days: NDArray[np.bool_], ahead: np.timedelta64 = _AT_ONCE) -> Speaker:
        said = np.where(days[:, np.newaxis] & everyone, each[:, np.newaxis] - ahead, _NEVER)
        return Speaker(by, said, int(days.sum()))

    return [
        mails,
        digest,
        Speaker("either", earliest, mails.mails + digest.mails),
        of_rule(rule, passed),
        of_rule(f"{rule} the {spell} before", before),
        of_rule("always", np.ones(len(truth.days), dtype=bool), _THE_DAY_BEFORE),
        of_rule("never", np.zeros(len(truth.days), dtype=bool)),
    ]


def _day_before(truth: Truth, hazard: str, limit: float) -> bool:
    """Whether the limit was passed on the day before the first."""
    garden, weather = truth.replayed.holdings.garden, truth.replayed.weather
    day = truth.days[0] - timedelta(days=1)
    span = day_span(garden, day) if hazard == "heat" else night_span(garden, day)
    inside = (weather.start_utc >= stamp_of(span[0])) & (weather.start_utc < stamp_of(span[1]))
    air = weather.value("air_temperature_c")[inside]
    with np.errstate(invalid="ignore"):
        return bool((air > limit).any() if hazard == "heat" else (air < limit).any())


def _rule_times(truth: Truth) -> TimeArray:
    """A plain rule speaks when the digest does."""
    zone, at = truth.replayed.holdings.garden.zone, truth.replayed.settings.digest_at
    return np.array([stamp_of(at_local(day, at, zone)) for day in truth.days], dtype="datetime64[s]")


def _blank(truth: Truth) -> TimeArray:
    return np.full((len(truth.days), len(truth.exposure.tree_ids)), _NEVER)


def _say(said: TimeArray, row: int, trees: Sequence[int], at: np.datetime64) -> None:
    """Keep the first word on a day and tree."""
    for tree in trees:
        if np.isnat(said[row, tree]) or at < said[row, tree]:
            said[row, tree] = at


def _rows_of(truth: Truth, trees: Sequence[str]) -> list[int]:
    known = {tree: row for row, tree in enumerate(truth.exposure.tree_ids)}
    return [known[tree] for tree in trees if tree in known]


def _days_of(truth: Truth, hazard: str, told: Told) -> list[date]:
    """Days a mail speaks of; without a span, the day on which it came."""
    garden = truth.replayed.holdings.garden
    if told.from_utc is None or told.until_utc is None:
        return [told.at.astimezone(garden.zone).date()]
    found = []
    for day in truth.days:
        begin, end = day_span(garden, day)
        if hazard == "frost":
            begin = local_at(garden, day, _EVENING_H[0])
        if told.from_utc < end and told.until_utc > begin:
            found.append(day)
    return found or ([eve_of(garden, told.from_utc)] if hazard == "frost" else [])


def _mails(truth: Truth, hazard: str) -> Speaker:
    said, count = _blank(truth), 0
    for morning in truth.replayed.mornings:
        for told in morning.messages:
            if told.kind != hazard:
                continue
            count += 1
            for day in _days_of(truth, hazard, told):
                row = (day - truth.days[0]).days
                if 0 <= row < len(truth.days):
                    _say(said, row, _rows_of(truth, told.trees), stamp_of(told.at))
    return Speaker("alert mails", said, count)


def _about(piece: Piece, hazard: str) -> bool:
    if hazard == "frost":
        return piece.kind == "shelter" and piece.id.startswith(_FROST_IDS)
    heat = piece.kind == "shade" and piece.id.startswith(_HEAT_IDS)
    return heat and any(reason.quantity not in _SUN_HOURS for reason in piece.reasons)


def _night_of(truth: Truth, morning: Morning, piece: Piece) -> date:
    """Night that a piece of advice speaks of: that of its coldest hour, else the coming one."""
    at = next((reason.at for reason in piece.reasons if reason.at is not None), None)
    return morning.day if at is None else eve_of(truth.replayed.holdings.garden, at)


def _digest(truth: Truth, hazard: str) -> Speaker:
    said, chance = _blank(truth), np.full(truth.heat.harm.shape, np.nan)
    mornings = digest_mornings(truth.replayed.mornings)
    for morning in mornings.values():
        at = stamp_of(spoken_at(morning))
        for piece in morning.advice:
            if not _about(piece, hazard):
                continue
            day = morning.day if hazard == "heat" else _night_of(truth, morning, piece)
            row, trees = (day - truth.days[0]).days, _rows_of(truth, piece.trees)
            if not 0 <= row < len(truth.days):
                continue
            _say(said, row, trees, at)
            if piece.chance is not None and day == morning.day:
                chance[row, trees] = np.fmax(chance[row, trees], piece.chance)
    return Speaker("digest", said, len(mornings), chance)
