"""What goes over the wire: TLS, dots, line ends, addresses, and how long it may take."""

from __future__ import annotations

import socket
import ssl
import threading
import time
from pathlib import Path
from typing import Any

import pytest
import trustme
from servers.mail_server import MailServer, Script

from advisor.delivery.envelope import Envelope, mask_address, mask_addresses
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts, is_loopback, send
from advisor.errors import DeliveryError
from advisor.store.config_files import load_tables
from advisor.store.rules import StoreRules

WAITS = SmtpTimeouts(connect_s=5, command_s=5, final_answer_s=5, total_s=20)


def letter(raw: bytes = b"Subject: Frost\r\n\r\nCover.\r\n", **more: str) -> Envelope:
    address = {"sender": "advisor@example.org", "recipient": "grower@example.org"} | more
    return Envelope(address["sender"], address["recipient"], "<a@example.org>", raw)


@pytest.fixture(scope="module")
def authority() -> trustme.CA:
    return trustme.CA()


@pytest.fixture
def ca_file(authority: trustme.CA, tmp_path: Path) -> Path:
    path = tmp_path / "ca.pem"
    authority.cert_pem.write_to_path(str(path))
    return path


@pytest.fixture
def tls(authority: trustme.CA) -> ssl.SSLContext:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("127.0.0.1").configure_cert(context)
    return context


def over(port: int, security: Any, **more: Any) -> SmtpSettings:
    return SmtpSettings("127.0.0.1", port, security, WAITS, **more)


def test_tls_from_the_first_byte_delivers(tls: ssl.SSLContext, ca_file: Path) -> None:
    with MailServer(tls=tls) as server:
        receipt = send(letter(), over(server.port, "tls", ca_file=ca_file), None, lambda: None)
    assert receipt.startswith("250 ")
    assert len(server.box.taken) == 1


def test_starttls_with_password_delivers(tls: ssl.SSLContext, ca_file: Path) -> None:
    with MailServer(starttls=tls, password=(b"advisor", b"right")) as server:
        there = over(server.port, "starttls", ca_file=ca_file, username="advisor")
        send(letter(), there, "right", lambda: None)
    assert len(server.box.taken) == 1
    assert server.box.logins[0] == (b"advisor", b"right")


def test_certificate_of_an_unknown_authority_is_refused(tls: ssl.SSLContext) -> None:
    with MailServer(tls=tls) as server, pytest.raises(DeliveryError) as caught:
        send(letter(), over(server.port, "tls"), None, lambda: None)
    assert (caught.value.verdict, caught.value.lane_fault) == ("transient", True)
    assert "certificate" in str(caught.value)
    assert server.box.taken == []


def test_certificate_for_another_name_is_refused(authority: trustme.CA, ca_file: Path) -> None:
    context = ssl.SSLContext(ssl.PROTOCOL_TLS_SERVER)
    authority.issue_cert("mail.example.org").configure_cert(context)
    with MailServer(tls=context) as server, pytest.raises(DeliveryError, match="certificate"):
        send(letter(), over(server.port, "tls", ca_file=ca_file), None, lambda: None)
    assert server.box.taken == []


@pytest.mark.parametrize("security", ["tls", "starttls"])
def test_certificate_is_held_against_the_name_that_was_asked_for(
    tls: ssl.SSLContext, ca_file: Path, security: Any
) -> None:
    """The certificate says 127.0.0.1, the grower wrote localhost (RFC 6125: the configured name counts)."""
    with MailServer(**{"tls" if security == "tls" else "starttls": tls}) as server:
        by_name = SmtpSettings("localhost", server.port, security, WAITS, ca_file=ca_file)
        with pytest.raises(DeliveryError, match="certificate") as caught:
            send(letter(), by_name, None, lambda: None)
    assert caught.value.lane_fault
    assert server.box.taken == []


def test_starttls_never_falls_back_to_clear_text() -> None:
    with MailServer() as server, pytest.raises(DeliveryError, match="STARTTLS") as caught:
        send(letter(), over(server.port, "starttls"), None, lambda: None)
    assert caught.value.lane_fault
    assert server.box.taken == []


def test_tls_against_a_clear_text_port_is_transient(ca_file: Path) -> None:
    with MailServer() as server, pytest.raises(DeliveryError) as caught:
        send(letter(), over(server.port, "tls", ca_file=ca_file), None, lambda: None)
    assert caught.value.verdict == "transient"


def test_plain_to_another_machine_is_refused_unless_named() -> None:
    # 192.0.2.1 is for documentation, RFC 5737; nothing is connected to
    far = SmtpSettings("192.0.2.1", 25, "plain", WAITS)
    with pytest.raises(DeliveryError, match="plain") as caught:
        send(letter(), far, None, lambda: None)
    assert caught.value.lane_fault


@pytest.mark.parametrize(
    ("host", "own"),
    [
        ("127.0.0.1", True),
        ("127.8.9.1", True),
        ("::1", True),
        ("localhost", True),
        ("LOCALHOST.", True),
        ("192.0.2.1", False),
        ("localhost.example.org", False),
        ("mail.example.org", False),
    ],
)
def test_loopback_is_this_machine_only(host: str, own: bool) -> None:
    # RFC 1122 section 3.2.1.3 (127/8), RFC 4291 section 2.5.3 (::1)
    assert is_loopback(host) is own


@pytest.mark.parametrize(
    "body",
    [
        b".", b"..", b".\r\n.\r\n", b"line\r\n.hidden\r\n..two\r\nend", b"", b"a\nb\n.c\n", b"a\rb",
        b"x" * 70_000, b"no line end",
    ],
)  # fmt: skip
def test_message_arrives_as_it_was_whatever_its_dots(body: bytes) -> None:
    # RFC 5321 section 4.5.2: the receiver takes one leading dot off; the server is a library's
    raw = b"Subject: dots\r\n\r\n" + b"\r\n".join(body[i : i + 900] for i in range(0, len(body), 900))
    with MailServer() as server:
        send(letter(raw), over(server.port, "plain"), None, lambda: None)
    arrived = server.box.taken[0][2]
    wanted = raw.replace(b"\r\n", b"\n").replace(b"\r", b"\n").replace(b"\n", b"\r\n")
    assert arrived == (wanted if wanted.endswith(b"\r\n") else wanted + b"\r\n")


@pytest.mark.parametrize(
    "address",
    [
        "gärtner@example.org",
        "grower@bäume.example",
        "grower",
        "a@b@example.org>\r\nDATA",
        "a b@example.org",
        "grower@example.org\r\nRCPT TO:<other@example.org>",
        "",
        "<grower@example.org>",
    ],
)
def test_address_that_is_none_is_refused_before_anything_is_connected(address: str) -> None:
    begun: list[int] = []
    with MailServer() as server, pytest.raises(DeliveryError) as caught:
        send(letter(recipient=address), over(server.port, "plain"), None, lambda: begun.append(1))
    assert caught.value.verdict == "permanent"
    assert not begun
    assert server.box.rcpt == []


def test_fault_while_marking_the_payload_sends_nothing() -> None:
    class DiskFullError(Exception):
        pass

    def full() -> None:
        raise DiskFullError

    with MailServer() as server:
        with pytest.raises(DiskFullError):
            send(letter(), over(server.port, "plain"), None, full)
        time.sleep(0.1)
    assert server.box.taken == []


def test_dripping_server_is_cut_when_the_whole_time_is_used() -> None:
    """A server that sends one line more again and again never runs into the wait for one answer."""
    listener = socket.create_server(("127.0.0.1", 0))
    done = threading.Event()

    def drip() -> None:
        peer, _ = listener.accept()
        with peer:
            while not done.is_set():
                try:
                    peer.sendall(b"220-wait\r\n")
                except OSError:
                    return
                done.wait(0.1)

    thread = threading.Thread(target=drip)
    thread.start()
    waits = SmtpTimeouts(connect_s=5, command_s=5, final_answer_s=5, total_s=0.8)
    began = time.monotonic()
    try:
        with pytest.raises(DeliveryError, match="time used up") as caught:
            send(
                letter(),
                SmtpSettings("127.0.0.1", listener.getsockname()[1], "plain", waits),
                None,
                lambda: None,
            )
    finally:
        done.set()
        thread.join()
        listener.close()
    assert caught.value.verdict == "transient"
    assert time.monotonic() - began < 4


def test_whole_time_used_up_at_the_final_dot_is_unknown() -> None:
    waits = SmtpTimeouts(connect_s=5, command_s=5, final_answer_s=20, total_s=0.8)
    with MailServer(Script("dot", "silence")) as server, pytest.raises(DeliveryError) as caught:
        send(letter(), SmtpSettings("127.0.0.1", server.port, "plain", waits), None, lambda: None)
    assert caught.value.verdict == "unknown"


def test_addresses_are_masked() -> None:
    assert mask_address("grower@example.org") == "g...@example.org"
    assert mask_address("nonsense") == "..."
    assert "grower@" not in mask_addresses("550 <grower@example.org>: no such user, see other@example.net")


def test_shipped_waits_are_in_order() -> None:
    """The lease outlives the longest send; final answer within the ten minutes of RFC 5321 4.5.3.2.7."""
    numbers = load_tables().operation
    waits = SmtpTimeouts.from_numbers(numbers)
    assert waits.connect_s < waits.command_s < waits.final_answer_s < waits.total_s
    assert 60 <= waits.final_answer_s <= 600
    assert StoreRules.from_numbers(numbers).lease.total_seconds() > 2 * waits.total_s
