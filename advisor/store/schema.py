"""The tables of the store, as steps that lead from every released schema to the newest.

A step is never edited after a release; a change is a new step at the end.
"""

from __future__ import annotations

__all__ = ["APPLICATION_ID", "MIGRATIONS", "SCHEMA_VERSION"]

APPLICATION_ID = 0x47534131
"""Marks the file as the advisor's (``GSA1``)."""

_STAMP = "GLOB '????-??-??T??:??:??Z'"
_DAY = "GLOB '????-??-??'"

_FIRST = (
    """CREATE TABLE meta (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL
    ) STRICT""",
    f"""CREATE TABLE weather (
        id INTEGER PRIMARY KEY,
        source TEXT NOT NULL,
        kind TEXT NOT NULL CHECK (kind IN ('forecast', 'history', 'ensemble')),
        fetched_at TEXT NOT NULL CHECK (fetched_at {_STAMP}),
        issued_at TEXT CHECK (issued_at IS NULL OR issued_at {_STAMP}),
        covers_from TEXT NOT NULL CHECK (covers_from {_STAMP}),
        covers_until TEXT NOT NULL CHECK (covers_until {_STAMP}),
        payload BLOB NOT NULL,
        CHECK (covers_from < covers_until),
        UNIQUE (source, kind, fetched_at, covers_from, covers_until)
    ) STRICT""",
    "CREATE INDEX weather_newest ON weather (kind, fetched_at)",
    f"""CREATE TABLE host_backoff (
        host TEXT PRIMARY KEY,
        failures INTEGER NOT NULL CHECK (failures > 0),
        failed_at TEXT NOT NULL CHECK (failed_at {_STAMP}),
        not_before TEXT NOT NULL CHECK (not_before {_STAMP}),
        why TEXT NOT NULL
    ) STRICT""",
    f"""CREATE TABLE host_weight (
        host TEXT NOT NULL,
        window TEXT NOT NULL CHECK (window IN ('minute', 'hour', 'day', 'month')),
        starts TEXT NOT NULL CHECK (starts {_STAMP}),
        weight REAL NOT NULL CHECK (weight >= 0),
        PRIMARY KEY (host, window)
    ) STRICT""",
    f"""CREATE TABLE ledger (
        id INTEGER PRIMARY KEY,
        kind TEXT NOT NULL,
        key TEXT NOT NULL,
        day TEXT NOT NULL CHECK (day {_DAY}),
        state TEXT NOT NULL CHECK (state IN ('queued', 'merged', 'skipped', 'told')),
        created_at TEXT NOT NULL CHECK (created_at {_STAMP}),
        detail TEXT NOT NULL,
        UNIQUE (kind, key)
    ) STRICT""",
    "CREATE INDEX ledger_day ON ledger (day, kind)",
    f"""CREATE TABLE alert_event (
        event TEXT PRIMARY KEY,
        hazard TEXT NOT NULL,
        first_day TEXT NOT NULL CHECK (first_day {_DAY}),
        last_day TEXT NOT NULL CHECK (last_day {_DAY}),
        trees TEXT NOT NULL CHECK (json_valid(trees)),
        told_at TEXT NOT NULL CHECK (told_at {_STAMP}),
        revision INTEGER NOT NULL CHECK (revision >= 0),
        closed_at TEXT CHECK (closed_at IS NULL OR closed_at {_STAMP}),
        CHECK (first_day <= last_day)
    ) STRICT""",
    "CREATE INDEX alert_event_open ON alert_event (hazard, closed_at)",
    f"""CREATE TABLE standing_measure (
        key TEXT PRIMARY KEY,
        told_at TEXT NOT NULL CHECK (told_at {_STAMP}),
        detail TEXT NOT NULL
    ) STRICT""",
    f"""CREATE TABLE outbox (
        id INTEGER PRIMARY KEY,
        dedupe_key TEXT NOT NULL UNIQUE,
        message_id TEXT NOT NULL UNIQUE,
        recipient TEXT NOT NULL,
        envelope_sender TEXT NOT NULL,
        raw BLOB NOT NULL,
        lane TEXT NOT NULL CHECK (lane IN ('urgent', 'routine')),
        on_unknown TEXT NOT NULL CHECK (on_unknown IN ('resend', 'hold')),
        kind TEXT NOT NULL,
        day TEXT NOT NULL CHECK (day {_DAY}),
        event TEXT NOT NULL,
        state TEXT NOT NULL DEFAULT 'pending'
            CHECK (state IN ('pending', 'leased', 'sent', 'unknown', 'failed', 'expired', 'superseded')),
        claims INTEGER NOT NULL DEFAULT 0 CHECK (claims >= 0),
        attempts INTEGER NOT NULL DEFAULT 0 CHECK (attempts >= 0),
        payloads INTEGER NOT NULL DEFAULT 0 CHECK (payloads >= 0),
        not_before TEXT CHECK (not_before IS NULL OR not_before {_STAMP}),
        tried_at TEXT CHECK (tried_at IS NULL OR tried_at {_STAMP}),
        lease_until TEXT CHECK (lease_until IS NULL OR lease_until {_STAMP}),
        data_started INTEGER NOT NULL DEFAULT 0 CHECK (data_started IN (0, 1)),
        expires_at TEXT NOT NULL CHECK (expires_at {_STAMP}),
        created_at TEXT NOT NULL CHECK (created_at {_STAMP}),
        finished_at TEXT CHECK (finished_at IS NULL OR finished_at {_STAMP}),
        receipt TEXT NOT NULL DEFAULT '',
        last_error TEXT NOT NULL DEFAULT '',
        CHECK ((state = 'leased') = (lease_until IS NOT NULL)),
        CHECK ((state IN ('pending', 'leased')) = (finished_at IS NULL))
    ) STRICT""",
    "CREATE INDEX outbox_due ON outbox (state, lane, id)",
    f"""CREATE TABLE lane_hold (
        lane TEXT PRIMARY KEY CHECK (lane IN ('urgent', 'routine')),
        since TEXT NOT NULL CHECK (since {_STAMP}),
        not_before TEXT NOT NULL CHECK (not_before {_STAMP}),
        why TEXT NOT NULL
    ) STRICT""",
    f"""CREATE TABLE pass_log (
        id INTEGER PRIMARY KEY,
        run_id TEXT NOT NULL UNIQUE,
        started_at TEXT NOT NULL CHECK (started_at {_STAMP}),
        finished_at TEXT CHECK (finished_at IS NULL OR finished_at {_STAMP}),
        outcome TEXT NOT NULL DEFAULT '',
        exit_code INTEGER,
        complete INTEGER NOT NULL DEFAULT 0 CHECK (complete IN (0, 1)),
        CHECK (complete = 0 OR finished_at IS NOT NULL)
    ) STRICT""",
    f"""CREATE TABLE last_good (
        id INTEGER PRIMARY KEY,
        name TEXT NOT NULL,
        text TEXT NOT NULL,
        kept_at TEXT NOT NULL CHECK (kept_at {_STAMP})
    ) STRICT""",
    "CREATE INDEX last_good_name ON last_good (name, kept_at)",
)

_SECOND = (
    f"""CREATE TABLE learned (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL CHECK (json_valid(value)),
        learned_at TEXT NOT NULL CHECK (learned_at {_STAMP})
    ) STRICT""",
    f"""CREATE TABLE station_file (
        url TEXT PRIMARY KEY,
        fetched_at TEXT NOT NULL CHECK (fetched_at {_STAMP}),
        status INTEGER NOT NULL CHECK (status BETWEEN 100 AND 599),
        payload BLOB NOT NULL
    ) STRICT""",
)

_THIRD = (
    f"""CREATE TABLE station_asked (
        url TEXT PRIMARY KEY,
        asked_at TEXT NOT NULL CHECK (asked_at {_STAMP}),
        answer TEXT NOT NULL CHECK (answer IN ('new', 'same', 'none', 'bad')),
        etag TEXT NOT NULL,
        modified TEXT NOT NULL
    ) STRICT""",
)

_FOURTH = ("ALTER TABLE alert_event ADD COLUMN grade INTEGER NOT NULL DEFAULT 0 CHECK (grade >= 0)",)

_FIFTH = ("ALTER TABLE alert_event ADD COLUMN told_until TEXT CHECK (told_until GLOB '????-??-??')",)

MIGRATIONS: tuple[tuple[str, ...], ...] = (_FIRST, _SECOND, _THIRD, _FOURTH, _FIFTH)
"""Step n leads from schema n to schema n + 1."""

SCHEMA_VERSION = len(MIGRATIONS)
