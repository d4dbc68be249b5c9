"""`speakerdb serve` as one types it."""

from __future__ import annotations

import json
import os
import signal
import socket
import subprocess
import sys
import threading
import time

import httpx
import jsonschema
import pytest
import uvicorn

from speakerdb.cli.main import run
from speakerdb.errors import RequestError
from speakerdb.resources import resource_dir
from speakerdb.web import server
from speakerdb.web.app import create_app
from speakerdb.web.server import bind


def serve(*arguments):
    """The program in a process of its own, and its first line."""
    command = [sys.executable, "-m", "speakerdb.cli.main", "serve", "--port", "0", *map(str, arguments)]
    process = subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ, "COLUMNS": "200"}
    )
    return process, process.stdout.readline()


def test_it_says_in_one_line_where_the_pages_are_and_ends_in_peace(file):
    process, line = serve("--db", file)
    try:
        assert str(file) in line
        url = next(word for word in line.split() if word.startswith("http"))
        assert url.startswith("http://127.0.0.1:")
        deadline = time.monotonic() + 60.0
        while (reply := httpx.get(url, timeout=60.0)).status_code == 202 and time.monotonic() < deadline:
            time.sleep(0.2)  # the page says that it is being worked out
        assert reply.status_code == 200
    finally:
        process.send_signal(signal.SIGINT)
        out, err = process.communicate(timeout=30)
    assert process.returncode == 0
    assert (out, err) == ("", "")


def test_as_json_the_line_fits_its_schema(file):
    process, line = serve("--db", file, "--json")
    process.send_signal(signal.SIGINT)
    process.communicate(timeout=30)
    text = (resource_dir("schemas") / "cli" / "serve.schema.json").read_text(encoding="utf-8")
    jsonschema.Draft202012Validator(json.loads(text)).validate(json.loads(line))


def test_a_connection_that_says_nothing_is_closed(file, monkeypatch):
    monkeypatch.setattr(server, "SILENT_S", 1.0)
    app = create_app(file)
    listener = server.bind("127.0.0.1", 0)
    one = uvicorn.Server(uvicorn.Config(app, http=server.Impatient, log_level="error"))
    thread = threading.Thread(target=one.run, kwargs={"sockets": [listener]}, daemon=True)
    thread.start()
    while not one.started:
        time.sleep(0.02)
    try:
        begins = (b"", b"GET / HT", b"POST /in/check HTTP/1.1\r\nHost: localhost\r\nContent-Length: 9\r\n\r\nab")
        for begin in begins:
            with socket.create_connection(listener.getsockname(), timeout=30) as line:
                line.sendall(begin)
                while line.recv(1000):  # a refusal, then the end
                    pass
        with socket.create_connection(listener.getsockname(), timeout=30) as line:
            line.sendall(b"GET /static/pages.css HTTP/1.1\r\nHost: localhost\r\n\r\n")
            assert b"200 OK" in line.recv(1000)
    finally:
        one.should_exit = True
        thread.join(30)


def test_a_port_that_is_taken_is_told_in_words(file, capsys):
    with socket.socket() as taken:
        taken.bind(("127.0.0.1", 0))
        taken.listen()
        port = taken.getsockname()[1]
        with pytest.raises(RequestError, match=f"port {port}.*choose another"):
            bind("127.0.0.1", port)
        with pytest.raises(SystemExit) as stop:
            run(["serve", "--db", str(file), "--port", str(port)])
    assert stop.value.code == 1
    assert "choose another with --port" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("arguments", "code", "said"),
    [
        (["--db", "none.duckdb"], 1, "no database"),
        (["--port", "99999"], 2, "65535"),
        (["--host", "999.1.1.1"], 1, "can't listen"),
    ],
)
def test_what_cannot_be_served_is_told_at_once(file, capsys, arguments, code, said):
    with pytest.raises(SystemExit) as stop:
        run(["serve", *([] if "--db" in arguments else ["--db", str(file)]), *arguments])
    assert stop.value.code == code
    assert said in capsys.readouterr().err
