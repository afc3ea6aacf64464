"""The one HTTP client: polite, bounded in time and size, and never sleeping.

Source: RFC 9110; terms of use of the services asked (User-Agent with contact, no needless calls).
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from datetime import datetime
from urllib.parse import SplitResult, urljoin, urlsplit

import requests
import urllib3

from advisor import __version__
from advisor.errors import SourceError
from advisor.sources.budget import Budget
from advisor.sources.replies import HttpReply, error_of_status, looks_like_html

__all__ = ["CONNECT_S", "MAX_BYTES", "READ_S", "HttpClient", "user_agent"]

CONNECT_S = 5.0
READ_S = 10.0
TRIES = 2
REDIRECTS = 2
MAX_BYTES = 8 * 1024 * 1024
"""Largest reply, also after unzipping: an ensemble of ten days is about 1 MB."""
_OK = (200, 203)
_PIECE = 64 * 1024
_NETWORK = (requests.RequestException, urllib3.exceptions.HTTPError, OSError)
_LOOPBACK = {"127.0.0.1", "localhost", "::1"}


class _NoCredentials(requests.auth.AuthBase):
    """Keeps requests from adding a password it finds in a netrc file."""

    def __call__(self, request: requests.PreparedRequest) -> requests.PreparedRequest:
        return request


class _RefusedError(SourceError):
    """A fault that a second try at once would not mend."""


@dataclass(frozen=True, slots=True)
class _Call:
    """What one request of ours may cost: who is asked, time left, headers, largest body."""

    source: str
    budget: Budget
    headers: Mapping[str, str]
    max_bytes: int


def user_agent(contact: str) -> str:
    """Return the User-Agent: program, version and whom to write to."""
    known = "".join(c for c in contact if c.isascii() and c.isprintable() and c not in "()").strip()
    return f"growing-season-advisor/{__version__} ({known or 'no contact given'})"


class HttpClient:
    """One ``requests.Session`` for every source.

    Parameters
    ----------
    contact : str
        Address or page of whoever runs the service, sent in the User-Agent.

    Two tries a request at most, the second at once and only after a fault of the moment; no redirect
    to another host or from https to http; replies bounded in size before and after unzipping.
    """

    def __init__(self, contact: str) -> None:
        self._session = requests.Session()
        self._session.headers.clear()
        self._session.headers.update({"User-Agent": user_agent(contact), "Accept-Encoding": "gzip"})
        self._session.auth = _NoCredentials()
        self._session.max_redirects = REDIRECTS

    def close(self) -> None:
        """Close the connections that are kept open."""
        self._session.close()

    def get(
        self,
        url: str,
        params: Mapping[str, str],
        *,
        source: str,
        budget: Budget,
        now_utc: datetime,
        accept: str = "application/json",
        headers: Mapping[str, str] | None = None,
        check: Callable[[HttpReply], SourceError | None] | None = None,
        max_bytes: int = MAX_BYTES,
        wanted: tuple[int, ...] = _OK,
    ) -> HttpReply:
        """Fetch ``url``.

        Parameters
        ----------
        url, params
            Address without a query, and the query.
        source : str
            Id of the source, for messages and for the budget.
        budget : Budget
            Seconds left.
        now_utc : datetime
            To turn "tomorrow" in an error body into a wait.
        accept : str
            Media type wanted. A web page is refused unless it is asked for.
        headers : mapping, optional
            More request headers, for example ``If-Modified-Since``.
        check : callable, optional
            Looks at a good reply and returns what is wrong with it; a fault of the moment earns the
            second try.
        max_bytes : int
            Largest body, also after unzipping.
        wanted : tuple of int
            Statuses that are returned rather than raised (304 and 404 may be answers too).

        Raises
        ------
        SourceError
            In plain words, without the query.
        """
        call = _Call(source, budget, {"Accept": accept, **(headers or {})}, max_bytes)
        fault: SourceError | None = None
        for attempt in range(TRIES):
            if budget.left_s(source) <= CONNECT_S:
                break
            try:
                with budget.spending(source):
                    reply = self._follow(url, params, call)
            except _RefusedError:
                raise
            except SourceError as error:
                fault = error
            else:
                fault = _judge(reply, call, now_utc, wanted)
                if fault is None and check is not None and reply.status in _OK:
                    fault = check(reply)
                if fault is None:
                    return reply
            if not fault.transient or fault.retry_after_s is not None or attempt + 1 == TRIES:
                raise fault
        if fault is not None:
            raise fault
        raise SourceError(f"{source}: not asked, the time for the network is used up", transient=True)

    def _follow(self, url: str, params: Mapping[str, str], call: _Call) -> HttpReply:
        """One try: ask, and follow redirects that stay on the host."""
        here = _address(url, call.source)
        query: Mapping[str, str] | None = params
        for _ in range(REDIRECTS + 1):
            reply = self._ask(here.geturl(), query, call)
            if reply.status not in (301, 302, 303, 307, 308):
                return reply
            there = urlsplit(urljoin(here.geturl(), reply.headers.get("location", "")))
            if not _may_follow(here, there):
                raise _RefusedError(
                    f"{call.source} sends us to another host or to an unsafe address "
                    f"({there.scheme}://{there.hostname}); not followed, check base_url in service.toml",
                    transient=False,
                )
            here, query = there, None if there.query else params
        raise _RefusedError(f"{call.source} sends us round in circles", transient=False)

    def _ask(self, url: str, params: Mapping[str, str] | None, call: _Call) -> HttpReply:
        source, left = call.source, call.budget.left_s(call.source)
        if left <= CONNECT_S:
            raise SourceError(f"{source}: no full answer in the time allowed", transient=True)
        host = urlsplit(url).hostname
        try:
            with self._session.get(
                url,
                params=params,
                headers=call.headers,
                timeout=(CONNECT_S, min(READ_S, left)),
                allow_redirects=False,
                stream=True,
                proxies={"no_proxy": host} if host in _LOOPBACK else None,
            ) as response:
                body = _read(response, call)
                found = {name.lower(): value for name, value in response.headers.items()}
                return HttpReply(response.status_code, found, body)
        except (requests.exceptions.InvalidURL, requests.exceptions.InvalidSchema, UnicodeError):
            raise _RefusedError(
                f"{source}: base_url in service.toml is no usable address", transient=False
            ) from None
        except requests.exceptions.SSLError:
            raise _RefusedError(
                f"{source}: no safe connection; check the clock and the certificates of this machine",
                transient=True,
            ) from None
        except _NETWORK as error:
            raise SourceError(f"{source}: {_in_words(error)}", transient=True) from None


def _judge(reply: HttpReply, call: _Call, now_utc: datetime, wanted: tuple[int, ...]) -> SourceError | None:
    if reply.status not in wanted:
        return error_of_status(call.source, reply, now_utc) or SourceError(
            f"{call.source} answers with HTTP {reply.status}, which was not expected", transient=False
        )
    if reply.status in _OK and "html" not in call.headers["Accept"] and looks_like_html(reply):
        return SourceError(f"{call.source}: a web page came instead of data", transient=True)
    return None


def _address(url: str, source: str) -> SplitResult:
    try:
        parts = urlsplit(url)
        usable = parts.scheme in ("http", "https") and bool(parts.hostname)
    except ValueError:
        usable = False
    if not usable:
        raise _RefusedError(
            f"{source}: base_url in service.toml is no web address; write https://...", transient=False
        )
    return parts


def _may_follow(here: SplitResult, there: SplitResult) -> bool:
    if there.username or there.password or there.hostname != here.hostname:
        return False
    if there.scheme == here.scheme:
        return there.scheme in ("http", "https") and there.port == here.port
    return (here.scheme, there.scheme) == ("http", "https")


def _read(response: requests.Response, call: _Call) -> bytes:
    """Return the body, unzipped, read as it arrives so that size and time can be judged."""
    source, max_bytes = call.source, call.max_bytes
    too_large = _RefusedError(
        f"{source}: the reply is larger than {max_bytes // 1024} KiB; refused", transient=False
    )
    encoding = response.headers.get("Content-Encoding", "").strip().lower()
    if encoding not in ("", "identity", "gzip", "x-gzip", "deflate"):
        raise _RefusedError(
            f"{source}: the reply is packed as {encoding!r}, which was not asked for", transient=False
        )
    raw = bytearray()
    while piece := response.raw.read1(_PIECE, decode_content=False):
        raw += piece
        if len(raw) > max_bytes:
            raise too_large
        if call.budget.left_s(source) <= 0.0:
            raise SourceError(f"{source}: no full answer in the time allowed", transient=True)
    if encoding in ("", "identity") or not raw:
        return bytes(raw)
    body = bytearray()
    rest = bytes(raw)
    while rest:
        unpack = zlib.decompressobj(wbits=47)
        try:
            body += unpack.decompress(rest, max_bytes + 1 - len(body))
        except zlib.error:
            raise SourceError(f"{source}: the packed reply is damaged", transient=True) from None
        if len(body) > max_bytes:
            raise too_large
        if not unpack.eof:
            raise SourceError(f"{source}: the packed reply broke off", transient=True)
        rest = unpack.unused_data
    return bytes(body)


def _in_words(error: Exception) -> str:
    """A network fault in plain words; the libraries' own texts carry the whole address."""
    if isinstance(error, requests.exceptions.ConnectTimeout | urllib3.exceptions.ConnectTimeoutError):
        return "no connection within the time allowed"
    if isinstance(error, requests.exceptions.Timeout | urllib3.exceptions.TimeoutError | TimeoutError):
        return "no answer within the time allowed"
    broken = urllib3.exceptions.ProtocolError | requests.exceptions.ChunkedEncodingError
    inner = error.args[0] if error.args else None
    if isinstance(error, broken | ConnectionError) or isinstance(inner, broken):
        return "the connection broke off"
    if isinstance(error, requests.exceptions.ProxyError):
        return "the proxy gives no connection"
    if isinstance(error, requests.exceptions.ConnectionError):
        return "cannot be reached (no network, no such host, or connection refused)"
    return f"network fault ({type(error).__name__})"
