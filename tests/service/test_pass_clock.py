"""One digest a day whatever the clock does: changes of the clock, sleep, downtime, a clock set back."""

from __future__ import annotations

from datetime import date, timedelta
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import SUMMER_JOURNAL, Yard, day_of, every, local, text_of

from advisor.errors import SettingsError
from advisor.service.clock import Clock
from advisor.service.tick import run_pass
from advisor.store.locks import pass_lock

FEW = ("wren", "curlew")


@pytest.fixture
def small(tmp_path: Path, weather: ForecastServer) -> Yard:
    return Yard.write(tmp_path / "small", weather, trees=FEW)


def first_lines(yard: Yard) -> str:
    return " ".join(text_of(yard.mails("digest")[-1]).split("MUST DO", 1)[0].split("WATER", 1)[0].split())


def test_folder_of_a_given_clock_refuses_the_system_clock(small: Yard) -> None:
    small.tick("2013-07-13T06:00")
    with pytest.raises(SettingsError, match="refused"):
        run_pass(small.folder, Clock("system"), {})
    done = small.command("tick")
    assert done.returncode == 2
    assert "another state folder" in done.stderr
    assert len(small.mails("digest")) == 1


def test_folder_of_the_system_clock_refuses_a_given_one(small: Yard) -> None:
    run_pass(small.folder, Clock("system"), {})
    done = small.command("tick", now="2013-07-13T06:00")
    assert done.returncode == 2
    assert "refused" in done.stderr


def test_clock_set_back_sends_nothing_twice(small: Yard) -> None:
    small.tick("2013-07-13T06:00")
    small.tick("2013-07-14T06:00")
    ids = [mail["Message-ID"] for mail in small.mails()]
    for at in ("2013-07-13T06:00", "2013-07-13T12:00", "2013-07-14T06:00", "2013-07-14T07:00"):
        assert small.tick(at).sent == 0
    assert [mail["Message-ID"] for mail in small.mails()] == ids
    assert [day_of(mail) for mail in small.mails("digest")] == [date(2013, 7, 13), date(2013, 7, 14)]


@pytest.mark.parametrize(
    ("begin", "end", "days"),
    [
        # Energy Policy Act of 2005, section 110: second Sunday of March, first Sunday of November
        ("2013-03-09T02:00", "2013-03-11T08:00", [date(2013, 3, 9), date(2013, 3, 10), date(2013, 3, 11)]),
        ("2013-11-02T02:00", "2013-11-04T10:00", [date(2013, 11, 2), date(2013, 11, 3), date(2013, 11, 4)]),
    ],
)
def test_one_digest_a_day_through_a_clock_change(small: Yard, begin: str, end: str, days: list[date]) -> None:
    for at in every(begin, end, timedelta(hours=4)):
        small.tick(at)
    found = small.mails("digest")
    assert [day_of(mail) for mail in found] == days
    for mail in found:
        sent = mail["Date"].datetime
        late = sent - local(f"{day_of(mail)}T06:00")
        assert timedelta(0) <= late < timedelta(hours=4)


@pytest.mark.parametrize("at", ["01:30", "02:30"])
def test_digest_hour_inside_a_clock_change_still_comes_once(
    tmp_path: Path, weather: ForecastServer, at: str
) -> None:
    """02:30 does not exist on 10 March 2013 in New York; 01:30 comes twice on 3 November 2013."""
    day = date(2013, 11, 3) if at == "01:30" else date(2013, 3, 10)
    yard = Yard.write(tmp_path / "odd", weather, trees=FEW, mail=f'[digest]\nat = "{at}"\n')
    for moment in every(f"{day}T00:00", f"{day}T05:00", timedelta(minutes=30)):
        yard.tick(moment)
    assert [day_of(mail) for mail in yard.mails("digest")] == [day]


def test_down_from_five_to_one_the_digest_goes_late(small: Yard) -> None:
    assert small.tick("2013-07-13T05:00").sent == 0
    assert "digest/2013-07-13" in small.tick("2013-07-13T13:00").queued
    (mail,) = small.mails("digest")
    assert mail["Date"].datetime == local("2013-07-13T13:00")
    assert day_of(mail) == date(2013, 7, 13)


def test_down_all_day_is_skipped_and_the_next_mail_says_so(small: Yard) -> None:
    small.tick("2013-07-12T06:00")
    report = small.tick("2013-07-13T20:00")
    assert report.exit_code == 1
    assert "digest of 2013-07-13 was not sent" in "\n".join(report.lines)
    assert [day_of(mail) for mail in small.mails("digest")] == [date(2013, 7, 12)]
    assert small.tick("2013-07-13T21:00").exit_code == 0, "said once"
    small.tick("2013-07-14T06:00")
    assert "No mail went out yesterday" in first_lines(small)
    small.tick("2013-07-15T06:00")
    assert "yesterday" not in first_lines(small)


def test_down_over_a_whole_day_without_any_pass_is_said_too(small: Yard) -> None:
    small.tick("2013-07-12T06:00")
    small.tick("2013-07-14T06:00")
    assert [day_of(mail) for mail in small.mails("digest")] == [date(2013, 7, 12), date(2013, 7, 14)]
    assert "No mail went out yesterday" in first_lines(small)
    small.tick("2013-07-18T06:00")
    assert "No mail went out from Mon 15 Jul to Wed 17 Jul" in first_lines(small)


def test_second_pass_while_one_holds_the_lock_does_nothing(small: Yard) -> None:
    with pass_lock(small.folder / "state") as mine:
        assert mine
        done = small.command("tick", now="2013-07-13T06:00")
    assert done.returncode == 0
    assert "another pass is running" in done.stderr
    assert small.mails() == []
    assert small.weather.requests == []
    assert small.tick("2013-07-13T06:00").sent >= 1, "the next pass does the work"


def test_digest_follows_the_garden_clock_not_that_of_the_machine(
    tmp_path: Path, weather: ForecastServer
) -> None:
    yard = Yard.write(tmp_path / "clock", weather, trees=FEW, journal=SUMMER_JOURNAL)
    done = yard.command("tick", now="2013-07-13T06:00", env={"TZ": "Asia/Tokyo"})
    assert done.returncode == 0, done.stderr
    assert [day_of(mail) for mail in yard.mails("digest")] == [date(2013, 7, 13)]
