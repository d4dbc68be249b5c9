"""What is turned away, and what every reply carries."""

from __future__ import annotations

import http.client
import json
import re
import socket
import time

import pytest

import speakerdb
from speakerdb.web import security
from speakerdb.web.uploads import LIMITS
from tests.web.conftest import running


def ask(site, path="/", host="127.0.0.1", method="GET", body=None, **headers):
    """A request with a Host header of one's own."""
    connection = http.client.HTTPConnection("127.0.0.1", int(site.url.rpartition(":")[2]), timeout=30)
    connection.putrequest(method, path, skip_host=True)
    for name, value in {"Host": host, **headers}.items():
        connection.putheader(name.replace("_", "-"), value)
    connection.endheaders(body)
    reply = connection.getresponse()
    found = reply.status, reply.read().decode(), dict(reply.getheaders())
    connection.close()
    return found


@pytest.mark.parametrize("host", ["localhost", "127.0.0.1", "LOCALHOST:80", "[::1]:8420", "127.0.0.1:1"])
def test_local_names_are_answered(site, host):
    assert ask(site, host=host)[0] == 200


@pytest.mark.parametrize(
    "host", ["evil.example", "127.0.0.1.evil.example", "localhost.evil.example:80", "", "[::2]", "a@localhost"]
)
def test_any_other_name_is_turned_away(site, host):
    status, words, _ = ask(site, host=host)
    assert status == 421
    assert "asked as another host" in words
    assert ask(site, "/api/speakers", host=host)[0] == 421


def test_a_further_name_is_answered_when_it_was_allowed(file):
    with running(file, hosts=(*security.LOCAL_HOSTS, "measuring.example")) as one:
        assert ask(one, host="measuring.example:80")[0] == 200


@pytest.mark.parametrize("path", ["/", "/api/speakers", "/static/pages.css", "/nowhere", "/drawn/nothing.js"])
def test_every_reply_carries_the_strict_headers(site, path):
    headers = site.get(path).headers
    policy = dict(part.strip().split(" ", 1) for part in headers["content-security-policy"].split(";"))
    assert policy["default-src"] == "'none'"
    assert policy["script-src"] == policy["style-src"] == policy["connect-src"] == "'self'"
    assert "unsafe" not in headers["content-security-policy"]
    assert headers["x-content-type-options"] == "nosniff"
    assert headers["x-frame-options"] == "DENY"


def test_no_page_holds_a_script_or_style_of_its_own(site):
    for path in ("/", "/speaker/alder-fen-sill-0", "/room", "/trade-offs", "/dictionary"):
        page = site.get(path).text
        assert "<style" not in page
        assert " style=" not in page
        assert " onclick" not in page
        assert page.count("<script") == page.count('<script src="/static/') + page.count(
            '<script type="application/json"'
        )


def test_what_a_speaker_is_called_cannot_become_markup(taking, tmp_path):
    from tests.folders import write_session

    write_session(tmp_path / "x", maker="<script>alert(1)</script>", model="A \\\"onload='x' &amp; B", slug="odd")
    with taking.app.state.site.source.writer() as base:
        assert base.ingest(tmp_path / "x")[0].result == "stored"
    for path in ("/", "/speaker/odd", "/side-by-side?speaker=odd", "/speakers?named=<script>"):
        page = taking.get(path).text
        assert "<script>alert" not in page
        assert "<script>" not in page.replace('<script src="', "")


def test_a_large_request_is_turned_away_before_it_is_read(taking):
    key = {"Authorization": f"Bearer {taking.app.state.site.key}"}
    assert ask(taking, "/in/store", method="POST", Content_Length=str(10**9), **key)[0] == 413
    assert ask(taking, "/in/check", method="POST", Content_Length=str(LIMITS.upload_bytes + 1), **key)[0] == 413
    assert ask(taking, "/in/check", method="POST", Content_Length="x", **key)[0] == 400


def test_a_fifth_upload_at_once_is_asked_to_come_again(taking):
    key = {"Authorization": f"Bearer {taking.app.state.site.key}"}
    head = "POST /api/sessions HTTP/1.1\r\nHost: localhost\r\nAuthorization: {}\r\nContent-Length: 5000\r\n"
    head += "Content-Type: multipart/form-data; boundary=x\r\n\r\n--x"
    port = int(taking.url.rpartition(":")[2])
    lines = []
    try:
        for _ in range(4):
            lines.append(socket.create_connection(("127.0.0.1", port), timeout=30))
            lines[-1].sendall(head.format(key["Authorization"]).encode())
        deadline = time.monotonic() + 30
        while (reply := taking.client.post("/api/sessions")).status_code != 503 and time.monotonic() < deadline:
            pass
        assert "4 uploads are under way" in reply.json()["error"]["message"]
        assert int(reply.headers["retry-after"]) >= 1
        assert taking.get("/").status_code == 200
    finally:
        for line in lines:
            line.close()
    deadline = time.monotonic() + 30
    while (reply := taking.client.post("/api/sessions")).status_code == 503 and time.monotonic() < deadline:
        time.sleep(0.05)
    assert reply.status_code in {400, 403, 422}


def test_a_request_without_a_length_is_cut_off_at_the_limit(taking):
    """Sent in chunks, so that only counting tells how long it is."""
    with socket.create_connection(("127.0.0.1", int(taking.url.rpartition(":")[2]))) as line:
        line.sendall(
            b"POST /in/store HTTP/1.1\r\nHost: localhost\r\nTransfer-Encoding: chunked\r\n"
            b"Content-Type: multipart/form-data; boundary=x\r\n"
            b"Authorization: Bearer " + taking.app.state.site.key.encode() + b"\r\n\r\n"
        )
        chunk = b"x" * 30_000
        try:
            for _ in range(6):
                line.sendall(f"{len(chunk):x}\r\n".encode() + chunk + b"\r\n")
            line.sendall(b"0\r\n\r\n")
        except OSError:
            pass  # the server has hung up already
        assert b" 413 " in line.recv(4096).split(b"\r\n")[0]


def test_storing_asks_for_the_token_of_a_page_of_this_server(taking):
    files = {"files": ("a/session.toml", b"maker = 1")}
    post = taking.client.post
    assert post("/in/check", files=files).status_code == 403
    assert post("/in/check", files=files, data={"token": "guessed"}).status_code == 403
    token = {"token": taking.token}
    assert post("/in/check", files=files, data=token, headers={"Origin": "https://evil.example"}).status_code == 403
    assert post("/in/check", files=files, data=token, headers={"Sec-Fetch-Site": "cross-site"}).status_code == 403
    assert post("/in/check", files=files, data=token, headers={"Origin": "http://["}).status_code == 403
    assert post("/in/store", data={"stage": "x", "token": "guessed"}).status_code == 403
    assert post("/in/check", files=files, data=token, headers={"Origin": taking.url}).status_code == 200


def test_a_server_that_only_reads_has_no_way_in(site):
    assert site.get("/in").status_code == 404
    assert site.client.post("/in/check").status_code in {404, 405}
    assert "Measurements in" not in site.get("/").text


def test_a_fault_of_the_server_is_not_told_to_the_client(file, capsys):
    with running(file) as one:

        def broken(*_):
            raise ZeroDivisionError("secret")

        one.app.state.site.desk = broken
        for path in ("/", "/api/speakers"):
            reply = one.get(path)
            assert reply.status_code == 500
            assert "secret" not in reply.text
            assert "Traceback" not in reply.text
            assert "content-security-policy" in reply.headers
    assert "ZeroDivisionError: secret" in capsys.readouterr().err


def test_storing_twice_tells_the_same_and_stores_once(taking, tmp_path):
    from tests.folders import write_session

    folder = write_session(tmp_path / "x", model="Vale 9")
    files = [("files", (f"x/{p.name}", p.read_bytes())) for p in folder.iterdir()]
    page = taking.client.post("/in/check", files=files, data={"token": taking.token})
    assert page.status_code == 200
    (stage,) = re.findall(r'name="stage" value="([^"]+)"', page.text)
    replies = [taking.client.post("/in/store", data={"stage": stage, "token": taking.token}) for _ in range(3)]
    assert [r.status_code for r in replies] == [200] * 3
    assert all("1 stored" in r.text for r in replies)


def test_what_is_asked_or_withdrawn_is_told_and_no_fault(taking, tmp_path):
    from tests.folders import write_session

    for name, changes in (("q", {"method": "?"}), ("r", {"method": "outdoors"})):
        folder = write_session(tmp_path / name, model=f"Vale {name}", **changes)
        files = [("files", (f"{name}/{p.name}", p.read_bytes())) for p in folder.iterdir()]
        reply = taking.client.post("/api/sessions", files=files, headers={"X-Speakerdb-Token": taking.token})
        assert reply.status_code == 200
        (session,) = reply.json()["sessions"]
        assert session["result"] == ("asked" if name == "q" else "refused")


def test_an_answer_names_no_place_of_this_machine(tmp_path):
    from tests.folders import write_session

    path = tmp_path / "deep" / "speakers.duckdb"
    path.parent.mkdir()
    with speakerdb.open(path, write=True) as base:
        base.ingest(write_session(tmp_path / "x"))
    with running(path) as one:
        path.write_bytes(b"no database any more")
        for address in ("/", "/api/speakers"):
            reply = one.get(address)
            assert reply.status_code == 503
            assert str(tmp_path) not in reply.text
        assert "speakers.duckdb" in reply.text


@pytest.mark.parametrize(("method", "path"), [("GET", "/in"), ("POST", "/in/check"), ("POST", "/in/store")])
def test_without_the_key_of_the_printed_address_nothing_is_taken_in(taking, method, path):
    status, text, _ = ask(taking, path, method=method, Content_Length="0")
    assert status == 403
    assert "the key" in text
    for wrong in ("Bearer guessed", "Bearer ", "Basic x"):
        assert ask(taking, path, method=method, Content_Length="0", Authorization=wrong)[0] == 403


def test_a_script_needs_it_too_and_is_told_before_its_body_is_read(taking):
    for path in ("/api/sessions", "/api/token"):
        status, text, _ = ask(taking, path, method="POST", Content_Length=str(10**8))
        assert status == 403
        assert json.loads(text)["error"]["code"] == "forbidden"


def test_the_printed_address_lets_a_browser_in_and_the_key_leaves_the_address(taking):
    key = taking.app.state.site.key
    status, _, headers = ask(taking, f"/in?key={key}")
    assert (status, headers["location"]) == (303, "/in")
    cookie = headers["set-cookie"]
    assert "httponly" in cookie.lower()
    assert "samesite=strict" in cookie.lower()
    assert ask(taking, "/in", Cookie=cookie.partition(";")[0])[0] == 200
    assert ask(taking, "/in?key=guessed")[0] == 403


def test_reading_asks_for_no_key(taking):
    assert ask(taking, "/")[0] == 200
    assert ask(taking, "/api/speakers")[0] == 200


@pytest.mark.parametrize("path", ["/", "/api/speakers", "/static/palette.css", "/speaker/nobody"])
def test_head_answers_as_get_does_without_a_body(site, path):
    got, only = ask(site, path), ask(site, path, method="HEAD")
    assert only[0] == got[0]
    assert only[1] == ""
    assert only[2]["content-type"] == got[2]["content-type"]
