"""Replies kept whole: what was answered before is answered again from memory while the file's state lasts, and what
many ask at once is worked out once."""

from __future__ import annotations

import asyncio
import hashlib
from collections import OrderedDict
from collections.abc import Callable, Sequence
from dataclasses import dataclass, field

from starlette.types import ASGIApp, Message, Receive, Scope, Send

STATE_HEADER = "speakerdb-state"  # the state that a reply tells of
ANY_STATE = "any"  # a reply that no change of the file alters
MOST_BYTES = 64_000_000  # kept; the reply unused for longest goes first
_PENDING, _BUSY = 202, 503
_PLACE = b"<!-- earlier -->"  # in a page: where it is said that it is older than the file
_EARLIER = (
    '<p class="note" role="status">The database is changing; this page, as it was before, is being worked out anew. '
    '<a href="">Load it again</a></p>'
)


@dataclass
class Reply:
    """A whole reply."""

    status: int = 0
    headers: list[tuple[bytes, bytes]] = field(default_factory=list)
    body: bytes = b""
    tag: bytes = b""

    @property
    def state(self) -> str | None:
        """The state that it tells of; None where it told none."""
        return next((value.decode() for name, value in self.headers if name == STATE_HEADER.encode()), None)


Key = tuple[str, str, bytes]  # state, path, question


class Kept:
    """ASGI middleware: answers GETs from memory. `state` gives the file's state where it is known without asking."""

    def __init__(
        self, app: ASGIApp, state: Callable[[], str | None], never: Sequence[str], most_bytes: int = MOST_BYTES
    ) -> None:
        """never: paths that are asked anew each time."""
        self._app, self._state, self._never, self._most_bytes = app, state, tuple(never), most_bytes
        self._replies: OrderedDict[Key, Reply] = OrderedDict()
        self._bytes = 0
        self._last: dict[tuple[str, bytes], Key] = {}  # the newest reply to each question, of whatever state
        self._under_way: dict[tuple[str, bytes], asyncio.Future[Reply | None]] = {}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        if scope["type"] != "http" or scope["method"] != "GET" or scope["path"].startswith(self._never):
            await self._app(scope, receive, send)
            return
        question = (scope["path"], scope["query_string"])
        reply = self._find(*question)
        if reply is None and question in self._under_way:
            reply = await asyncio.shield(self._under_way[question])
        if reply is None:
            await self._work_out(question, scope, receive, send)
        else:
            await _answer(reply, dict(scope["headers"]).get(b"if-none-match"), send)

    def _find(self, path: str, query: bytes) -> Reply | None:
        state = self._state()
        for key in ((ANY_STATE, path, query), (state or "", path, query)):
            if key in self._replies:
                self._replies.move_to_end(key)
                return self._replies[key]
        return None

    async def _work_out(self, question: tuple[str, bytes], scope: Scope, receive: Receive, send: Send) -> None:
        """Have the application answer; whoever asks the same meanwhile is given the same."""
        mine: asyncio.Future[Reply | None] = asyncio.get_running_loop().create_future()
        is_first = self._under_way.setdefault(question, mine) is mine
        shared = None
        try:
            shared = await self._hear(question, scope, receive, send)
        finally:
            if is_first:
                del self._under_way[question]
                mine.set_result(shared)

    async def _hear(self, question: tuple[str, bytes], scope: Scope, receive: Receive, send: Send) -> Reply | None:
        """Pass on what the application answers, and keep it; returns what others may be given as well. For a page that
        is being worked out, or while the file is being written, its earlier form, where there is one."""
        reply, body, whole = Reply(), [], False
        earlier = self._earlier(question)
        plain = {**scope, "headers": [h for h in scope["headers"] if h[0] not in {b"if-none-match", b"range"}]}

        async def heard(message: Message) -> None:
            nonlocal whole
            if message["type"] == "http.response.start":
                reply.status, reply.headers = message["status"], list(message["headers"])
            elif message["type"] == "http.response.body":
                body.append(message.get("body", b""))
                whole = not message.get("more_body", False)
            if earlier is None or reply.status not in {_PENDING, _BUSY}:
                await send(message)

        await self._app(plain, receive, heard)
        if earlier is not None and reply.status in {_PENDING, _BUSY}:
            await _answer(earlier, None, send)
            return earlier
        reply.body = b"".join(body)
        if whole and reply.status == 200 and reply.state is not None:
            reply.tag = b'"' + hashlib.blake2b(reply.body, digest_size=12).hexdigest().encode() + b'"'
            reply.headers = [*(h for h in reply.headers if h[0] != b"etag"), (b"etag", reply.tag)]
            self._keep((reply.state, *question), reply)
            return reply
        return reply if whole and reply.status == _PENDING else None

    def _keep(self, key: Key, reply: Reply) -> None:
        if key in self._replies:
            self._bytes -= len(self._replies.pop(key).body)
        self._replies[key] = reply
        self._last[key[1:]] = key
        self._bytes += len(reply.body)
        while self._bytes > self._most_bytes:
            old, gone = self._replies.popitem(last=False)
            self._bytes -= len(gone.body)
            if self._last.get(old[1:]) == old:
                del self._last[old[1:]]

    def _earlier(self, question: tuple[str, bytes]) -> Reply | None:
        """A page as it was before the file changed, with a line that says so; None where there is none."""
        found = self._replies.get(self._last[question]) if question in self._last else None
        if found is None or _PLACE not in found.body:
            return None
        headers = [h for h in found.headers if h[0] not in {b"content-length", b"etag"}]
        body = found.body.replace(_PLACE, _EARLIER.encode(), 1)
        return Reply(found.status, [*headers, (b"content-length", str(len(body)).encode())], body)


async def _answer(reply: Reply, seen: bytes | None, send: Send) -> None:
    """Send a kept reply, or say that the one that was seen still holds."""
    same = (
        bool(reply.tag) and seen is not None and reply.tag in {t.strip().removeprefix(b"W/") for t in seen.split(b",")}
    )
    headers = [h for h in reply.headers if not same or h[0] != b"content-length"]
    await send({"type": "http.response.start", "status": 304 if same else reply.status, "headers": headers})
    await send({"type": "http.response.body", "body": b"" if same else reply.body})
