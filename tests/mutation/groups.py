"""What is turned and which tests have to notice: where a module or a test moves, a line here moves with it.

modules: files of the package, as patterns; tests: the group's own; but: what of both another group has, or takes long.
"""

from __future__ import annotations

import ast
from dataclasses import dataclass
from pathlib import Path

ROOT = Path(__file__).resolve().parents[2]


@dataclass(frozen=True)
class Group:
    """Patterns of paths below the repository's root."""

    modules: tuple[str, ...]
    tests: tuple[str, ...]
    but: tuple[str, ...] = ()

    def module_paths(self) -> list[str]:
        return self._but(self.modules)

    def test_paths(self, module: str) -> list[str]:
        """Tests for a module in the order in which they run: its own, then those that import it; all where none
        does."""
        paths, own = self._but(self.tests), f"test_{Path(module).stem}.py"
        near = [path for path in paths if Path(path).name == own or _imports(path, module)]
        return sorted(near or paths, key=lambda path: (Path(path).name != own, path))

    def _but(self, patterns: tuple[str, ...]) -> list[str]:
        left_out = set(_matching(self.but))
        return [path for path in _matching(patterns) if path not in left_out]


def _imports(test: str, module: str) -> bool:
    room, _, name = module.removesuffix(".py").replace("/", ".").rpartition(".")
    return any(
        node.module == f"{room}.{name}" or (node.module == room and name in {alias.name for alias in node.names})
        for node in ast.walk(ast.parse((ROOT / test).read_text(encoding="utf-8")))
        if isinstance(node, ast.ImportFrom)
    )


def _matching(patterns: tuple[str, ...]) -> list[str]:
    found = []
    for pattern in patterns:
        paths = sorted(str(path.relative_to(ROOT)) for path in ROOT.glob(pattern))
        if not paths:
            raise FileNotFoundError(f"{Path(__file__).name}: nothing matches {pattern}")
        found += [path for path in paths if not path.endswith("__init__.py")]
    return found


POOLING = (
    "speakerdb/derive/pooling.py",
    "speakerdb/upkeep/repooling.py",
    "speakerdb/statistics/heterogeneity.py",
    "speakerdb/statistics/weights.py",
)

GROUPS = {
    "acoustics": Group(
        modules=("speakerdb/acoustics/*.py",),
        tests=(
            "tests/acoustics/test_*.py",
            "tests/published/test_*_theory.py",
            "tests/published/test_*_practice.py",
            "tests/published/test_preferred_frequencies.py",
        ),
    ),
    "statistics": Group(
        modules=("speakerdb/statistics/*.py",),
        tests=(
            "tests/statistics/test_*.py",
            "tests/published/test_benjamini_hochberg.py",
            "tests/published/test_nist_regression.py",
            "tests/published/test_remission_times.py",
            "tests/published/test_statistics_libraries.py",
        ),
        but=(*POOLING, "tests/statistics/test_*_coverage.py", "tests/statistics/test_learning_fleet.py"),
    ),
    "pooling": Group(
        modules=POOLING,
        tests=(
            "tests/derive/test_pooling.py",
            "tests/derive/test_pooled_noise.py",
            "tests/statistics/test_heterogeneity.py",
            "tests/field/test_disagreement.py",
            "tests/upkeep/test_repooling.py",
        ),
    ),
    "words": Group(
        modules=(
            "speakerdb/words/*.py",
            "speakerdb/answering/branching.py",
            "speakerdb/answering/claiming.py",
            "speakerdb/answering/room_cautions.py",
            "speakerdb/report/words.py",
            "speakerdb/report/worth.py",
            "speakerdb/answering/standing.py",
            "speakerdb/answering/verdict.py",
            "speakerdb/analysis/grading.py",
            "speakerdb/report/loudness.py",
        ),
        tests=(
            "tests/words/test_*.py",
            "tests/report/test_words.py",
            "tests/report/test_worth.py",
            "tests/answering/test_standing.py",
            "tests/answering/test_verdict.py",
            "tests/analysis/test_grading.py",
            "tests/report/test_loudness.py",
        ),
        but=("speakerdb/words/upkeep_documents.py",),
    ),
}
