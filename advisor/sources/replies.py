"""What a reply that is no weather means: wait and ask again, or stop asking.

Source: RFC 9110 (status codes, Retry-After); https://open-meteo.com/en/docs (error body, rate limits).
"""

from __future__ import annotations

import json
import re
from collections.abc import Mapping
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from email.utils import parsedate_to_datetime

from advisor.errors import SourceError

__all__ = ["HttpReply", "error_of_status", "json_object_error", "looks_like_html", "printable", "wait_s"]

_TRANSIENT = {408, 425, 429, 500, 502, 503, 504}
_LONGEST_WAIT_S = 86400.0
"""A service that asks for more is asked again after a day."""
_MEANING = {
    400: "refuses the request",
    401: "wants a key",
    403: "refuses us; see its terms of use and `contact` in service.toml",
    404: "does not know the address; check base_url in service.toml",
    422: "does not serve this place",
    429: "has been asked too often",
}


@dataclass(frozen=True, slots=True)
class HttpReply:
    """A reply as it came: status, headers with lower-case names, body after unzipping."""

    status: int
    headers: Mapping[str, str]
    body: bytes


def printable(text: str, longest: int = 160) -> str:
    """Return foreign text fit for one line of a message: no control characters, cut to ``longest``."""
    words = " ".join("".join(c if c.isprintable() else " " for c in text).split())
    return words if len(words) <= longest else words[: longest - 1].rstrip() + "…"


def looks_like_html(reply: HttpReply) -> bool:
    """True for a web page where data were expected (a proxy or a maintenance page)."""
    if "html" in reply.headers.get("content-type", "").lower():
        return True
    start = reply.body[:256].lstrip(b"\xef\xbb\xbf \t\r\n").lower()
    return start.startswith((b"<!doctype", b"<html", b"<head"))


def _reason(body: bytes) -> str:
    """Words of an error body: ``reason`` (Open-Meteo), ``detail`` or ``title`` (RFC 9457), or plain text."""
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        text = body[:400].decode("utf-8", "replace")
        return "" if "<" in text else printable(text)
    if isinstance(found, dict):
        for key in ("reason", "detail", "title"):
            if isinstance(found.get(key), str):
                return printable(found[key])
    return ""


def wait_s(headers: Mapping[str, str], reason: str, now_utc: datetime) -> float | None:
    """Return how long the service asks us to wait, None where it does not say.

    Parameters
    ----------
    headers : mapping
        With lower-case names; ``Retry-After`` in seconds or as a date counts before any words.
    reason : str
        The limit named in the body: minutely 60 s, hourly until the next full hour, daily until
        00 UTC, concurrent requests 5 s.
    now_utc : datetime
        Aware.

    Returns
    -------
    float or None
        Seconds, 0 to a day.
    """
    said = headers.get("retry-after", "").strip()
    if re.fullmatch(r"\d{1,9}", said):
        return min(float(said), _LONGEST_WAIT_S)
    if said:
        try:
            until = parsedate_to_datetime(said)
        except ValueError:
            until = None
        if until is not None:
            until = until if until.tzinfo is not None else until.replace(tzinfo=UTC)
            return min(max((until - now_utc).total_seconds(), 0.0), _LONGEST_WAIT_S)
    return _wait_in_words(reason.lower(), now_utc.astimezone(UTC))


def _wait_in_words(reason: str, now: datetime) -> float | None:
    hour = now.replace(minute=0, second=0, microsecond=0)
    until_next = {
        "hourly": hour + timedelta(hours=1),
        "daily": hour.replace(hour=0) + timedelta(days=1),
        "minutely": now + timedelta(seconds=60),
        "concurrent": now + timedelta(seconds=5),
    }
    return next(((at - now).total_seconds() for word, at in until_next.items() if word in reason), None)


def error_of_status(source: str, reply: HttpReply, now_utc: datetime) -> SourceError | None:
    """Return what is wrong with a reply by its status; None for 200 and 203."""
    if reply.status in (200, 203):
        return None
    reason = "" if looks_like_html(reply) else _reason(reply.body)
    said = f", it says: {reason}" if reason else ""
    transient = reply.status in _TRANSIENT
    meaning = _MEANING.get(reply.status, "is in trouble" if transient else "gives no usable answer")
    asked = wait_s(reply.headers, reason, now_utc) if transient else None
    again = f"; asking again in {_span(asked)}" if asked is not None else ""
    return SourceError(
        f"{source} {meaning} (HTTP {reply.status}){said}{again}", transient=transient, retry_after_s=asked
    )


def json_object_error(
    source: str, body: bytes, headers: Mapping[str, str], now_utc: datetime
) -> SourceError | None:
    """Return the error hidden in a 200 reply: broken JSON, or an object that says ``error``.

    Both are faults of the moment: the service streams its replies, and a failure under way ends the
    body in the middle.
    """
    try:
        found = json.loads(body)
    except (ValueError, RecursionError):
        return SourceError(
            f"{source}: the reply broke off or is not JSON ({len(body)} bytes)", transient=True
        )
    if isinstance(found, dict) and found.get("error"):
        reason = _reason(body) or "no reason given"
        return SourceError(
            f"{source} answers with an error: {reason}",
            transient=True,
            retry_after_s=wait_s(headers, reason, now_utc),
        )
    return None


def _span(seconds: float) -> str:
    if seconds < 90:
        return f"{seconds:.0f} s"
    return f"{seconds / 60:.0f} min" if seconds < 5400 else f"{seconds / 3600:.1f} h"
