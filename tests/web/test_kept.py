"""Replies kept whole: given again while the state lasts, worked out once however many ask, never given for another."""

from __future__ import annotations

import asyncio
from concurrent.futures import ThreadPoolExecutor

from speakerdb.web.kept import STATE_HEADER, Kept
from tests.folders import write_session


class Application:
    """Answers with how often it was asked, in the state that stands."""

    def __init__(self, status: int = 200, pause_s: float = 0.0) -> None:
        self.state, self.status, self.pause_s, self.asked = "one", status, pause_s, 0

    async def __call__(self, scope, receive, send) -> None:
        self.asked += 1
        body = f"<main>\n<!-- earlier -->\n{self.state} {self.asked}".encode()
        headers = [(b"content-length", str(len(body)).encode())]
        headers += [(STATE_HEADER.encode(), self.state.encode())] if self.status == 200 else []
        await asyncio.sleep(self.pause_s)
        await send({"type": "http.response.start", "status": self.status, "headers": headers})
        await send({"type": "http.response.body", "body": body})


def ask(kept: Kept, *paths: str, method: str = "GET", **headers: str) -> list[tuple[int, str]]:
    """Status and text of requests that are sent at the same time."""

    async def one(path: str) -> tuple[int, str]:
        found: list[dict] = []

        async def send(message) -> None:
            found.append(message)

        given = [(name.replace("_", "-").encode(), value.encode()) for name, value in headers.items()]
        scope = {"type": "http", "method": method, "path": path, "query_string": b"", "headers": given}
        await kept(scope, None, send)
        assert dict(found[0]["headers"]).get(b"content-length", b"0") in {str(len(found[1]["body"])).encode(), b"0"}
        return found[0]["status"], found[1]["body"].decode()

    async def all_of_them() -> list[tuple[int, str]]:
        return list(await asyncio.gather(*map(one, paths)))

    with ThreadPoolExecutor(1) as apart:  # the browser of other tests keeps an event loop in this thread
        return apart.submit(asyncio.run, all_of_them()).result()


def over(app: Application, **more) -> Kept:
    return Kept(app, lambda: app.state, ("/in",), **more)


def test_a_reply_is_given_again_until_the_state_changes():
    app = Application()
    kept = over(app)
    first = ask(kept, "/a")
    assert ask(kept, "/a") == first
    assert app.asked == 1
    app.state = "two"
    assert "two 2" in ask(kept, "/a")[0][1]
    app.state = "one"
    assert ask(kept, "/a") == first  # that state's own


def test_what_many_ask_at_once_is_worked_out_once():
    app = Application(pause_s=0.05)
    assert len(set(ask(over(app), *["/a"] * 50))) == 1
    assert app.asked == 1


def test_what_stores_what_failed_and_what_names_no_state_is_asked_anew():
    app = Application()
    kept = over(app)
    for path, method in (("/in/check", "GET"), ("/a", "POST")):
        ask(kept, path, method=method)
        ask(kept, path, method=method)
    assert app.asked == 4
    app.status = 404
    ask(kept, "/b")
    ask(kept, "/b")
    assert app.asked == 6


def test_a_page_that_is_worked_out_anew_is_given_as_it_was_and_says_so():
    app = Application()
    kept = over(app)
    ask(kept, "/a")
    app.state, app.status = "two", 202
    (status, text), *_ = ask(kept, "/a", "/a")
    assert status == 200
    assert "one 1" in text
    assert "The database is changing" in text
    assert ask(kept, "/b")[0][0] == 202  # never answered before
    app.status = 200
    assert "two" in ask(kept, "/a")[0][1]
    assert "The database is changing" not in ask(kept, "/a")[0][1]


def test_a_reply_that_was_seen_is_not_sent_again():
    app = Application()
    kept = over(app)
    ask(kept, "/a")
    tag = next(iter(kept._replies.values())).tag.decode()
    assert ask(kept, "/a", if_none_match=f'"other", W/{tag}') == [(304, "")]
    assert ask(kept, "/a", if_none_match='"other"')[0][0] == 200


def test_the_memory_that_replies_take_is_bounded():
    app = Application()
    kept = over(app, most_bytes=1000)
    for n in range(200):
        ask(kept, f"/{n}")
    assert sum(len(r.body) for r in kept._replies.values()) <= 1000
    assert len(kept._last) == len(kept._replies)


def test_what_was_stored_is_on_the_page_at_once(taking, tmp_path):
    empty = taking.text("/")
    assert taking.text("/") == empty
    assert "Sill 5" not in empty
    with taking.app.state.site.source.writer() as base:
        base.ingest(write_session(tmp_path / "a"))
    assert "Sill 5" in taking.text("/")
