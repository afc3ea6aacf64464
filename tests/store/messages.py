"""Messages for the outbox tests."""

from __future__ import annotations

from datetime import datetime, timedelta
from typing import Any

from advisor.store.outbox import NewMessage


def message(key: str, now: datetime, **more: Any) -> NewMessage:
    values: dict[str, Any] = {
        "dedupe_key": key,
        "message_id": f"<{key}@example.org>",
        "recipient": "grower@example.org",
        "envelope_sender": "advisor@example.org",
        "raw": f"Message-ID: <{key}@example.org>\r\n\r\n{key}\r\n".encode(),
        "lane": "routine",
        "on_unknown": "hold",
        "created_at_utc": now,
        "expires_at_utc": now + timedelta(hours=18),
        "kind": "digest",
        "day": now.date(),
    }
    return NewMessage(**(values | more))
