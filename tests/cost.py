"""What each test costs: `python -m tests.cost [pytest's arguments]` runs the suite and prints who takes what share of
it.

The cost is processor time, of the test's process and of the processes that it started and waited for, so that a busy
machine changes little. What a fixture costs stands under the first test that asks for it, beside what the test itself
does.
"""

from __future__ import annotations

import resource
import sys
from collections import defaultdict

import pytest

SHOWN = 30


def spent_s() -> float:
    """Processor time of this process and of its ended children so far."""
    both = (resource.getrusage(who) for who in (resource.RUSAGE_SELF, resource.RUSAGE_CHILDREN))
    return sum(use.ru_utime + use.ru_stime for use in both)


costs_s: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))


SINCE = pytest.StashKey[float]()


@pytest.hookimpl(wrapper=True)
def pytest_runtest_protocol(item):
    item.config.stash[SINCE] = spent_s()
    return (yield)


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport(item):
    report = yield
    now_s = spent_s()
    report.cost_s, item.config.stash[SINCE] = now_s - item.config.stash[SINCE], now_s
    return report


def pytest_runtest_logreport(report) -> None:
    costs_s[report.nodeid][report.when] += report.cost_s


def table(rows: dict[str, dict[str, float]]) -> list[str]:
    """One line a row, dearest first: share, seconds, of these the fixtures' seconds, name."""
    total_s = sum(sum(row.values()) for row in rows.values())
    dearest = sorted(rows.items(), key=lambda row: -sum(row[1].values()))[:SHOWN]
    return [
        f"{sum(by.values()) / total_s:6.1%} {sum(by.values()):8.2f} {by['setup'] + by['teardown']:8.2f}  {name}"
        for name, by in dearest
    ]


def pytest_terminal_summary(terminalreporter) -> None:
    files: dict[str, dict[str, float]] = defaultdict(lambda: defaultdict(float))
    for name, by in costs_s.items():
        for when, cost_s in by.items():
            files[name.split("::")[0]][when] += cost_s
    total_s = sum(sum(by.values()) for by in files.values())
    terminalreporter.section(f"{total_s:.0f} s of processor time in {len(costs_s)} tests")
    for title, rows in (("file", files), ("test", costs_s)):
        terminalreporter.write_line(f" share      all  fixture  {title}")
        for line in table(rows):
            terminalreporter.write_line(line)


if __name__ == "__main__":
    sys.exit(pytest.main(["-q", "-p", "tests.cost", *sys.argv[1:]]))
