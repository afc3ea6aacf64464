"""Mail by SMTP: one message, one recipient, one connection, every answer read at its own stage.

The standard client raises the same error for a cut before and after the payload, so the stages are
driven here one by one: only a client that knows where it stands can tell "not sent" from "perhaps
sent". Sources: RFC 5321 (4.2 answers, 4.5.2 dots, 4.5.3.2 timeouts), RFC 3207 (STARTTLS), RFC 4954
(authentication), from memory.
"""

from __future__ import annotations

import contextlib
import re
import smtplib
import socket
import ssl
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field

from advisor.delivery.envelope import Envelope, check_envelope
from advisor.delivery.smtp_answers import Answers
from advisor.delivery.smtp_settings import SmtpSettings, SmtpTimeouts, is_loopback

__all__ = ["SmtpSettings", "SmtpTimeouts", "is_loopback", "send"]

_QUIT_S = 2.0


class _Client(smtplib.SMTP):
    """The standard client, connected over TLS where asked, so that a watch can cut it at any time."""

    def __init__(self, settings: SmtpSettings, ehlo_name: str, context: ssl.SSLContext | None) -> None:
        self.tls_from_start = context if settings.security == "tls" else None
        super().__init__(local_hostname=ehlo_name, timeout=settings.timeouts.connect_s)
        self._host = settings.host

    def _get_socket(self, host: str, port: int, timeout: float) -> socket.socket:
        plain = socket.create_connection((host, port), timeout)
        if self.tls_from_start is None:
            return plain
        try:
            return self.tls_from_start.wrap_socket(plain, server_hostname=host)
        except BaseException:
            plain.close()
            raise

    def wait(self, seconds: float) -> None:
        """Set how long the next answer may take."""
        if self.sock is not None:
            self.sock.settimeout(seconds)


@dataclass
class _Watch:
    """Cuts the connection when the whole time is used up."""

    client: _Client
    total_s: float
    fired: threading.Event = field(default_factory=threading.Event)

    def _cut(self) -> None:
        self.fired.set()
        sock = self.client.sock
        if sock is not None:
            with contextlib.suppress(OSError):
                sock.shutdown(socket.SHUT_RDWR)

    @contextlib.contextmanager
    def running(self) -> Iterator[None]:
        timer = threading.Timer(self.total_s, self._cut)
        timer.daemon = True
        timer.start()
        try:
            yield
        finally:
            timer.cancel()


def send(
    envelope: Envelope, settings: SmtpSettings, password: str | None, on_payload: Callable[[], None]
) -> str:
    """Hand one message to the mail server and return its answer as receipt.

    Parameters
    ----------
    envelope : Envelope
        What goes to whom.
    settings : SmtpSettings
        Server, security, waits.
    password : str or None
        Used when ``settings.username`` is set; appears in no message.
    on_payload : callable
        Called once, after the server's go-ahead and before the first byte of the message; what it
        raises passes through and nothing is sent.

    Raises
    ------
    DeliveryError
        ``transient``, ``permanent`` or ``unknown``; ``lane_fault`` for a fault of the whole channel
        (credentials, certificate, settings).
    """
    check_envelope(envelope)
    answers = Answers(settings, password)
    context = _context(settings, answers)
    client = _Client(settings, settings.ehlo_name or envelope.sender.rpartition("@")[2], context)
    watch = _Watch(client, settings.timeouts.total_s)
    at_command = True
    try:
        with watch.running():
            _begin(client, settings, context, answers, watch)
            if settings.username is not None:
                _log_in(client, settings.username, password, answers, watch)
            _address(client, envelope, answers, watch)
            at_command = False
            on_payload()
            receipt = _payload(client, envelope, settings, answers, watch)
            at_command = True
            return receipt
    finally:
        _leave(client, goodbye=at_command)


def _context(settings: SmtpSettings, answers: Answers) -> ssl.SSLContext | None:
    if settings.security == "plain":
        if not (is_loopback(settings.host) or settings.plain_named):
            raise answers.fault(
                'security = "plain" is for this machine itself; use "tls" or "starttls"',
                "transient",
                lane_fault=True,
            )
        return None
    try:
        context = ssl.create_default_context()
        if settings.ca_file is not None:
            context.load_verify_locations(cafile=settings.ca_file)
    except OSError as error:
        raise answers.fault(
            f"the certificate file cannot be read: {error}", "transient", lane_fault=True
        ) from None
    return context


def _begin(
    client: _Client,
    settings: SmtpSettings,
    context: ssl.SSLContext | None,
    answers: Answers,
    watch: _Watch,
) -> None:
    """Connect, TLS, EHLO."""
    with _before_payload("the connection", answers, watch):
        code, said = client.connect(settings.host, settings.port)
        if code != 220:
            raise answers.fault(f"the greeting was {code} {answers.clean(said)}", "transient")
        client.wait(settings.timeouts.command_s)
        client.ehlo_or_helo_if_needed()
        if settings.security == "starttls" and context is not None:
            if not client.has_extn("starttls"):
                raise answers.fault(
                    "the server offers no STARTTLS; nothing is sent in the clear",
                    "transient",
                    lane_fault=True,
                )
            client.starttls(context=context)
            client.ehlo_or_helo_if_needed()


def _log_in(client: _Client, username: str, password: str | None, answers: Answers, watch: _Watch) -> None:
    if not password:
        raise answers.fault("a user name but no password; see password_file", "transient", lane_fault=True)
    if not (username.isascii() and password.isascii()):
        raise answers.fault(
            "user name or password has letters outside ASCII; mail servers differ on those, choose another",
            "transient",
            lane_fault=True,
        )
    with _before_payload("authentication", answers, watch):
        try:
            client.login(username, password)
        except smtplib.SMTPAuthenticationError as error:
            said = f"authentication was answered {error.smtp_code} {answers.clean(error.smtp_error)}"
            raise answers.fault(said, "transient", lane_fault=not 400 <= error.smtp_code < 500) from None
        except smtplib.SMTPServerDisconnected:
            raise
        except smtplib.SMTPException as error:
            raise answers.fault(
                f"authentication is not possible: {error}", "transient", lane_fault=True
            ) from None


def _address(client: _Client, envelope: Envelope, answers: Answers, watch: _Watch) -> None:
    """MAIL FROM, RCPT TO, and the go-ahead for the payload."""
    eight_bit = not envelope.raw.isascii()
    if eight_bit and not client.has_extn("8bitmime"):
        raise answers.fault("the message has 8-bit text and the server takes 7-bit only", "permanent")
    with _before_payload("MAIL FROM", answers, watch):
        options = ["BODY=8BITMIME"] if eight_bit else []
        if client.has_extn("size"):
            options.append(f"SIZE={len(envelope.raw)}")
        code, said = client.mail(envelope.sender, options)
        if not 200 <= code <= 299:
            raise answers.answered("MAIL FROM", code, said)
    with _before_payload("RCPT TO", answers, watch):
        code, said = client.rcpt(envelope.recipient)
        if not 200 <= code <= 299:
            raise answers.answered("RCPT TO", code, said)
    with _before_payload("DATA", answers, watch):
        code, said = client.docmd("DATA")
        if code != 354:
            raise answers.answered("DATA", code, said)


def _payload(
    client: _Client, envelope: Envelope, settings: SmtpSettings, answers: Answers, watch: _Watch
) -> str:
    """Send the message and read the answer to the final dot; from here on a cut means "unknown"."""
    try:
        client.wait(settings.timeouts.final_answer_s)
        client.send(_with_dots(envelope.raw))
        code, said = client.getreply()
    except (OSError, smtplib.SMTPException) as error:
        late = " (time used up)" if watch.fired.is_set() else ""
        raise answers.fault(
            f"no answer after the message was sent{late}: {error}; it may have arrived", "unknown"
        ) from None
    if 200 <= code <= 299:
        return f"{code} {answers.clean(said)}"
    if 400 <= code <= 599:
        raise answers.answered("the message", code, said)
    raise answers.fault(
        f"the message was answered {code} {answers.clean(said)}; it may have arrived", "unknown"
    )


def _with_dots(raw: bytes) -> bytes:
    """Return the payload: CRLF lines, leading dots doubled, final dot. Source: RFC 5321 section 4.5.2."""
    lines = re.sub(rb"\r\n|\r|\n", b"\r\n", raw)
    if not lines.endswith(b"\r\n"):
        lines += b"\r\n"
    return re.sub(rb"(?m)^\.", b"..", lines) + b".\r\n"


@contextlib.contextmanager
def _before_payload(stage: str, answers: Answers, watch: _Watch) -> Iterator[None]:
    """Nothing has been handed over yet: every cut is transient, a bad certificate a fault of the channel."""
    try:
        yield
    except ssl.SSLCertVerificationError as error:
        raise answers.fault(
            f"the server's certificate is not trusted ({error.verify_message}); check host and "
            "port, or name the "
            "certificate authority",
            "transient",
            lane_fault=True,
        ) from None
    except (smtplib.SMTPException, OSError, ValueError) as error:
        late = " (time used up)" if watch.fired.is_set() else ""
        raise answers.fault(f"{stage} failed{late}: {error or type(error).__name__}", "transient") from None


def _leave(client: _Client, *, goodbye: bool) -> None:
    """Close, with a QUIT where the server waits for a command, never waiting for its answer."""
    if goodbye:
        with contextlib.suppress(OSError, smtplib.SMTPException, ValueError):
            client.wait(_QUIT_S)
            client.putcmd("quit")
    client.close()
