"""Heat and frost warnings against what happened, and against rules that need no advisor.

A day is warned of when something said so before the first hour of harm (on a day without harm: before the day
was over). A night counts by the day on which it begins. An event is an unbroken run of days on which it
happened; it is warned of when the first word on any of its days came before its first hour: its lead time.
"""

from __future__ import annotations

import numpy as np

from advisor.advice.hours import day_span, night_span
from advisor.message.judgement import WarningScore
from advisor.physics.missing import FloatArray, as_float
from advisor.service.judging_speakers import Speaker, speakers_of
from advisor.service.judging_truth import HazardTruth, Truth
from advisor.store.replayed_folder import digest_mornings
from advisor.weather.table import TimeArray, stamp_of
from advisor.weather.verification import brier_score, contingency, relative_value, runs_of

__all__ = ["cost_loss_ratios", "judge_warnings"]

_NEVER = np.datetime64("NaT", "s")
_LATE = np.datetime64("9999-01-01T00:00:00", "s")
_STANDING = "standing-heat-"


def cost_loss_ratios(truth: Truth) -> FloatArray:
    """Ratios of cost over loss at which value is given: config/limits.toml."""
    get = truth.tables.limits.value
    low, high, step = (get(f"judging.ratio_{name}", "share") for name in ("from", "until", "step"))
    return as_float(low + step * np.arange(round((high - low) / step) + 1))


def judge_warnings(truth: Truth) -> list[WarningScore]:
    """Score every speaker against every reading of what happened, heat first."""
    get = truth.tables.limits.value
    hot, cold = get("judging.hot_day_c", "degC"), get("judging.frost_day_c", "degC")
    found: list[WarningScore] = []
    for hazard, one, limit, rule in (
        ("heat", truth.heat, hot, f"over {hot:g} °C"),
        ("frost", truth.frost, cold, f"under {cold:g} °C"),
    ):
        speakers = speakers_of(truth, hazard, one, limit, rule)
        for name, happened, begins, by_tree in _truths(truth, hazard, one, limit):
            found += [_score(truth, hazard, name, happened, begins, who, by_tree=by_tree) for who in speakers]
    return found


# --- what happened -----------------------------------------------------------------------------------------


def _any(values: FloatArray) -> FloatArray:
    """1 where any tree, NaN where none is known to be and some is unknown."""
    yes = (values == 1.0).any(axis=-1)
    unknown = np.isnan(values).any(axis=-1)
    return np.where(yes, 1.0, np.where(unknown, np.nan, 0.0))


def _first(begins: TimeArray) -> TimeArray:
    """Earliest of the trees, NaT where none."""
    filled = np.where(np.isnat(begins), _LATE, begins)
    earliest: TimeArray = np.concatenate([filled, np.full((len(filled), 1), _LATE)], axis=-1).min(axis=-1)
    return np.where(earliest == _LATE, _NEVER, earliest)


def _truths(
    truth: Truth, hazard: str, one: HazardTruth, limit: float
) -> list[tuple[str, FloatArray, TimeArray, bool]]:
    garden, limits = truth.replayed.holdings.garden, truth.tables.limits
    found = [("harm", one.harm, one.begins_utc, False)]
    if hazard == "heat":
        beyond = _beyond_standing(truth, one)
        run = round(limits.value("heat.wave_d", "d"))
        waves = np.zeros(len(truth.days))
        some = _any(beyond)
        for first, last in runs_of(some):
            if last - first + 1 >= run:
                waves[first : last + 1] = 1.0
        waves = np.where(np.isnan(some), np.nan, waves)
        here = np.where(beyond == 1.0, one.begins_utc, _NEVER)
        found.append(("harm, not told as standing", beyond, here, False))
        words = {2: "two", 3: "three", 4: "four", 5: "five"}.get(run, str(run))
        begun = np.where(waves == 1.0, _first(here), _NEVER)
        found.append((f"{words} days running", waves[:, np.newaxis], begun[:, np.newaxis], False))
    weather, reached = truth.replayed.weather, np.full((len(truth.days), 1), np.nan)
    air, begins = weather.value("air_temperature_c"), np.full((len(truth.days), 1), _NEVER)
    for row, day in enumerate(truth.days):
        span = day_span(garden, day) if hazard == "heat" else night_span(garden, day)
        if np.isnan(one.extreme_c[row]):
            continue
        over = one.extreme_c[row] >= limit if hazard == "heat" else one.extreme_c[row] <= limit
        reached[row] = float(over)
        if over:
            inside = (weather.start_utc >= stamp_of(span[0])) & (weather.start_utc < stamp_of(span[1]))
            with np.errstate(invalid="ignore"):
                hours = inside & (air >= limit if hazard == "heat" else air <= limit)
            begins[row] = weather.start_utc[np.argmax(hours)]
    found.append((f"{limit:g} °C reached", reached, begins, False))
    found.append(("harm, tree by tree", one.harm, one.begins_utc, True))
    return found


def _beyond_standing(truth: Truth, one: HazardTruth) -> FloatArray:
    """Harm, less that of trees told to be moved for good, but for days well beyond the limit."""
    worse = truth.tables.limits.value("standing.worse_k", "K")
    told = np.zeros(one.harm.shape, dtype=bool)
    rows = {tree: row for row, tree in enumerate(truth.exposure.tree_ids)}
    for day, morning in digest_mornings(truth.replayed.mornings).items():
        for piece in morning.advice:
            if piece.id.startswith(_STANDING):
                for tree in piece.trees:
                    if tree in rows:
                        told[(day - truth.days[0]).days :, rows[tree]] = True
    with np.errstate(invalid="ignore"):
        usual = told & (one.harm == 1.0) & (one.margin_k < worse)
    return np.where(usual, 0.0, one.harm)


# --- scores ------------------------------------------------------------------------------------------------


def _ends(truth: Truth, hazard: str) -> TimeArray:
    """Last instant at which a warning of a quiet day is one."""
    garden = truth.replayed.holdings.garden
    spans = [day_span(garden, day) if hazard == "heat" else night_span(garden, day) for day in truth.days]
    return np.array([stamp_of(span[1]) for span in spans], dtype="datetime64[s]")


def _score(
    truth: Truth,
    hazard: str,
    name: str,
    happened: FloatArray,
    begins: TimeArray,
    who: Speaker,
    *,
    by_tree: bool,
) -> WarningScore:
    said, chance = who.said_utc, who.chance
    if by_tree:
        came, first = happened, begins
    else:
        came, first = _any(happened)[:, np.newaxis], _first(begins)[:, np.newaxis]
        said = _first(said)[:, np.newaxis]
        chance = None if chance is None else np.fmax.reduce(chance, axis=-1, initial=np.nan)[:, np.newaxis]
    ends = np.broadcast_to(_ends(truth, hazard)[:, np.newaxis], came.shape)
    in_time = said < np.where(np.isnat(first), ends, first)
    table = contingency(in_time.astype(np.float64), came)
    lead_h: list[float] = []
    events = 0
    for column in range(came.shape[-1]):
        for begin, end in runs_of(came[:, column]):
            events += 1
            word = _first(said[np.newaxis, begin : end + 1, column])[0]
            if word < first[begin, column]:
                lead_h.append(float((first[begin, column] - word) / np.timedelta64(3600, "s")))
    ratios = cost_loss_ratios(truth)
    return WarningScore(
        hazard=hazard,
        truth=name,
        by=who.by,
        table=table,
        events=events,
        lead_h=tuple(sorted(lead_h)),
        mails=who.mails,
        ratios=tuple(float(ratio) for ratio in ratios),
        values=tuple(float(value) for value in relative_value(table, ratios)),
        brier=None if chance is None else brier_score(chance, came),
    )
