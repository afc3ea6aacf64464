"""Year files of Meteostat over our own client: asked conditionally, bounded, and proven readable.

Source: https://dev.meteostat.net/data (addresses; 404 where a station has no file; keep what you fetched).
"""

from __future__ import annotations

import gzip
from dataclasses import dataclass
from datetime import datetime
from typing import Literal

from advisor.sources.budget import Budget
from advisor.sources.http import HttpClient
from advisor.sources.meteostat_library import read_year
from advisor.sources.meteostat_text import MAX_PACKED, Kind, sound_file, year_file_path

__all__ = ["ASKED_AS", "FileReply", "fetch_year_file"]

ASKED_AS = "meteostat"
"""Name for the network budget and for messages."""


@dataclass(frozen=True, slots=True)
class FileReply:
    """What came for a file.

    Attributes
    ----------
    answer : {"new", "same", "none"}
        A new file that can be read; unchanged since the one that is kept; there is none (404).
    body : bytes
        Gzipped, only with ``new``.
    etag, modified : str
        For the next conditional request; empty where the service gives none.
    """

    answer: Literal["new", "same", "none"]
    body: bytes = b""
    etag: str = ""
    modified: str = ""


def fetch_year_file(
    client: HttpClient,
    base_url: str,
    kind: Kind,
    year: int,
    station_id: str,
    now_utc: datetime,
    budget: Budget,
    *,
    etag: str = "",
    modified: str = "",
) -> FileReply:
    """Fetch one year of one station.

    Parameters
    ----------
    etag, modified : str
        Of the file that is kept; sent so that the service may answer "unchanged".

    Raises
    ------
    BadFileError
        The service answered, and what came is no sound file (cut short, other columns, too large after
        unzipping, unreadable).
    SourceError
        No usable answer.
    ValueError
        ``station_id`` cannot be a station's id.
    """
    path = year_file_path(kind, year, station_id)
    headers = {"Accept-Encoding": "identity"}
    if etag:
        headers["If-None-Match"] = etag
    if modified:
        headers["If-Modified-Since"] = modified
    reply = client.get(
        base_url.rstrip("/") + path,
        {},
        source=ASKED_AS,
        budget=budget,
        now_utc=now_utc,
        accept="application/gzip, text/csv;q=0.9, */*;q=0.1",
        headers=headers,
        max_bytes=MAX_PACKED,
        wanted=(200, 203, 304, 404),
    )
    if reply.status == 404:
        return FileReply("none")
    if reply.status == 304:
        return FileReply("same")
    sound_file(kind, year, station_id, reply.body)
    read_year(kind, station_id, year, reply.body)
    packed = reply.body if reply.body[:2] == b"\x1f\x8b" else gzip.compress(reply.body, 6, mtime=0)
    return FileReply(
        "new", packed, reply.headers.get("etag", "")[:200], reply.headers.get("last-modified", "")[:200]
    )
