"""The long-running process: the same pass every quarter hour, in UTC, under APScheduler.

The scheduler only ticks; what is due on which local day is decided inside the pass. Signals are
waited for in the main thread, so that SIGTERM ends the process between two messages.
"""

from __future__ import annotations

import logging
import os
import signal
import socket
import sys
import threading
from collections.abc import Mapping
from pathlib import Path

from advisor.errors import AdvisorError
from advisor.service.clock import Clock
from advisor.service.tick import run_pass

__all__ = ["serve"]

log = logging.getLogger(__name__)

TICK_MINUTES = 15
STOP_WITHIN_S = 55.0
"""Below systemd's TimeoutStopSec of 60."""


def serve(folder: Path, clock: Clock, environ: Mapping[str, str]) -> int:
    """Tick until SIGTERM, SIGINT or SIGHUP; return 0, or 75 when a pass would not end in time."""
    from apscheduler.schedulers.background import BackgroundScheduler

    from advisor.exposure.pot_memory import PotMemory

    pots = PotMemory()
    asked = _signals_to_end()
    stopping = threading.Event()

    def tick() -> None:
        try:
            report = run_pass(folder, clock, environ, stop=stopping.is_set, pots=pots)
        except AdvisorError as error:
            log.error("event=pass-refused error=%s", str(error).replace("\n", " | "))  # noqa: TRY400 - the words say it all
            return
        except Exception:
            # A fault that nothing below foresaw. The pass wrote it into the pass log (``tick``) where it
            # could; the next tick tries again, and ``health`` tells of it when no whole pass is recent.
            log.exception("event=pass-broken")
            return
        for line in report.lines:
            log.warning("event=note text=%s", line)

    scheduler = BackgroundScheduler(timezone="UTC", daemon=True)
    scheduler.add_job(
        tick,
        "cron",
        minute=f"*/{TICK_MINUTES}",
        second=20,
        misfire_grace_time=None,
        coalesce=True,
        max_instances=1,
    )
    scheduler.add_job(tick, "date", misfire_grace_time=None)  # at once: what was missed while down is due now
    scheduler.start()
    log.info("event=serving garden=%s", folder)
    got = asked.recv(1)[0]
    log.info("event=stopping signal=%s", signal.Signals(got).name)
    stopping.set()
    ending = threading.Thread(target=scheduler.shutdown, kwargs={"wait": True}, daemon=True)
    ending.start()
    ending.join(STOP_WITHIN_S)
    if ending.is_alive():
        log.error("event=stop-forced")
        sys.stderr.flush()
        os._exit(75)
    return 0


def _signals_to_end() -> socket.socket:
    """Return a socket on which the number of a signal that asks to end arrives, whichever thread it hits.

    A mask is not enough: libraries start threads when they are loaded, and a signal that finds one of those
    unmasked would kill the process between two words of a mail.
    """
    reader, writer = socket.socketpair()
    writer.setblocking(False)
    signal.set_wakeup_fd(writer.detach(), warn_on_full_buffer=False)
    for one in (signal.SIGTERM, signal.SIGINT, signal.SIGHUP):
        signal.signal(one, lambda *_: None)
    return reader
