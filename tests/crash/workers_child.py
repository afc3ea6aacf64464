"""One of several workers on one outbox, without the pass lock: only the claim keeps them apart."""

from __future__ import annotations

import sys
import time
from datetime import datetime
from pathlib import Path

from advisor.delivery.registry import bind
from advisor.delivery.smtp import SmtpSettings, SmtpTimeouts
from advisor.service.deliver import deliver_due
from advisor.store.database import Store

if __name__ == "__main__":
    folder, port, at = sys.argv[1:]
    now = datetime.fromisoformat(at)
    with Store.open(Path(folder), now, "given") as store:
        channel = bind("smtp", SmtpSettings("127.0.0.1", int(port), "plain", SmtpTimeouts(20, 20, 20, 60)))
        sys.stdout.write(f"{deliver_due(store, channel, now, 240, time.monotonic).sent}\n")
