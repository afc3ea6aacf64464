"""When the advisor last did its whole job, and what stands in its way."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime, timedelta
from pathlib import Path
from typing import Any

from advisor.errors import SettingsError, StoreError
from advisor.service.files import state_folder_of
from advisor.store.config_files import load_tables
from advisor.store.database import Store
from advisor.store.outbox_view import counts, held_lanes, last_sent, oldest_waiting, troubles
from advisor.store.passes import last_complete_pass, last_passes
from advisor.store.service_files import SERVICE_FILE, load_service
from advisor.store.weather_archive import newest

__all__ = ["Health", "health", "state_folder_here"]


@dataclass(frozen=True, slots=True)
class Health:
    """``ok`` and the findings, each with its word."""

    ok: bool
    findings: tuple[str, ...]
    data: dict[str, Any]


def state_folder_here(folder: Path) -> Path:
    """Return the state folder of a garden folder, as far as its service.toml can be read."""
    try:
        settings = load_service(folder / SERVICE_FILE)
    except SettingsError:
        settings = None
    return state_folder_of(folder, settings)


def _text(at: datetime | None) -> str | None:
    return None if at is None else at.strftime("%Y-%m-%dT%H:%M:%SZ")


def health(state_folder: Path, now_utc: datetime) -> Health:
    """Look at the store without changing it.

    Raises
    ------
    StoreError
        The store cannot be read at all.
    """
    if not Store.exists(state_folder):
        raise StoreError(
            f"{state_folder} has no store yet: no pass has run; enable the timer or run `advisor tick`"
        )
    with Store.open(state_folder, now_utc, None, read_only=True) as store:
        return _look(store, now_utc)


def _look(store: Store, now_utc: datetime) -> Health:
    bad: list[str] = []
    good: list[str] = []
    numbers = load_tables().operation
    late = timedelta(hours=numbers.value("service.forecast_late", "h"))

    def minutes(name: str) -> timedelta:
        return timedelta(minutes=numbers.value(f"service.{name}", "min"))

    complete = last_complete_pass(store, now_utc)
    if complete is None or complete.finished_at_utc is None:
        bad.append("no pass has done its whole job yet")
    else:
        age = now_utc - complete.finished_at_utc
        words = f"last whole pass {_text(complete.finished_at_utc)}: {complete.outcome}"
        (bad if age > minutes("pass_late") else good).append(words)
    newest_pass = last_passes(store, now_utc, 1)
    if newest_pass and newest_pass[0].finished_at_utc is None:
        bad.append(f"a pass began {_text(newest_pass[0].started_at_utc)} and has not ended")
    forecast = newest(store, "forecast", now_utc)
    if not forecast:
        bad.append("no forecast is stored")
    else:
        words = f"newest forecast from {forecast[0].source}, fetched {_text(forecast[0].fetched_at_utc)}"
        (bad if now_utc - forecast[0].fetched_at_utc > late else good).append(words)
    for lane in ("urgent", "routine"):
        waiting = oldest_waiting(store, "urgent" if lane == "urgent" else "routine", now_utc)
        if waiting is not None and now_utc - waiting.created_at_utc > minutes(f"{lane}_late"):
            since = _text(waiting.created_at_utc)
            bad.append(f"a {waiting.kind} mail waits since {since}: {waiting.last_error or 'not tried'}")
    bad += [
        f"the {message.kind} mail of {message.day} {message.state}: {message.last_error}"
        for message in troubles(store, now_utc - timedelta(days=2))
        if message.state in {"failed", "expired"}
    ]
    states = counts(store)
    if states.get("unknown"):
        bad.append(f"{states['unknown']} mails may or may not have arrived")
    bad += [
        f"mail is held until {_text(hold.not_before_utc)}: {hold.why}" for hold in held_lanes(store, now_utc)
    ]
    digest = last_sent(store, "digest", now_utc)
    good.append(f"last digest sent {_text(digest)}" if digest is not None else "no digest sent yet")
    data = {
        "schema": "health/1",
        "asked_at": _text(now_utc),
        "ok": not bad,
        "findings": [*bad, *good],
        "last_complete_pass": _text(complete.finished_at_utc) if complete is not None else None,
        "newest_forecast": _text(forecast[0].fetched_at_utc) if forecast else None,
        "last_digest": _text(digest),
        "outbox": dict(states),
    }
    return Health(not bad, (*bad, *good), data)
