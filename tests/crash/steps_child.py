"""One process of the advisor's delivery, killed at a named point: started by the crash tests.

Arguments: state folder, port of the mail server, key of the message, policy, cut, instant. Nothing
of the shipped code knows of the cuts: the process is killed (signal 9) between two of its public
steps, from callables handed in.
"""

from __future__ import annotations

import os
import signal
import sys
import time
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path

from advisor.delivery.envelope import Envelope
from advisor.delivery.registry import bind
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts
from advisor.service.deliver import deliver_due
from advisor.store import ledger, outbox, outbox_verdicts
from advisor.store.database import Store
from advisor.store.locks import pass_lock


def die() -> None:
    """The power goes."""
    os.kill(os.getpid(), signal.SIGKILL)


def run(state: Path, port: int, key: str, policy: str, cut: str, now: datetime) -> None:
    """Queue the message if the ledger lacks it, then deliver what is due."""
    with pass_lock(state) as held:
        if not held:
            sys.exit(75)
        with Store.open(state, now, "given") as store:
            queue(store, key, policy, cut, now)
            if cut == "after-commit":
                die()
            channel = bind("smtp", SmtpSettings("127.0.0.1", port, "plain", SmtpTimeouts(5, 5, 5, 20)))
            if cut == "after-answer":
                # the note of the answer is the first write after it
                outbox_verdicts.record_sent = lambda *_: die()  # type: ignore[assignment]

            def send(envelope: Envelope, on_payload: Callable[[], None]) -> str:
                if cut == "after-lease":
                    die()
                return channel(envelope, on_payload)

            deliver_due(store, send, now, 60, time.monotonic, alone=True)


def queue(store: Store, key: str, policy: str, cut: str, now: datetime) -> None:
    """The ledger row and the message in one transaction."""
    with store.transaction() as tx:
        if ledger.write_ledger(tx, ledger.LedgerRow("digest", key, now.date(), "queued", now)):
            raw = f"Message-ID: <{key}@example.org>\r\nDate: Wed, 01 Jul 2026 04:00:00 +0000\r\n\r\n{key}\r\n"
            outbox.enqueue_all(
                tx,
                [
                    outbox.NewMessage(
                        dedupe_key=key,
                        message_id=f"<{key}@example.org>",
                        recipient="grower@example.org",
                        envelope_sender="advisor@example.org",
                        raw=raw.encode(),
                        lane="routine",
                        on_unknown="resend" if policy == "resend" else "hold",
                        created_at_utc=now,
                        expires_at_utc=now + timedelta(days=2),
                        kind="digest",
                        day=now.date(),
                    )
                ],
            )
        if cut == "before-commit":
            die()


if __name__ == "__main__":
    folder, port_text, key_text, policy_text, cut_text, at = sys.argv[1:]
    run(
        Path(folder),
        int(port_text),
        key_text,
        policy_text,
        cut_text,
        datetime.fromisoformat(at).astimezone(UTC),
    )
