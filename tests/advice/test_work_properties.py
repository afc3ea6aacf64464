"""What must hold whatever the case: worse never improves a verdict, less known never opens one.

Every property runs over all sixteen kinds of work from a day that suits each, and is shown to notice a rule
that was spoilt on purpose.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date, datetime, timedelta
from itertools import pairwise
from typing import Any

import numpy as np
import pytest
from advice.work_builders import situation_of
from advice.work_contexts import CONTEXTS, HARSHER, asked, rank
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice import checks_hazard, checks_tree, checks_weather, season
from advisor.advice.model import CheckVerdict, Situation
from advisor.advice.work import judge
from advisor.advice.work_case import Hours, band, option_words
from advisor.garden.seasons import healing_days
from advisor.store.config_files import load_tables
from advisor.units import Number

FEW = settings(max_examples=6, derandomize=True, deadline=None, database=None)
WORKS = tuple(CONTEXTS)
CHECK_ORDER = ("pass", "care", "unknown", "fail")
SEASONAL = tuple(
    rule.id for rule in load_tables().works.values() if any(row.kind == "season" for row in rule.checks)
)


def test_every_kind_of_work_begins_with_a_day_that_suits() -> None:
    assert set(CONTEXTS) == set(load_tables().works)
    for work in WORKS:
        judgement = asked(work)
        assert judgement.verdict == "suits", (work, judgement.checks[0].text)


# --- worse weather ------------------------------------------------------------------------------------


def weather_ranks(work: str, way: str) -> list[int]:
    return [rank(asked(work, {way: step})) for step in HARSHER[way]]


def weather_violations(work: str) -> list[str]:
    return [
        f"{work}, {way}: {ranks}" for way in HARSHER if (ranks := weather_ranks(work, way)) != sorted(ranks)
    ]


@pytest.mark.parametrize("work", WORKS)
def test_worse_weather_of_one_kind_never_improves_a_verdict(work: str) -> None:
    assert not weather_violations(work)


@pytest.mark.parametrize("work", WORKS)
def test_weather_can_forbid_every_kind_of_work(work: str) -> None:
    """Else the property above would hold of a rule that looks at nothing."""
    worst = [max(weather_ranks(work, way)) for way in ("hot", "cold", "thunder", "rain")]
    assert max(worst) == 3


@pytest.mark.parametrize("work", WORKS)
@FEW
@given(data=st.data())
def test_worse_weather_of_many_kinds_never_improves_a_verdict(work: str, data: st.DataObject) -> None:
    ways = [way for way in HARSHER if way not in {"cold", "cold-later"}]
    mild = {way: data.draw(st.sampled_from(HARSHER[way][:3]), label=way) for way in ways}
    harsh = {
        way: data.draw(st.sampled_from([one for one in HARSHER[way] if one >= mild[way]]), label=f"+{way}")
        for way in ways
    }
    assert rank(asked(work, harsh)) >= rank(asked(work, mild))


@pytest.mark.parametrize("work", ["big-cut", "defoliate", "repot", "carve", "separate-layer"])
@FEW
@given(
    share=st.sampled_from([0.0, 0.1, 0.25, 0.5, 1.0]),
    more=st.sampled_from([0.0, 0.2, 0.5]),
    warmer=st.sampled_from([0.0, 8.0, 14.0]),
    colder=st.sampled_from([0.0, 8.0, 14.0]),
)
def test_more_runs_with_worse_weather_never_improve_a_verdict_nor_does_having_runs(
    work: str, share: float, more: float, warmer: float, colder: float
) -> None:
    """Far from every limit: near one, runs that agree know more than the usual error of a forecast."""
    base = CONTEXTS[work].get("weather", {"tmax": 23.0, "tmin": 12.0})
    odd = {3: {"tmax": base["tmax"] + warmer, "tmin": base["tmin"] - colder}}
    alone = rank(asked(work))
    some = rank(asked(work, members={"count": 20, "share": share, "days": odd}))
    many = rank(asked(work, members={"count": 20, "share": min(1.0, share + more), "days": odd}))
    assert alone <= some <= many


def near_limits(work: str, caution: str = "even") -> list[list[int]]:
    """Ranks as one day ahead, and two that compete, come nearer to a limit in steps of half a kelvin."""
    base = {"tmax": 23.0, "tmin": 12.0, "gust": 5.0, **CONTEXTS[work].get("weather", {})}
    steps = [0.5 * n for n in range(0, 30, 2)]
    ways = (
        [{4: {"tmax": base["tmax"] + step}} for step in steps],
        [{1: {"tmax": base["tmax"] + step}, 5: {"tmax": base["tmax"] + 7.0}} for step in steps],
        [{6: {"tmin": base["tmin"] - step}} for step in steps],
        [{3: {"gust": base["gust"] + step}} for step in steps],
    )
    return [[rank(asked(work, days=days, caution=caution)) for days in way] for way in ways]


@pytest.mark.parametrize("work", ["big-cut", "defoliate", "repot", "bend", "start-layer"])
def test_nearer_to_a_limit_never_improves_a_verdict_and_more_caution_neither(work: str) -> None:
    by_caution = [near_limits(work, word) for word in ("bold", "even", "cautious")]
    for ways in by_caution:
        assert all(ranks == sorted(ranks) for ranks in ways), ways
    for bolder, warier in pairwise(by_caution):
        for few, many in zip(bolder, warier, strict=True):
            assert all(one <= other for one, other in zip(few, many, strict=True))


@pytest.mark.parametrize("work", ["big-cut", "defoliate", "repot", "bend", "start-layer"])
def test_the_usual_error_never_forbids(work: str) -> None:
    """Refused is what the forecast itself refuses, as the bold see it."""
    for plain, wary in zip(near_limits(work, "bold"), near_limits(work, "cautious"), strict=True):
        assert [one == 3 for one in plain] == [one == 3 for one in wary]


# --- heat that was, and warnings ------------------------------------------------------------------------

LEAF_LIMIT_C = 40.0
HEAT_DAYS = (0, 1, 2, 3, 4, 6)
"""Days of heat running, ending five days ago; three are a wave."""


def in_heat(work: str, days: int, *, ends: int = -5, hotter: float = 0.0, **case: Any) -> int:
    """Rank after ``days`` of 36 degC and more, the tree in the sun with leaves 5 K above the air."""
    wave = {ends - n: {"tmax": 36.0 + hotter} for n in range(days)}
    return rank(asked(work, leaf_limit_c=LEAF_LIMIT_C, days=wave, **case))


def warned(hazard: str, first: int, last: int) -> list[dict[str, Any]]:
    return [{"hazard": hazard, "first": first, "last": last}]


MAJOR = tuple(rule.id for rule in load_tables().works.values() if rule.effort == "major")
OWN_WEATHER = {"bend", "repot"}
"""Asked in March, when five days of 36 degC also force the season; their heat is asked for on its own."""


def heat_violations(work: str) -> list[str]:
    found = []
    told: tuple[tuple[tuple[str, int], ...], ...] = ((), (("wilted", 6),), (("wilted", 6), ("recovered", 1)))
    for events in told:
        given = {"events": [*CONTEXTS[work]["events"], *([entry, ago] for entry, ago in events)]}
        longer = [in_heat(work, days, **given) for days in HEAT_DAYS]
        hotter = [in_heat(work, 3, hotter=more, **given) for more in (-12.0, -6.0, 0.0, 4.0)]
        nearer = [in_heat(work, 3, ends=ends, **given) for ends in (-13, -9, -6, -5)]
        found += [
            f"{work}, {events}: {ranks}" for ranks in (longer, hotter, nearer) if ranks != sorted(ranks)
        ]
    return found


@pytest.mark.parametrize("work", WORKS)
def test_more_heat_behind_it_never_improves_a_verdict(work: str) -> None:
    assert not heat_violations(work)


def test_rest_after_heat_is_asked_of_every_major_work_and_of_no_other() -> None:
    for kind in ("heat-rest", "heat-wave"):
        with_it = {
            rule.id for rule in load_tables().works.values() if any(row.kind == kind for row in rule.checks)
        }
        assert with_it == set(MAJOR), kind


@pytest.mark.parametrize("work", [work for work in MAJOR if work not in OWN_WEATHER])
def test_a_wave_asks_for_care_and_harm_in_it_forbids(work: str) -> None:
    events = [event for event in CONTEXTS[work]["events"] if event[0] != "leaves-hard"]
    seen = [*events, ["leaves-hard", 20]]
    assert in_heat(work, 0, events=seen) == 0
    assert in_heat(work, 3, events=seen) == 1
    assert in_heat(work, 3, events=[*seen, ["wilted", 6]]) == 3


@pytest.mark.parametrize("work", WORKS)
@pytest.mark.parametrize("hazard", ["heat", "frost", "gale", "hail", "dry"])
def test_a_warning_never_improves_a_verdict_and_only_its_own_days_are_stopped(work: str, hazard: str) -> None:
    rows = [row for row in load_tables().works[work].checks if row.kind == "warning"]
    stops = any(hazard in option_words(row, "stopped_by") for row in rows)
    alone = rank(asked(work))
    ranks = {
        span: rank(asked(work, warnings=warned(hazard, *span)))
        for span in ((-3, -1), (0, 0), (-1, 3), (1, 3))
    }
    assert all(one >= alone for one in ranks.values())
    assert ranks[-3, -1] == ranks[1, 3] == alone
    assert (ranks[0, 0] > alone) == (ranks[-1, 3] > alone) == stops


@pytest.mark.parametrize("work", ["unwire", "seal", "separate-layer"])
def test_a_later_day_never_reopens_work_that_was_ended(work: str) -> None:
    ended = {"unwire": "unwired", "seal": "sealed", "separate-layer": "layer-separated"}[work]
    case = {"events": [*CONTEXTS[work]["events"], [ended, 0]], "flags": []}
    assert {rank(asked(work, ask=ask, **case)) for ask in range(0, 10, 3)} == {3}


def test_sealing_grows_late_with_every_day_since_the_cut() -> None:
    ranks = [rank(asked("seal", events=[["leaves-hard", 40], ["cut", ago, 0.1]])) for ago in range(30)]
    assert ranks == sorted(ranks)
    assert set(ranks) == {0, 1, 3}


@pytest.mark.parametrize("work", ["unwire", "seal"])
def test_a_line_struck_from_the_journal_never_turns_cannot_tell_into_suits(work: str) -> None:
    """Without the line that began it nothing can be told, whatever else is there."""
    begun = {"unwire": "wired", "seal": "cut"}[work]
    without = [event for event in CONTEXTS[work]["events"] if event[0] != begun]
    for events in (without, []):
        assert asked(work, events=events, flags=[]).verdict == "cannot-tell"


@pytest.mark.parametrize("work", [work for work in MAJOR if work not in OWN_WEATHER])
def test_heat_that_is_not_known_never_frees_a_tree_that_wilted(work: str) -> None:
    events = [*CONTEXTS[work]["events"], ["wilted", 6]]
    assert in_heat(work, 3, events=events) == 3
    assert in_heat(work, 3, events=events, missing_before=0) == 3
    assert in_heat(work, 0, events=events, missing_before=0) == 3


# --- the season ---------------------------------------------------------------------------------------


def season_check(work: str, ask: int, frost: date, **case: Any) -> int:
    found = asked(work, ask=ask, frost=frost.isoformat(), **case)
    return max((CHECK_ORDER.index(one.verdict) for one in found.checks if one.check == "season"), default=0)


def season_violations(work: str) -> list[str]:
    found = []
    for frost in (date(2026, 9, 20), date(2026, 10, 12), date(2026, 12, 20)):
        # the year runs out 190 days after 20 June; beyond that another season begins
        ranks = [season_check(work, ask, frost) for ask in range(0, 160, 20)]
        found += [f"{work}, {frost}: {ranks}"] if ranks != sorted(ranks) else []
    return found


@pytest.mark.parametrize("work", SEASONAL)
def test_later_day_never_reopens_a_closed_season(work: str) -> None:
    assert not season_violations(work)


@pytest.mark.parametrize("work", [work for work in SEASONAL if work not in {"wire", "feed", "bend"}])
def test_every_season_closes(work: str) -> None:
    assert season_check(work, 120, date(2026, 10, 12)) == 3


def test_season_of_bending_in_leaf_closes_too() -> None:
    leaf = {"now": "2026-06-20T07:00", "stage": "LEAVES_HARD", "weather": {"tmax": 20.0, "tmin": 12.0}}
    found = asked("bend", **{**CONTEXTS["wire"], **leaf, "ask": 120})
    assert "fail" in {one.verdict for one in found.checks if one.check == "season"}


# --- stress -------------------------------------------------------------------------------------------

STRESS = ("repotted", "cut", "bent", "carved", "scorched", "wilted", "frosted", "pests", "layer-separated")
FREE = {"unwire", "seal", "small-cut", "carve-deadwood", "lime-sulphur"}
"""Works that no earlier stress rules out."""


def with_stress(work: str, stress: list[tuple[str, int]]) -> list[list[Any]]:
    """Events of the context and of the stress; the last of each kind counts."""
    last: dict[str, list[Any]] = {}
    for event in [*CONTEXTS[work]["events"], *([entry, ago, 0.4] for entry, ago in stress)]:
        if event[0] not in last or event[1] < last[event[0]][1]:
            last[event[0]] = event
    return list(last.values())


def stress_rank(work: str, stress: list[tuple[str, int]]) -> int:
    return rank(asked(work, events=with_stress(work, stress)))


def stress_violations(work: str) -> list[str]:
    # beyond the longest session (2 days), in which a cut made with other work is one event with it
    agos = (3, 6, 17, 29, 43, 61, 91, 151, 181, 301, 366, 500)
    found = []
    for entry in STRESS:
        ranks = [stress_rank(work, [(entry, ago)]) for ago in agos]
        found += [f"{work}, {entry}: {ranks}"] if ranks != sorted(ranks, reverse=True) or ranks[-1] else []
    return found


@pytest.mark.parametrize("work", WORKS)
def test_stress_nearer_in_time_never_improves_a_verdict(work: str) -> None:
    assert not stress_violations(work)


@pytest.mark.parametrize("work", [work for work in WORKS if work not in FREE])
def test_some_stress_forbids_every_work_that_hurts(work: str) -> None:
    assert max(stress_rank(work, [(entry, 3)]) for entry in STRESS) == 3


@pytest.mark.parametrize("work", WORKS)
@FEW
@given(
    before=st.lists(st.tuples(st.sampled_from(STRESS), st.integers(3, 500)), max_size=2),
    added=st.tuples(st.sampled_from(STRESS), st.integers(3, 500)),
)
def test_added_stress_never_improves_a_verdict(
    work: str, before: list[tuple[str, int]], added: tuple[str, int]
) -> None:
    assert stress_rank(work, [*before, added]) >= stress_rank(work, before)


@pytest.mark.parametrize(
    ("latitude", "rested"), [(0.0, 365), (30.0, 332), (47.9, 302), (-47.9, 302), (60.0, 290)]
)
def test_days_that_count_towards_a_rest_grow_with_every_day_and_never_pass_the_calendar(
    latitude: float, rested: int
) -> None:
    """Days under 10.5 h in a year: some 66 at 30 degrees, 126 at 48, 150 at 60 (almanacs, from memory)."""
    garden = replace(situation_of(CONTEXTS["big-cut"])[0].holdings.garden, latitude_deg=latitude)
    numbers = load_tables().phenology
    begun = date(2026, 9, 1)
    counted = [healing_days(begun, begun + timedelta(days=n), garden, numbers) for n in range(366)]
    assert counted == sorted(counted)
    assert all(one <= n for n, one in enumerate(counted))
    assert counted[365] == pytest.approx(rested, abs=12)


# --- what is known ------------------------------------------------------------------------------------


def data_violations(work: str, seeds: range) -> list[str]:
    found = []
    situation, day = situation_of(CONTEXTS[work])
    for seed in seeds:
        order = np.random.default_rng(seed).random(situation.exposure.start_utc.size)  # type: ignore[union-attr]
        verdicts = [
            judge(_without(situation, order < share), work, "t1", day).verdict
            for share in (0.0, 0.01, 0.05, 0.2, 0.6, 1.0)
        ]
        unknown = [place for place, verdict in enumerate(verdicts) if verdict == "cannot-tell"]
        later = verdicts[unknown[0] :] if unknown else []
        if "cannot-tell" not in verdicts or any(one in {"suits", "suits-with-care"} for one in later):
            found.append(f"{work}, seed {seed}: {verdicts}")
    return found


@pytest.mark.parametrize("work", WORKS)
def test_removed_data_never_turns_cannot_tell_into_suits(work: str) -> None:
    assert not data_violations(work, range(2))


def _without(situation: Situation, gone: np.ndarray) -> Situation:
    assert situation.exposure is not None
    assert situation.weather is not None
    fields = ("bench_temperature_c", "wind_m_s", "gust_m_s", "water_left_share", "pot_core_c")
    holes = {name: np.where(gone, np.nan, getattr(situation.exposure, name)) for name in fields}
    values = {name: np.where(gone, np.nan, array) for name, array in situation.weather.values.items()}
    return replace(
        situation,
        exposure=replace(
            situation.exposure, **holes, wbgt_c=np.where(gone, np.nan, situation.exposure.wbgt_c)
        ),
        weather=replace(situation.weather, values=values),
    )


# --- the properties notice rules that are spoilt --------------------------------------------------------

SPOILT = ("big-cut", "defoliate", "carve", "repot", "start-layer", "separate-layer")


def _forgets_far_beyond(value: float, number: Number, side: str) -> tuple[CheckVerdict, float]:
    """Like ``band``, but far beyond a limit everything passes."""
    verdict, limit = band(value, number, side)
    far = abs(value - limit) > 3.0
    return ("pass", limit) if verdict == "fail" and far else (verdict, limit)


def test_spoilt_weather_limits_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checks_weather, "band", _forgets_far_beyond)
    noticed = [work for work in SPOILT if weather_violations(work)]
    assert len(noticed) >= 5, noticed


def test_spoilt_rest_after_heat_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    """A rest that counts only short runs of heat: longer heat would free the tree."""
    plain = checks_hazard.heat_runs_of

    def short(situation: Situation, tree_id: str) -> checks_hazard.HeatRecord:
        record = plain(situation, tree_id)
        return replace(record, runs=tuple(run for run in record.runs if run.days <= 3))

    monkeypatch.setattr(checks_hazard, "heat_runs_of", short)
    noticed = [work for work in MAJOR if heat_violations(work)]
    assert len(noticed) >= 4, noticed


def test_spoilt_spacing_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(checks_tree, "band", _forgets_far_beyond)
    noticed = [work for work in SPOILT if work not in FREE and stress_violations(work)]
    assert len(noticed) >= 4, noticed


def test_spoilt_season_is_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(season, "band", _forgets_far_beyond)
    noticed = [work for work in SPOILT if work in SEASONAL and season_violations(work)]
    assert len(noticed) >= 3, noticed


def test_gaps_taken_for_mild_weather_are_noticed(monkeypatch: pytest.MonkeyPatch) -> None:
    plain = Hours.extreme

    def mild(self: Hours, how: str) -> tuple[float | None, datetime | None]:
        return plain(self, how) if self.known else (15.0, None)

    monkeypatch.setattr(Hours, "extreme", mild)
    monkeypatch.setattr(Hours, "complete", property(lambda self: True))
    noticed = [work for work in SPOILT if data_violations(work, range(1))]
    assert len(noticed) >= 4, noticed
