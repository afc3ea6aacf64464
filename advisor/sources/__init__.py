"""Weather over HTTP: one client, one file per source, one registry. Fetches and parses, decides nothing."""
