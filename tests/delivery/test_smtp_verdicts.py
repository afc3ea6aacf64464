"""Every answer of a mail server, at every stage, against the verdicts of smtp_answers.json."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest
from servers.mail_server import MailServer, Script, free_port

from advisor.delivery.envelope import Envelope
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts, send
from advisor.errors import DeliveryError

CASES = json.loads((Path(__file__).parent / "smtp_answers.json").read_text())["cases"]
SHORT = SmtpTimeouts(connect_s=0.6, command_s=0.6, final_answer_s=0.6, total_s=20)
LETTER = Envelope(
    "advisor@example.org",
    "grower@example.org",
    "<a@example.org>",
    b"Subject: Frost\r\n\r\nCover two trees.\r\n",
)


def settings(port: int, **more: Any) -> SmtpSettings:
    return SmtpSettings("127.0.0.1", port, "plain", SHORT, **more)


@pytest.mark.parametrize("case", CASES, ids=[case["name"] for case in CASES])
def test_answer_at_a_stage_gives_its_verdict(case: dict[str, Any]) -> None:
    begun: list[int] = []
    script = Script(case["stage"], case["answer"])
    with MailServer(script) as server, pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(server.port), None, lambda: begun.append(1))
    assert (caught.value.verdict, caught.value.lane_fault) == (case["verdict"], case["lane_fault"])
    assert bool(begun) is case["payload_began"]
    assert len(begun) <= 1
    assert "grower@" not in str(caught.value)
    if case["answer"][:3].isdigit():
        assert case["answer"][:3] in str(caught.value)


def test_wrong_password_is_a_fault_of_the_channel() -> None:
    with MailServer(password=(b"advisor", b"right")) as server, pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(server.port, username="advisor"), "wr0ng-secret", lambda: None)
    assert (caught.value.verdict, caught.value.lane_fault) == ("transient", True)
    assert "535" in str(caught.value)
    assert "wr0ng-secret" not in str(caught.value)
    chain: list[str] = []
    error: BaseException | None = caught.value
    while error is not None:
        chain.append(str(error))
        error = error.__cause__
    assert "wr0ng-secret" not in " ".join(chain)
    assert server.box.taken == []


def test_right_password_is_taken() -> None:
    with MailServer(password=(b"advisor", b"right")) as server:
        assert send(LETTER, settings(server.port, username="advisor"), "right", lambda: None).startswith(
            "250 "
        )
    assert len(server.box.taken) == 1


def test_server_that_wants_a_password_and_gets_none_is_a_fault_of_the_channel() -> None:
    with MailServer(password=(b"advisor", b"right")) as server, pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(server.port), None, lambda: None)
    assert (caught.value.verdict, caught.value.lane_fault) == ("transient", True)


@pytest.mark.parametrize("password", [None, "", "käse"])
def test_password_missing_or_not_ascii_is_a_fault_of_the_channel(password: str | None) -> None:
    with MailServer(password=(b"advisor", b"right")) as server, pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(server.port, username="advisor"), password, lambda: None)
    assert caught.value.lane_fault
    assert "käse" not in str(caught.value)
    assert server.box.logins == []


def test_server_echoing_the_password_is_masked() -> None:
    script = Script("rcpt", "550 bad token s3cret-word for grower@example.org")
    with MailServer(script) as server, pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(server.port), "s3cret-word", lambda: None)
    assert "s3cret-word" not in str(caught.value)
    assert "g...@example.org" in str(caught.value)


def test_closed_port_is_transient() -> None:
    with pytest.raises(DeliveryError) as caught:
        send(LETTER, settings(free_port()), None, lambda: None)
    assert (caught.value.verdict, caught.value.lane_fault) == ("transient", False)


def test_name_that_does_not_resolve_is_transient() -> None:
    # .invalid never resolves: RFC 2606 section 2
    nowhere = SmtpSettings("mail.invalid", 465, "tls", SHORT)
    with pytest.raises(DeliveryError) as caught:
        send(LETTER, nowhere, None, lambda: None)
    assert caught.value.verdict == "transient"
