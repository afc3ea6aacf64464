"""When the advisor last ran, how it went, and when it last did its whole job."""

from __future__ import annotations

import json
from dataclasses import dataclass
from datetime import datetime
from pathlib import Path

from advisor.errors import StoreError
from advisor.store.atomic_files import write_atomically
from advisor.store.database import Row, Store
from advisor.store.stamps import stamp, stamp_text, utc_from

__all__ = ["PassRecord", "begin_pass", "end_pass", "last_complete_pass", "last_passes", "write_heartbeat"]

_COLUMNS = "run_id, started_at, finished_at, outcome, exit_code, complete"


@dataclass(frozen=True, slots=True)
class PassRecord:
    """One pass. ``finished_at_utc`` is None while it runs, and for ever when it was killed."""

    run_id: str
    started_at_utc: datetime
    finished_at_utc: datetime | None
    outcome: str
    exit_code: int | None
    complete: bool


def begin_pass(store: Store, run_id: str, now_utc: datetime) -> None:
    """Note that a pass has begun and drop log rows past their time."""
    with store.transaction() as tx:
        tx.run("INSERT INTO pass_log (run_id, started_at) VALUES (?, ?)", (run_id, stamp(now_utc)))
        tx.run(
            "DELETE FROM pass_log WHERE started_at < ? AND id < (SELECT max(id) FROM pass_log "
            "WHERE complete = 1)",
            (stamp(now_utc - store.rules.passes_kept),),
        )


def end_pass(
    store: Store, run_id: str, now_utc: datetime, outcome: str, exit_code: int, *, complete: bool
) -> None:
    """Note how a pass ended; ``complete`` when it did its whole job.

    Raises
    ------
    StoreError
        No such pass has begun.
    """
    with store.transaction() as tx:
        changed = tx.run(
            "UPDATE pass_log SET finished_at = ?, outcome = ?, exit_code = ?, complete = ? WHERE run_id = ?",
            (stamp(now_utc), outcome, exit_code, int(complete), run_id),
        )
        if not changed:
            raise StoreError(f"{store.path}: pass {run_id!r} has not begun, so it cannot end")


def last_complete_pass(store: Store, now_utc: datetime) -> PassRecord | None:
    """Return the newest pass that finished its whole job at or before now."""
    row = store.row(
        f"SELECT {_COLUMNS} FROM pass_log WHERE complete = 1 AND finished_at <= ? "  # noqa: S608 - fixed names
        "ORDER BY finished_at DESC, id DESC LIMIT 1",
        (stamp(now_utc),),
    )
    return None if row is None else _record(row)


def last_passes(store: Store, now_utc: datetime, limit: int = 10) -> tuple[PassRecord, ...]:
    """Return the newest passes begun at or before now, newest first."""
    rows = store.rows(
        f"SELECT {_COLUMNS} FROM pass_log WHERE started_at <= ? ORDER BY started_at DESC, id DESC LIMIT ?",  # noqa: S608
        (stamp(now_utc), limit),
    )
    return tuple(_record(row) for row in rows)


def _record(row: Row) -> PassRecord:
    run_id, started, finished, outcome, exit_code, complete = row
    return PassRecord(run_id, utc_from(started), stamp_text(finished), outcome, exit_code, bool(complete))


def write_heartbeat(path: Path, now_utc: datetime, run_id: str, outcome: str) -> None:
    """Write the heartbeat file whole: one JSON object with ``at`` (UTC), ``run`` and ``outcome``."""
    beat = {"at": stamp(now_utc), "run": run_id, "outcome": outcome}
    write_atomically(path, (json.dumps(beat) + "\n").encode())
