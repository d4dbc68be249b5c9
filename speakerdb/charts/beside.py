"""Charts rendered in a process beside this one: the renderer keeps Python's lock while it works, and nothing else would
get on."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

_BLANK = '{"data":{"values":[]},"mark":"point"}'


class Renderer:
    """Turns Vega-Lite specifications into SVG, one after the other. Use as a context manager or call close().

    Safe to use from many threads. The process ends with this one, however that comes about, since its input is closed
    then.
    """

    def __init__(self) -> None:
        self._process = subprocess.Popen(
            [sys.executable, "-P", "-m", __name__],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            text=True,
            encoding="utf-8",
        )
        self._line = ThreadPoolExecutor(1, thread_name_prefix="renderer")
        self.submit(_BLANK)  # starting the renderer takes as long as ten pictures

    @property
    def alive(self) -> bool:
        """Whether the process is still there to be asked."""
        return self._process.poll() is None

    def submit(self, specification: str) -> Future[str]:
        """The SVG text of a specification in JSON, when it is ready. The result raises RuntimeError where it can't be
        drawn."""
        return self._line.submit(self._render, specification)

    def _render(self, specification: str) -> str:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        try:
            self._process.stdin.write(json.dumps(specification) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
        except OSError:
            line = ""
        answer = json.loads(line) if line else {"error": "the process that renders charts ended"}
        if "error" in answer:
            raise RuntimeError(answer["error"])
        return str(answer["svg"])

    def close(self, *, at_once: bool = False) -> None:
        """End the process, after what is under way or at once."""
        if at_once:
            self._process.kill()
        self._line.shutdown(cancel_futures=at_once)
        self._process.kill()  # it holds nothing that it would have to put away
        self._process.communicate()

    def __enter__(self) -> Renderer:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self.close(at_once=kind is not None)


def _serve() -> None:
    """In the process beside: a JSON text a line in, an answer a line out, until the input is closed."""
    from speakerdb.charts.saving import render

    signal.signal(signal.SIGINT, signal.SIG_IGN)  # the one that asked decides when to stop
    answers, sys.stdout = sys.stdout, sys.stderr
    for line in sys.stdin:
        try:
            answer = {"svg": render(json.loads(line))}
        except Exception as error:
            answer = {"error": str(error)}
        answers.write(json.dumps(answer) + "\n")
        answers.flush()


if __name__ == "__main__":
    _serve()
