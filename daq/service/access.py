"""Who may ask: host names, origins and the token.

On the loopback address the service needs no password, but a page of another site must still not reach it
through the browser. So the Host header must name this computer (against DNS rebinding), a write must be JSON
and, when it carries an Origin, come from one of our own pages (against cross-site requests). Bound to
another address, the service refuses to start without a token in `LYEWATCH_TOKEN`, and every request must
carry it."""

from __future__ import annotations

import hmac
import ipaddress
import os
from collections.abc import Awaitable, Callable
from pathlib import Path
from typing import Protocol
from urllib.parse import urlsplit

from fastapi import Request, Response
from fastapi.responses import JSONResponse

from daq.bench import ServiceSpec
from daq.errors import UsageError

__all__ = ["CONTENT_POLICY", "Access", "is_loopback"]

TOKEN_VARIABLE = "LYEWATCH_TOKEN"  # noqa: S105 - the variable's name, not a secret
HOSTS_VARIABLE = "LYEWATCH_HOSTS"
COOKIE = "lyewatch_token"
CONTENT_POLICY = (
    "default-src 'self'; img-src 'self' data:; object-src 'none'; base-uri 'none'; form-action 'self'; "
    "frame-ancestors 'none'"
)
REPORT_POLICY = "default-src 'none'; style-src 'unsafe-inline'; img-src data:; frame-ancestors 'none'"
"""For the self-contained report, which carries its own styles and no script."""

IMPORT = "/api/import"
"""Takes a log as it is, and no JSON."""
_WRITES = {"POST", "PUT", "PATCH", "DELETE"}


def is_loopback(host: str) -> bool:
    """Whether `host` is this computer alone."""
    if host in ("localhost", ""):
        return host == "localhost"
    try:
        return ipaddress.ip_address(host).is_loopback
    except ValueError:
        return False


class Served(Protocol):
    """A file that says where its service listens: a bench file, or a fleet's."""

    @property
    def service(self) -> ServiceSpec:
        """Its table of that name."""
        ...

    @property
    def path(self) -> Path:
        """The file."""
        ...


class Access:
    """An HTTP middleware that lets through what may be let through.

    Raises
    ------
    UsageError
        When the service would listen beyond this computer without a token.
    """

    def __init__(self, bench: Served, *, host: str | None = None, token: str | None = None) -> None:
        self.host = bench.service.host if host is None else host
        self.token = os.environ.get(TOKEN_VARIABLE, "") if token is None else token
        extra = {h.strip().lower() for h in os.environ.get(HOSTS_VARIABLE, "").split(",") if h.strip()}
        self.hosts = {"localhost", "127.0.0.1", "[::1]", self.host.lower()} | extra
        if not is_loopback(self.host) and not self.token:
            raise UsageError(
                "would let the whole network cut and restore the supply",
                place=f"{bench.path}: service.host",
                value=self.host,
                remedy=f"use 127.0.0.1, or set {TOKEN_VARIABLE} to a long random text that users give",
            )

    async def __call__(
        self, request: Request, call_next: Callable[[Request], Awaitable[Response]]
    ) -> Response:
        refused = self._refusal(request)
        if refused is not None:
            return refused
        response = await call_next(request)
        headers = response.headers
        headers.setdefault("Content-Security-Policy", CONTENT_POLICY)
        headers.setdefault("X-Content-Type-Options", "nosniff")
        headers.setdefault("Referrer-Policy", "no-referrer")
        headers.setdefault("Cross-Origin-Opener-Policy", "same-origin")
        return response

    def _refusal(self, request: Request) -> Response | None:
        host = request.headers.get("host", "")
        name = (urlsplit(f"//{host}").hostname or "").lower()
        shown = f"[{name}]" if ":" in name else name
        if is_loopback(self.host) and shown not in self.hosts and not is_loopback(name):
            return _no(
                403, "Host", "is not a name of this computer", host, "open the page as http://127.0.0.1"
            )
        if request.method in _WRITES:
            kind = request.headers.get("content-type", "").partition(";")[0].strip().lower()
            # Neither kind can be sent by another site's page without leave (it is no "simple" request).
            if kind != "application/json" and (kind != "text/csv" or request.url.path != IMPORT):
                return _no(415, "Content-Type", "must be application/json", kind, "send the request as JSON")
            origin = request.headers.get("origin")
            if origin is not None and urlsplit(origin).netloc.lower() != host.lower():
                return _no(403, "Origin", "is another site's", origin, "use lyewatch's own page")
        if self.token and not self._has_token(request):
            return _no(
                401,
                "Authorization",
                "lacks the token",
                None,
                "send it as `Authorization: Bearer TOKEN`, or open /?token=TOKEN once in the browser",
            )
        return None

    def _has_token(self, request: Request) -> bool:
        scheme, _, given = request.headers.get("authorization", "").partition(" ")
        if scheme.lower() != "bearer":
            given = request.cookies.get(COOKIE, "") or request.query_params.get("token", "")
        return hmac.compare_digest(given.encode(), self.token.encode())


def _no(status: int, place: str, message: str, value: str | None, remedy: str) -> JSONResponse:
    return JSONResponse(
        {"error": {"place": place, "message": message, "value": value, "remedy": remedy}}, status_code=status
    )
