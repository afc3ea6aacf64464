"""A quick look: passes on one morning in four, and every hour of the season all the same.

Weather: as in test_replay.py. The hours and states of a look must be those that a replay of every day finds
for the same weather, journal and garden (definition).
"""

from __future__ import annotations

from datetime import date, timedelta

import pytest
from service.test_replay import Scene, mornings, results, table_of

from advisor.errors import SettingsError
from advisor.service.judging import judge_folders

JULY = (date(2013, 7, 12), date(2013, 7, 21))
JOURNAL = (
    "2013-05-20,,wren,leaves-hard,,,",
    "2013-07-14,09:00,wren,defoliated,,,",
    "2013-07-18,,wren,watered,,,",
)
STATE = ("stage", "stage_known", "flags", "place", "leaf_limit_c", "frost_limit_c", "root_limit_c")
WEATHER = ("direct_sun_share", "shortwave_w_m2", "bench_temperature_c", "vpd_kpa", "wind_m_s")


@pytest.fixture(scope="module")
def scene(tmp_path_factory: pytest.TempPathFactory) -> Scene:
    made = Scene.write(tmp_path_factory.mktemp("every"), ("wren",), JOURNAL)
    for name, every in (("daily", 1), ("look", 4)):
        done = made.replay(made.plan(*JULY, name, error="none", every=every))
        assert done.exit_code == 0, done.lines
    return made


def test_only_the_mornings_asked_for_are_advised_on(scene: Scene) -> None:
    passes = mornings(scene.root / "look")
    assert [one["day"] for one in passes] == [
        day for day in ("2013-07-12", "2013-07-16", "2013-07-20") for _ in "ab"
    ]
    digests = [mail for one in passes for mail in one["messages"] if mail["kind"] == "digest"]
    assert len(digests) == 3
    for mail in digests[1:]:
        assert "No mail went out yesterday: this replay looks at one morning in 4." in " ".join(
            mail["text"].split()
        )
    summary = (scene.root / "look" / "summary.txt").read_text(encoding="utf-8")
    assert "one morning in 4" in summary
    assert "3 days, 6 passes" in summary


def test_every_hour_and_the_state_of_every_day_are_those_of_a_daily_replay(scene: Scene) -> None:
    ours, theirs = (table_of(scene.root / name / "season" / "wren.csv") for name in ("look", "daily"))
    assert [row["start_utc"] for row in ours] == [row["start_utc"] for row in theirs]
    assert len(ours) == 240
    for mine, other in zip(ours, theirs, strict=True):
        assert {name: mine[name] for name in WEATHER} == {name: other[name] for name in WEATHER}
    ours, theirs = (table_of(scene.root / name / "season" / "wren.days.csv") for name in ("look", "daily"))
    assert [row["day"] for row in ours] == [str(JULY[0] + timedelta(days=n)) for n in range(10)]
    for mine, other in zip(ours, theirs, strict=True):
        assert {name: mine[name] for name in STATE} == {name: other[name] for name in STATE}
    stripped = ["leafless" in row["flags"] for row in ours]
    assert stripped == [False, False, *[True] * 8], "stripped on the 14th, between two mornings"
    assert all(row["water_left_min_share"] for row in ours)


def test_judge_wants_every_day(scene: Scene) -> None:
    with pytest.raises(SettingsError, match=r"--every 4.*replay every day"):
        judge_folders([scene.root / "look"], [])
    assert judge_folders([scene.root / "daily"], []).text


def test_stopped_and_gone_on_gives_the_same_bytes(scene: Scene) -> None:
    plan = scene.plan(*JULY, "stopped", error="none", every=4)
    told: list[str] = []
    assert scene.replay(plan, tell=told.append, stop=lambda: len(told) >= 2).exit_code == 1
    assert len(mornings(plan.out)) == 4
    assert scene.replay(plan).exit_code == 0
    assert results(plan.out) == results(scene.root / "look")
    with pytest.raises(SettingsError, match="--every"):
        scene.replay(scene.plan(*JULY, "stopped", error="none", every=2))
