"""Weather services and files that fail: never a silent morning, never a guess, always a word."""

from __future__ import annotations

import shutil
from collections.abc import Iterator
from datetime import timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.pass_garden import PLACES, Yard, kind_of, local, text_of, tree_lines

from advisor.errors import SettingsError

FEW = ("wren", "linnet", "curlew")
NIGHT, MORNING = "2013-07-13T01:00", "2013-07-13T06:00"
BAD_ANSWERS = (
    "truncated",
    "streaming",
    "wrong-unit",
    "strings",
    "nan-token",
    "booleans",
    "short-array",
    "html",
    "bad-gateway",
    "error-object",
    "rate-limit",
    "bad-request",
    "server-error",
    "reset",
    "redirect",
    "two-places",
    "old",
)


@pytest.fixture(scope="module")
def primed(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Yard]:
    """A garden with a forecast of one in the morning; copied by every test that spoils the next one."""
    with ForecastServer(local(NIGHT)) as weather:
        yard = Yard.write(tmp_path_factory.mktemp("primed") / "yard", weather, trees=FEW)
        assert yard.tick(NIGHT).exit_code == 0
        yield yard


@pytest.fixture
def copied(primed: Yard, tmp_path: Path) -> Iterator[Yard]:
    shutil.copytree(primed.folder, tmp_path / "yard")
    primed.weather.requests.clear()
    yield Yard(tmp_path / "yard", primed.weather)
    primed.weather.heal()


def head(mail: EmailMessage) -> str:
    """What stands above the advice, on one line."""
    return " ".join(text_of(mail).split("MUST DO", 1)[0].split("WATER", 1)[0].split())


def digest(yard: Yard) -> EmailMessage:
    (mail,) = yard.mails("digest")
    return mail


@pytest.mark.parametrize("mode", BAD_ANSWERS)
def test_bad_answer_uses_the_last_good_forecast_and_says_its_age(copied: Yard, mode: str) -> None:
    copied.weather.fail(mode)
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    assert report.lines
    mail = digest(copied)
    assert "5 h old" in head(mail)
    assert "37 °C" in text_of(mail), "the forecast of the night still tells the heat"
    asked = len(copied.weather.requests)
    assert 1 <= asked <= 2, "at most two tries"
    again = copied.tick(local(MORNING) + timedelta(minutes=5))
    assert len(copied.weather.requests) == asked, "the host is left alone for a while"
    assert again.sent == 0
    copied.weather.heal()
    later = copied.tick(local(MORNING) + timedelta(hours=25))
    assert later.exit_code == 0
    assert "h old" not in head(copied.mails("digest")[-1])


def test_silence_of_the_host_ends_within_the_time_of_a_source(copied: Yard) -> None:
    copied.weather.fail("timeout")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    assert "5 h old" in head(digest(copied))


def test_host_is_left_alone_longer_after_each_failure(copied: Yard) -> None:
    """A quarter of an hour, an hour, six hours: common practice of backing off."""
    copied.weather.fail("server-error")
    begin = local("2013-07-13T07:00")
    asked = []
    for minutes in range(0, 9 * 60, 15):
        before = len(copied.weather.requests)
        copied.tick(begin + timedelta(minutes=minutes))
        if len(copied.weather.requests) > before:
            asked.append(minutes)
    assert asked == [0, 15, 75, 435]


def test_host_that_names_a_time_is_left_alone_until_then(copied: Yard) -> None:
    copied.weather.fail("rate-limit", retry_after="7200")
    begin = local("2013-07-13T07:00")
    copied.tick(begin)
    asked = len(copied.weather.requests)
    copied.weather.heal()
    copied.tick(begin + timedelta(minutes=115))
    assert len(copied.weather.requests) == asked
    copied.tick(begin + timedelta(minutes=125))
    assert len(copied.weather.requests) == asked + 1


def test_gaps_in_the_temperature_are_filled_by_the_older_forecast_or_stay_gaps(
    copied: Yard, weather: ForecastServer, tmp_path: Path
) -> None:
    fresh = Yard.write(tmp_path / "fresh", weather, trees=FEW)
    for yard in (copied, fresh):
        yard.weather.fail("nulls")
        yard.tick(MORNING)
        assert "no advice could be worked out" not in text_of(digest(yard)).casefold()
    gaps = []
    for yard in (copied, fresh):
        rows = yard.command("weather", "--csv", now=MORNING).stdout.splitlines()[1:]
        gaps.append([row.split(",")[1] for row in rows if row.startswith("2013-07-2")].count(""))
    assert gaps[0] == 0, "the forecast of the night has these hours"
    assert gaps[1] > 0, "a gap stays an empty field"


def test_all_temperatures_missing_is_said(copied: Yard) -> None:
    copied.weather.fail("all-null")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    assert "5 h old" in head(digest(copied))


def test_without_any_forecast_ever_the_digest_says_so(yard: Yard) -> None:
    yard.weather.fail("server-error")
    report = yard.tick(MORNING)
    assert report.exit_code == 3
    mail = digest(yard)
    assert "No weather could be had" in head(mail)
    assert "check every pot" in head(mail)
    for guessed in ("High of", "Low    High", "why: chance"):
        assert guessed not in text_of(mail), "no weather where none is known"
    assert yard.mails("heat") == []


def test_forecast_that_ended_is_not_stretched(copied: Yard) -> None:
    copied.weather.fail("server-error")
    report = copied.tick(local(MORNING) + timedelta(days=20))
    assert report.exit_code == 3
    assert "No weather could be had" in head(digest(copied))


def test_broken_garden_file_after_a_good_pass_uses_the_good_copy_and_says_so(copied: Yard) -> None:
    path = copied.folder / "garden.toml"
    path.write_text(path.read_text().replace('name = "Gantry Yard"', 'name = "Gantry Yard'), encoding="utf-8")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    above = head(digest(copied))
    assert "garden.toml cannot be used" in above
    assert "garden.toml, line 3" in above
    assert "Wren" in text_of(digest(copied))


def test_broken_service_file_after_a_good_pass_uses_the_good_copy_and_says_so(copied: Yard) -> None:
    path = copied.folder / "service.toml"
    path.write_text(path.read_text() + "[digest\n", encoding="utf-8")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    assert "service.toml cannot be used" in head(digest(copied))


@pytest.mark.parametrize("name", ["garden.toml", "service.toml"])
def test_broken_file_without_a_good_copy_is_refused_with_its_fault(yard: Yard, name: str) -> None:
    path = yard.folder / name
    path.write_text("[[[\n" + path.read_text(), encoding="utf-8")
    with pytest.raises(SettingsError, match=name):
        yard.tick(MORNING)
    done = yard.command("tick", now=MORNING)
    assert done.returncode == 2
    assert name in done.stderr
    assert not (yard.folder / "state").exists()


def test_one_faulty_tree_is_named_first_and_the_others_are_advised(copied: Yard) -> None:
    path = copied.folder / "garden.toml"
    odd = tree_lines(["plover"]).replace("ulmus-parvifolia", "ulmus-parvifola")
    path.write_text(path.read_text() + odd, encoding="utf-8")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    assert "ulmus-parvifola" in report.lines[0]
    above = head(digest(copied))
    assert "plover" in above
    assert "ulmus-parvifolia" in above, "what to write instead"
    assert "Wren" in text_of(digest(copied))


def test_faulty_journal_line_is_named_and_the_rest_counts(copied: Yard) -> None:
    path = copied.folder / "journal.csv"
    path.write_text(path.read_text() + "2013-07-10,,linnet,feed,,,\n", encoding="utf-8")
    report = copied.tick(MORNING)
    assert report.exit_code == 1
    above = head(digest(copied))
    assert "journal.csv" in above
    assert "line 5" in above
    assert "bare after stripping" in " ".join(text_of(digest(copied)).split()), "other lines still count"


def test_garden_without_trees_still_gets_a_mail(weather: ForecastServer, tmp_path: Path) -> None:
    yard = Yard.write(tmp_path / "bare", weather, trees=())
    assert (yard.folder / "garden.toml").read_text() == PLACES
    yard.tick(MORNING)
    assert [kind_of(mail) for mail in yard.mails()] == ["digest"]
