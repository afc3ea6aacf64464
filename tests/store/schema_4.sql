-- The store as schema 4 left it, with rows of every table: never edited.
PRAGMA application_id = 1196638513;
CREATE TABLE meta (
    name TEXT PRIMARY KEY,
    value TEXT NOT NULL
) STRICT;
CREATE TABLE weather (
    id INTEGER PRIMARY KEY,
    source TEXT NOT NULL,
    kind TEXT NOT NULL CHECK (kind IN ('forecast', 'history', 'ensemble')),
    fetched_at TEXT NOT NULL CHECK (fetched_at GLOB '????-??-??T??:??:??Z'),
    issued_at TEXT CHECK (issued_at IS NULL OR issued_at GLOB '????-??-??T??:??:??Z'),
    covers_from TEXT NOT NULL CHECK (covers_from GLOB '????-??-??T??:??:??Z'),
    covers_until TEXT NOT NULL CHECK (covers_until GLOB '????-??-??T??:??:??Z'),
    payload BLOB NOT NULL,
    CHECK (covers_from < covers_until),
    UNIQUE (source, kind, fetched_at, covers_from, covers_until)
) STRICT;
CREATE INDEX weather_newest ON weather (kind, fetched_at);
CREATE TABLE host_backoff (
    host TEXT PRIMARY KEY,
    failures INTEGER NOT NULL CHECK (failures > 0),
    failed_at TEXT NOT NULL CHECK (failed_at GLOB '????-??-??T??:??:??Z'),
    not_before TEXT NOT NULL CHECK (not_before GLOB '????-??-??T??:??:??Z'),
    why TEXT NOT NULL
) STRICT;
CREATE TABLE host_weight (
    host TEXT NOT NULL,
    window TEXT NOT NULL CHECK (window IN ('minute', 'hour', 'day', 'month')),
    starts TEXT NOT NULL CHECK (starts GLOB '????-??-??T??:??:??Z'),
    weight REAL NOT NULL CHECK (weight >= 0),
    PRIMARY KEY (host, window)
) STRICT;
CREATE TABLE ledger (
    id INTEGER PRIMARY KEY,
    kind TEXT NOT NULL,
    key TEXT NOT NULL,
    day TEXT NOT NULL CHECK (day GLOB '????-??-??'),
    state TEXT NOT NULL CHECK (state IN ('queued', 'merged', 'skipped', 'told')),
    created_at TEXT NOT NULL CHECK (created_at GLOB '????-??-??T??:??:??Z'),
    detail TEXT NOT NULL,
    UNIQUE (kind, key)
) STRICT;
CREATE INDEX ledger_day ON ledger (day, kind);
CREATE TABLE alert_event (
    event TEXT PRIMARY KEY,
    hazard TEXT NOT NULL,
    first_day TEXT NOT NULL CHECK (first_day GLOB '????-??-??'),
    last_day TEXT NOT NULL CHECK (last_day GLOB '????-??-??'),
    trees TEXT NOT NULL CHECK (json_valid(trees)),
    told_at TEXT NOT NULL CHECK (told_at GLOB '????-??-??T??:??:??Z'),
    revision INTEGER NOT NULL CHECK (revision >= 0),
    closed_at TEXT CHECK (closed_at IS NULL OR closed_at GLOB '????-??-??T??:??:??Z'),
    CHECK (first_day <= last_day)
) STRICT;
CREATE INDEX alert_event_open ON alert_event (hazard, closed_at);
CREATE TABLE standing_measure (
    key TEXT PRIMARY KEY,
    told_at TEXT NOT NULL CHECK (told_at GLOB '????-??-??T??:??:??Z'),
    detail TEXT NOT NULL
) STRICT;
CREATE TABLE outbox (
    id INTEGER PRIMARY KEY,
    dedupe_key TEXT NOT NULL UNIQUE,
    message_id TEXT NOT NULL UNIQUE,
    recipient TEXT NOT NULL,
    envelope_sender TEXT NOT NULL,
    raw BLOB NOT NULL,
    lane TEXT NOT NULL CHECK (lane IN ('urgent', 'routine')),
    on_unknown TEXT NOT NULL CHECK (on_unknown IN ('resend', 'hold')),
    kind TEXT NOT NULL,
    day TEXT NOT NULL CHECK (day GLOB '????-??-??'),
    event TEXT NOT NULL,
    state TEXT NOT NULL DEFAULT 'pending'
        CHECK (state IN ('pending', 'leased', 'sent', 'unknown', 'failed', 'expired', 'superseded')),
    claims INTEGER NOT NULL DEFAULT 0 CHECK (claims >= 0),
    attempts INTEGER NOT NULL DEFAULT 0 CHECK (attempts >= 0),
    payloads INTEGER NOT NULL DEFAULT 0 CHECK (payloads >= 0),
    not_before TEXT CHECK (not_before IS NULL OR not_before GLOB '????-??-??T??:??:??Z'),
    tried_at TEXT CHECK (tried_at IS NULL OR tried_at GLOB '????-??-??T??:??:??Z'),
    lease_until TEXT CHECK (lease_until IS NULL OR lease_until GLOB '????-??-??T??:??:??Z'),
    data_started INTEGER NOT NULL DEFAULT 0 CHECK (data_started IN (0, 1)),
    expires_at TEXT NOT NULL CHECK (expires_at GLOB '????-??-??T??:??:??Z'),
    created_at TEXT NOT NULL CHECK (created_at GLOB '????-??-??T??:??:??Z'),
    finished_at TEXT CHECK (finished_at IS NULL OR finished_at GLOB '????-??-??T??:??:??Z'),
    receipt TEXT NOT NULL DEFAULT '',
    last_error TEXT NOT NULL DEFAULT '',
    CHECK ((state = 'leased') = (lease_until IS NOT NULL)),
    CHECK ((state IN ('pending', 'leased')) = (finished_at IS NULL))
) STRICT;
CREATE INDEX outbox_due ON outbox (state, lane, id);
CREATE TABLE lane_hold (
    lane TEXT PRIMARY KEY CHECK (lane IN ('urgent', 'routine')),
    since TEXT NOT NULL CHECK (since GLOB '????-??-??T??:??:??Z'),
    not_before TEXT NOT NULL CHECK (not_before GLOB '????-??-??T??:??:??Z'),
    why TEXT NOT NULL
) STRICT;
CREATE TABLE pass_log (
    id INTEGER PRIMARY KEY,
    run_id TEXT NOT NULL UNIQUE,
    started_at TEXT NOT NULL CHECK (started_at GLOB '????-??-??T??:??:??Z'),
    finished_at TEXT CHECK (finished_at IS NULL OR finished_at GLOB '????-??-??T??:??:??Z'),
    outcome TEXT NOT NULL DEFAULT '',
    exit_code INTEGER,
    complete INTEGER NOT NULL DEFAULT 0 CHECK (complete IN (0, 1)),
    CHECK (complete = 0 OR finished_at IS NOT NULL)
) STRICT;
CREATE TABLE last_good (
    id INTEGER PRIMARY KEY,
    name TEXT NOT NULL,
    text TEXT NOT NULL,
    kept_at TEXT NOT NULL CHECK (kept_at GLOB '????-??-??T??:??:??Z')
) STRICT;
CREATE INDEX last_good_name ON last_good (name, kept_at);
CREATE TABLE learned (
        name TEXT PRIMARY KEY,
        value TEXT NOT NULL CHECK (json_valid(value)),
        learned_at TEXT NOT NULL CHECK (learned_at GLOB '????-??-??T??:??:??Z')
    ) STRICT;
CREATE TABLE station_file (
        url TEXT PRIMARY KEY,
        fetched_at TEXT NOT NULL CHECK (fetched_at GLOB '????-??-??T??:??:??Z'),
        status INTEGER NOT NULL CHECK (status BETWEEN 100 AND 599),
        payload BLOB NOT NULL
    ) STRICT;
CREATE TABLE station_asked (
        url TEXT PRIMARY KEY,
        asked_at TEXT NOT NULL CHECK (asked_at GLOB '????-??-??T??:??:??Z'),
        answer TEXT NOT NULL CHECK (answer IN ('new', 'same', 'none', 'bad')),
        etag TEXT NOT NULL,
        modified TEXT NOT NULL
    ) STRICT;
ALTER TABLE alert_event ADD COLUMN grade INTEGER NOT NULL DEFAULT 0 CHECK (grade >= 0);
INSERT INTO meta VALUES ('clock_kind', 'system'), ('first_tick', '2026-05-01T04:00:00Z');
INSERT INTO weather (source, kind, fetched_at, issued_at, covers_from, covers_until, payload) VALUES
  ('open-meteo', 'forecast', '2026-05-01T04:00:00Z', NULL, '2026-05-01T00:00:00Z', '2026-05-11T00:00:00Z', x'789c4b4c4a0600024d0127');
INSERT INTO host_backoff VALUES ('api.example.org', 2, '2026-05-01T04:00:00Z', '2026-05-01T05:00:00Z', 'HTTP 503');
INSERT INTO host_weight VALUES ('api.example.org', 'day', '2026-05-01T00:00:00Z', 41.5);
INSERT INTO ledger (kind, key, day, state, created_at, detail) VALUES
  ('digest', '2026-05-01', '2026-05-01', 'queued', '2026-05-01T04:00:00Z', '');
INSERT INTO alert_event VALUES
  ('frost-2026-05-02', 'frost', '2026-05-02', '2026-05-03', '["ember", "moss"]', '2026-05-01T12:00:00Z', 1, NULL, 2);
INSERT INTO standing_measure VALUES ('shade-south-bench', '2026-05-01T04:00:00Z', 'net over the south bench');
INSERT INTO outbox (dedupe_key, message_id, recipient, envelope_sender, raw, lane, on_unknown, kind, day, event,
  state, expires_at, created_at, finished_at, receipt) VALUES
  ('g|2026-05-01|digest|r|0', '<one@example.org>', 'grower@example.org', 'advisor@example.org', x'53', 'routine',
   'hold', 'digest', '2026-05-01', '', 'sent', '2026-05-01T22:00:00Z', '2026-05-01T04:00:00Z', '2026-05-01T04:00:09Z', '250 OK');
INSERT INTO outbox (dedupe_key, message_id, recipient, envelope_sender, raw, lane, on_unknown, kind, day, event,
  expires_at, created_at) VALUES
  ('g|2026-05-01|frost|r|0', '<two@example.org>', 'grower@example.org', 'advisor@example.org', x'54', 'urgent',
   'resend', 'frost', '2026-05-01', 'frost-2026-05-02', '2026-05-02T04:00:00Z', '2026-05-01T12:00:00Z');
INSERT INTO lane_hold VALUES ('routine', '2026-05-01T04:00:00Z', '2026-05-01T04:30:00Z', '535');
INSERT INTO pass_log (run_id, started_at, finished_at, outcome, exit_code, complete) VALUES
  ('run-1', '2026-05-01T04:00:00Z', '2026-05-01T04:00:10Z', 'done', 0, 1);
INSERT INTO last_good (name, text, kept_at) VALUES ('garden.toml', '[garden]', '2026-05-01T04:00:00Z');
INSERT INTO learned VALUES ('tidied', '"2026-05-01"', '2026-05-01T04:00:00Z');
INSERT INTO station_file VALUES ('https://data.example.org/a', '2026-05-01T04:00:00Z', 200, x'789c4b4c4a0600024d0127');
INSERT INTO station_asked VALUES ('https://data.example.org/a', '2026-05-01T04:00:00Z', 'new', 'e1', '');
PRAGMA user_version = 4;
