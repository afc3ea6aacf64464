"""A real mail server on loopback that can be told to fail at one stage."""

from __future__ import annotations

import asyncio
import contextlib
import socket
import ssl
import warnings
from dataclasses import dataclass, field
from typing import Any, Self

from aiosmtpd.controller import Controller
from aiosmtpd.smtp import SMTP, AuthResult, syntax


@dataclass
class Script:
    """What the server does at one stage: an answer line, ``drop`` or ``silence``."""

    stage: str = ""
    answer: str = ""


@dataclass
class Mailbox:
    """What has arrived, whole and as it was on the wire (dots removed)."""

    taken: list[tuple[str, str, bytes]] = field(default_factory=list)
    logins: list[tuple[bytes, bytes]] = field(default_factory=list)
    rcpt: list[str] = field(default_factory=list)
    before_answer: Any = None

    async def handle_RCPT(self, server: Any, session: Any, envelope: Any, address: str, options: Any) -> str:  # noqa: N802 - the library names it
        self.rcpt.append(address)
        envelope.rcpt_tos.append(address)
        return "250 OK"

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - the library names it
        self.taken.append((envelope.mail_from, envelope.rcpt_tos[0], envelope.original_content))
        if self.before_answer is not None:
            self.before_answer()
        return f"250 2.0.0 OK: queued as {len(self.taken)}"


class ScriptedSMTP(SMTP):
    script: Script

    async def push(self, status: str) -> None:  # type: ignore[override]
        if self.script.stage == "greeting" and status.startswith("220 ") and "ready" not in status:
            status = self.script.answer
        await super().push(status)

    async def _act(self) -> bool:
        answer = self.script.answer
        if answer == "drop":
            self.transport.abort()
        elif answer == "silence":
            await asyncio.sleep(30)
        else:
            await self.push(answer)
        return True

    @syntax("MAIL FROM: <address>")
    async def smtp_MAIL(self, arg: str) -> None:  # noqa: N802 - the library names it
        if self.script.stage == "mail":
            await self._act()
            return
        await super().smtp_MAIL(arg)

    @syntax("RCPT TO: <address>")
    async def smtp_RCPT(self, arg: str) -> None:  # noqa: N802 - the library names it
        if self.script.stage == "rcpt":
            await self._act()
            return
        await super().smtp_RCPT(arg)

    @syntax("DATA")
    async def smtp_DATA(self, arg: str) -> None:  # noqa: N802 - the library names it
        if self.script.stage == "data":
            await self._act()
            return
        await super().smtp_DATA(arg)


class _ScriptedHandler:
    def __init__(self, box: Mailbox, script: Script) -> None:
        self.box, self.script = box, script

    async def handle_RCPT(self, *args: Any) -> str:  # noqa: N802 - the library names it
        return await self.box.handle_RCPT(*args)

    async def handle_DATA(self, server: Any, session: Any, envelope: Any) -> str:  # noqa: N802 - the library names it
        if self.script.stage != "dot":
            return await self.box.handle_DATA(server, session, envelope)
        if self.script.answer == "drop":
            await self.box.handle_DATA(server, session, envelope)
            server.transport.abort()
            return "250 nobody hears this"
        if self.script.answer == "silence":
            await self.box.handle_DATA(server, session, envelope)
            await asyncio.sleep(30)
        return self.script.answer


def free_port() -> int:
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        return int(probe.getsockname()[1])


class MailServer:
    """Context manager: the server on a free port of 127.0.0.1."""

    def __init__(
        self,
        script: Script | None = None,
        tls: ssl.SSLContext | None = None,
        starttls: ssl.SSLContext | None = None,
        password: tuple[bytes, bytes] | None = None,
    ) -> None:
        self.box, self.script = Mailbox(), script or Script()
        self.port = free_port()
        script_ = self.script
        box = self.box

        def authenticate(server: Any, session: Any, envelope: Any, mechanism: str, data: Any) -> AuthResult:
            box.logins.append((data.login, data.password))
            return AuthResult(success=(data.login, data.password) == password, handled=False)

        options: dict[str, Any] = {"ident": "garden test"}
        if starttls is not None:
            options |= {"tls_context": starttls, "require_starttls": True}
        if password is not None:
            options |= {
                "authenticator": authenticate,
                "auth_required": True,
                "auth_require_tls": starttls is not None,
            }

        class _Controller(Controller):
            def factory(self) -> SMTP:
                with warnings.catch_warnings():
                    # the server warns of passwords in the clear; on loopback, in a test, that is meant
                    warnings.simplefilter("ignore", UserWarning)
                    server = ScriptedSMTP(self.handler, **self.SMTP_kwargs)
                server.script = script_
                return server

        self.controller = _Controller(
            _ScriptedHandler(self.box, self.script),
            hostname="127.0.0.1",
            port=self.port,
            ssl_context=tls,
            **options,
        )

    def __enter__(self) -> Self:
        greeting_fails = self.script.stage == "greeting"
        if greeting_fails:
            self.script.stage = ""
        self.controller.start()
        if greeting_fails:
            self.script.stage = "greeting"
        return self

    def __exit__(self, *_: object) -> None:
        with contextlib.suppress(AssertionError):
            self.controller.stop(no_assert=True)
