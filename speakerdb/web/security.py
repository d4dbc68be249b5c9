"""What every request must pass and every reply carries: known hosts, small bodies, strict headers, a token on
writing."""

from __future__ import annotations

import contextlib
import json
import secrets
import sys
import time
import traceback
from collections.abc import Sequence
from http.cookies import CookieError, SimpleCookie
from urllib.parse import parse_qs, urlsplit

from starlette.types import ASGIApp, Message, Receive, Scope, Send

from speakerdb.errors import BusyError, SpeakerdbError

LOCAL_HOSTS = ("localhost", "127.0.0.1", "[::1]")
SMALL_BODY_BYTES = 64_000  # forms; uploads have a limit of their own
UPLOADS_AT_ONCE = 4
TOKEN_FIELD, TOKEN_HEADER = "token", "x-speakerdb-token"
KEY_COOKIE = "speakerdb-key"
KEYED_PATHS = ("/in", "/api/sessions", "/api/token")  # where measurements are taken in, and what lies below the first

RETRY_S = 2

# Nothing is loaded from another host, and no script or style stands inside a page.
PAGE_POLICY = (
    "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self' data:; connect-src 'self'; "
    "form-action 'self'; base-uri 'none'"
)
POLICY = f"{PAGE_POLICY}; frame-ancestors 'none'"  # the last part counts in a header only
_HEADERS = [
    (b"content-security-policy", POLICY.encode()),
    (b"x-content-type-options", b"nosniff"),
    (b"x-frame-options", b"DENY"),
    (b"referrer-policy", b"same-origin"),
    (b"cross-origin-opener-policy", b"same-origin"),
    (b"cross-origin-resource-policy", b"same-origin"),
    (b"permissions-policy", b"camera=(), microphone=(), geolocation=()"),
]


class ForbiddenError(SpeakerdbError):
    """A request that comes from somewhere it should not."""

    code = "forbidden"


class TooLargeError(SpeakerdbError):
    """An upload beyond what is taken in."""

    code = "too_large"


class Guard:
    """ASGI middleware: host check, limit of the body, headers; a failure becomes a plain reply without a trace."""

    def __init__(
        self, app: ASGIApp, hosts: Sequence[str], upload_paths: Sequence[str], upload_bytes: int, key: str | None
    ) -> None:
        """key: what storing asks for, None where nothing may be stored."""
        self._app, self._key = app, key
        self._hosts = frozenset(h.lower() for h in hosts)
        self._upload_paths, self._upload_bytes = upload_paths, upload_bytes
        self._uploads = 0  # under way

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http":
            await self._app(scope, receive, send)
            return
        begun = time.perf_counter()
        started = False

        only_head = scope["method"] == "HEAD"
        scope = {**scope, "method": "GET"} if only_head else scope

        async def send_guarded(message: Message) -> None:
            nonlocal started
            if only_head and message["type"] == "http.response.body":
                message = {**message, "body": b""}
            if message["type"] == "http.response.start":
                started = True
                spent = f"app;dur={(time.perf_counter() - begun) * 1000:.1f}".encode()
                given = {name for name, _ in message["headers"]}
                extra = [h for h in (*_HEADERS, (b"cache-control", b"no-cache")) if h[0] not in given]
                message = {**message, "headers": [*message["headers"], *extra, (b"server-timing", spent)]}
            await send(message)

        refusal = self._refusal(scope)
        if refusal is not None:
            await _reply(send_guarded, scope, *refusal)
            return
        is_upload = scope["method"] == "POST" and scope["path"] in self._upload_paths
        if is_upload and self._uploads >= UPLOADS_AT_ONCE:
            text = f"{UPLOADS_AT_ONCE} uploads are under way; send yours again in a moment."
            await _reply(send_guarded, scope, 503, text)
            return
        self._uploads += is_upload
        try:
            await self._app(scope, self._limited(scope, receive), send_guarded)
        except TooLargeError as error:
            if not started:
                await _reply(send_guarded, scope, 413, error.message)
        except Exception:  # the trace goes to the server's own output, never to the client
            traceback.print_exc(file=sys.stderr)
            if not started:
                await _reply(send_guarded, scope, 500, "Something went wrong here; the server's own output says what.")
        finally:
            self._uploads -= is_upload

    def _refusal(self, scope: Scope) -> tuple[int, str] | None:
        headers = dict(scope["headers"])
        host = host_name(headers.get(b"host", b"").decode("latin-1"))
        if host not in self._hosts:
            return 421, f"This server answers to {', '.join(sorted(self._hosts))} only; it was asked as another host."
        length = headers.get(b"content-length", b"0")
        if not length.isdigit():
            return 400, "The length of the request is not a number."
        if self._key is not None and (scope["path"] in KEYED_PATHS or scope["path"].startswith(f"{KEYED_PATHS[0]}/")):
            refused = self._keyless(scope, headers)
            if refused is not None:
                return 403, refused
        if int(length) > self._limit(scope):
            return 413, f"The request is larger than the {self._limit(scope) // 1_000_000 or 1} MB taken here."
        return None

    def _keyless(self, scope: Scope, headers: dict[bytes, bytes]) -> str | None:
        """Why a request may not store, before anything of it is read; None where it may."""
        if scope["method"] not in {"GET", "HEAD"} and _is_from_elsewhere(headers):
            return "This request comes from another site; only pages of this server may store."
        given = [headers.get(b"authorization", b"").decode("latin-1").removeprefix("Bearer ")]
        cookie = SimpleCookie()
        with contextlib.suppress(CookieError):
            cookie.load(headers.get(b"cookie", b"").decode("latin-1"))
        given += [cookie[KEY_COOKIE].value] if KEY_COOKIE in cookie else []
        given += parse_qs(scope["query_string"].decode("latin-1")).get("key", [])
        if any(secrets.compare_digest(g.encode(), (self._key or "").encode()) for g in given):
            return None
        return "Taking measurements in asks for the key that stands in the address `speakerdb serve` printed."

    def _limit(self, scope: Scope) -> int:
        return self._upload_bytes if scope["path"] in self._upload_paths else SMALL_BODY_BYTES

    def _limited(self, scope: Scope, receive: Receive) -> Receive:
        limit, taken = self._limit(scope), 0

        async def limited() -> Message:
            nonlocal taken
            message = await receive()
            taken += len(message.get("body", b""))
            if taken > limit:
                raise TooLargeError(f"The request is larger than the {limit // 1_000_000 or 1} MB taken here.")
            return message

        return limited


def _is_from_elsewhere(headers: dict[bytes, bytes]) -> bool:
    """Whether a page of another site asks, by what browsers say of it."""
    origin, site = headers.get(b"origin"), headers.get(b"sec-fetch-site")
    if site is not None and site not in {b"same-origin", b"none"}:
        return True
    host = headers.get(b"host", b"").decode("latin-1").strip().lower()
    try:
        return origin is not None and urlsplit(origin.decode("latin-1")).netloc.lower() != host
    except ValueError:  # an origin that is none
        return True


_CODES = {
    400: "bad_request",
    403: ForbiddenError.code,
    413: TooLargeError.code,
    421: "wrong_host",
    500: "internal",
    503: BusyError.code,
}


async def _reply(send: Send, scope: Scope, status: int, text: str) -> None:
    """A refusal as text, or as JSON below /api."""
    kind, body = b"text/plain; charset=utf-8", text.encode() + b"\n"
    if scope["path"].startswith("/api"):
        error = {"code": _CODES[status], "message": text, "items": []}
        kind, body = b"application/json", json.dumps({"format": 1, "error": error}).encode()
    headers = [(b"content-type", kind), (b"content-length", str(len(body)).encode())]
    headers += [(b"retry-after", str(RETRY_S).encode())] if status == 503 else []
    await send({"type": "http.response.start", "status": status, "headers": headers})
    await send({"type": "http.response.body", "body": body})


def host_name(host: str) -> str:
    """The name in a Host header, without its port, in lower case."""
    host = host.strip().lower()
    if host.startswith("["):
        return host.partition("]")[0] + "]"
    return host.partition(":")[0]


def new_token() -> str:
    return secrets.token_urlsafe(32)


def check_token(expected: str, given: str | None) -> None:
    """Raise ForbiddenError unless the token of a form or header is that of a page of this server."""
    if given is None or not secrets.compare_digest(given.encode(), expected.encode()):
        raise ForbiddenError("the form is out of date (the server was started anew); load the page again and repeat")
