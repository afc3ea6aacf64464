"""What must hold whatever the case: worse never improves a verdict, less known never opens one."""

from __future__ import annotations

from dataclasses import replace
from datetime import date, timedelta
from typing import Any

import numpy as np
import pytest
from advice.work_builders import situation_of
from hypothesis import given, settings
from hypothesis import strategies as st

from advisor.advice.model import Situation, WorkJudgement
from advisor.advice.windows import VERDICT_ORDER
from advisor.advice.work import judge

FEW = settings(max_examples=20, derandomize=True, deadline=None, database=None)
HEAVY = ("big-cut", "defoliate", "carve", "wire")
CHECK_ORDER = ("pass", "care", "unknown", "fail")


def asked(work: str, **case: Any) -> WorkJudgement:
    situation, day = situation_of({"species": "acer-palmatum", "events": [["leaves-hard", 10]], **case})
    return judge(situation, work, "t1", day)


def rank(judgement: WorkJudgement) -> int:
    return VERDICT_ORDER.index(judgement.verdict)


@pytest.mark.parametrize("work", HEAVY)
@FEW
@given(
    wind=st.floats(2, 14),
    more_wind=st.floats(0, 10),
    warm=st.floats(23, 38),
    warmer=st.floats(0, 8),
    rain=st.floats(0, 3),
    more_rain=st.floats(0, 20),
)
def test_worse_weather_never_improves_a_verdict(
    work: str, wind: float, more_wind: float, warm: float, warmer: float, rain: float, more_rain: float
) -> None:
    wet = [[0, hour, rain] for hour in (9, 12, 15)]
    wetter = [[0, hour, rain + more_rain] for hour in (9, 12, 15)]
    mild = asked(work, weather={"tmax": warm, "tmin": 14, "wind": wind}, rain=wet)
    harsh = asked(work, weather={"tmax": warm + warmer, "tmin": 14, "wind": wind + more_wind}, rain=wetter)
    assert rank(harsh) >= rank(mild)


@pytest.mark.parametrize("work", ["big-cut", "defoliate", "carve", "wire", "start-layer", "part-defoliate"])
@FEW
@given(first=st.integers(0, 150), later=st.integers(0, 60), frost=st.integers(0, 90))
def test_later_day_never_reopens_a_closed_season(work: str, first: int, later: int, frost: int) -> None:
    end = (date(2026, 9, 20) + timedelta(days=frost)).isoformat()

    def season(ask: int) -> int:
        # the year runs out 190 days after 20 June; beyond that another season begins
        found = asked(work, frost=end, ask=min(ask, 190))
        return max(CHECK_ORDER.index(check.verdict) for check in found.checks if check.check == "season")

    assert season(first + later) >= season(first)


STRESS = ("repotted", "cut", "bent", "carved", "scorched", "wilted", "frosted", "pests", "layer-separated")


@pytest.mark.parametrize("work", HEAVY)
@FEW
@given(
    before=st.lists(st.tuples(st.sampled_from(STRESS), st.integers(3, 500)), max_size=2),
    added=st.sampled_from(STRESS),
    ago=st.integers(3, 500),
)
def test_added_stress_never_improves_a_verdict(
    work: str, before: list[tuple[str, int]], added: str, ago: int
) -> None:
    # the last of each kind counts: an added older one of the same kind must change nothing
    events: list[list[Any]] = [["leaves-hard", 10], *([entry, days, 0.4] for entry, days in before)]
    more = [*events, [added, ago, 0.4]]
    newest: dict[str, list[Any]] = {}
    for event in more:
        if event[0] not in newest or event[1] < newest[event[0]][1]:
            newest[event[0]] = event
    least: dict[str, list[Any]] = {}
    for event in events:
        if event[0] not in least or event[1] < least[event[0]][1]:
            least[event[0]] = event
    assert rank(asked(work, events=list(newest.values()))) >= rank(asked(work, events=list(least.values())))


@pytest.mark.parametrize("work", HEAVY)
@pytest.mark.parametrize("stress", STRESS)
def test_stress_nearer_in_time_never_improves_a_verdict(work: str, stress: str) -> None:
    # beyond the longest session (2 days), in which a cut made with other work is one event with it
    ranks = [
        rank(asked(work, events=[["leaves-hard", 10], [stress, days, 0.4]]))
        for days in (3, 6, 10, 17, 27, 29, 41, 43, 59, 61, 89, 91, 179, 181, 299, 301, 364, 366, 500)
    ]
    assert ranks == sorted(ranks, reverse=True)
    assert ranks[-1] == 0


@pytest.mark.parametrize("work", HEAVY)
@FEW
@given(share=st.floats(0.0, 1.0), more=st.floats(0.0, 1.0), seed=st.integers(0, 999))
def test_removed_data_never_turns_cannot_tell_into_suits(
    work: str, share: float, more: float, seed: int
) -> None:
    situation, day = situation_of({"species": "acer-palmatum", "events": [["leaves-hard", 10]]})
    order = np.random.default_rng(seed).random(situation.exposure.start_utc.size)  # type: ignore[union-attr]
    some = judge(_without(situation, order < share), work, "t1", day)
    less = judge(_without(situation, order < min(1.0, share + more)), work, "t1", day)
    if some.verdict == "cannot-tell":
        assert less.verdict not in {"suits", "suits-with-care"}


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
