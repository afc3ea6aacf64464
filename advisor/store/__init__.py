"""Files and SQLite: the grower's files, config, ledger, outbox, weather archive."""
