"""Charts rendered in a process beside this one: the renderer keeps Python's lock while it works, and nothing else would
get on."""

from __future__ import annotations

import json
import signal
import subprocess
import sys
import threading
from concurrent.futures import Future, ThreadPoolExecutor
from types import TracebackType

PATIENCE_S = 20.0  # for a chart
START_S = 60.0  # for the first one, which starts the renderer
_BLANK = '{"data":{"values":[]},"mark":"point"}'


def _start() -> subprocess.Popen[str]:
    return subprocess.Popen(
        [sys.executable, "-P", "-m", __name__],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        encoding="utf-8",
    )


class Renderer:
    """Turns Vega-Lite specifications into SVG, one after the other. Use as a context manager or call close().

    Safe to use from many threads. The process ends with this one, however that comes about, since its input is closed
    then.
    """

    def __init__(self, patience_s: float = PATIENCE_S) -> None:
        """patience_s: a process that takes longer over a chart is ended, and the chart tried once more."""
        self._patience_s = patience_s
        self._process, self._closed = _start(), False
        self._line = ThreadPoolExecutor(1, thread_name_prefix="renderer")
        self.submit(_BLANK)  # starting the renderer takes as long as ten pictures

    def submit(self, specification: str) -> Future[str]:
        """The SVG text of a specification in JSON, when it is ready. The result raises RuntimeError where it can't be
        drawn, TimeoutError where two processes hung over it or ended."""
        return self._line.submit(self._render, specification)

    def _render(self, specification: str) -> str:
        for _ in range(2):
            answer = self._ask(specification)
            if answer is None and self._closed:
                break
            if answer is None:
                self._end()
                self._process = _start()
            elif "error" in answer:
                raise RuntimeError(answer["error"])
            else:
                return answer["svg"]
        raise TimeoutError("the chart could not be drawn: what draws it was tried twice and gave no answer")

    def _ask(self, specification: str) -> dict[str, str] | None:
        """The process's answer; None where it hung or ended."""
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        is_first = specification == _BLANK
        watch = threading.Timer(START_S if is_first else self._patience_s, self._process.kill)
        watch.start()
        try:
            self._process.stdin.write(json.dumps(specification) + "\n")
            self._process.stdin.flush()
            line = self._process.stdout.readline()
        except OSError:
            line = ""
        finally:
            watch.cancel()
        found: dict[str, str] | None = json.loads(line) if line.endswith("\n") else None
        return found

    def _end(self) -> None:
        self._process.kill()  # it holds nothing that it would have to put away
        self._process.communicate()

    def close(self, *, at_once: bool = False) -> None:
        """End the process, after what is under way or at once."""
        self._closed = at_once
        if at_once:
            self._process.kill()
        self._line.shutdown(cancel_futures=at_once)
        self._end()

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
