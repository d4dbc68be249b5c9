"""The mutants' harness itself: what must be killed is, what changes nothing lives, and those that lived are accounted
for."""

from __future__ import annotations

import json

import pytest

from tests.mutation import running
from tests.mutation.__main__ import SURVIVORS
from tests.mutation.groups import GROUPS, ROOT
from tests.mutation.mutants import Mutant, every, sample

UNEXPLAINED = 0.05  # of a group's mutants at most
SPHERE = "speakerdb/acoustics/sphere.py"
TESTS = ["tests/acoustics/test_sphere.py"]


def test_a_changed_formula_is_killed_an_endless_one_too_and_the_same_source_lives():
    source = (ROOT / SPHERE).read_text(encoding="utf-8")
    (power,) = [m for m in every(SPHERE, "NumberReplacer") if m.function == "sound_power" and "11.0 * np" in m.becomes]
    with running.bench() as copy:
        assert copy.survives(Mutant(SPHERE, "", "", "", "", source), TESTS)
        assert not copy.survives(power, TESTS)
        assert copy.survives(Mutant(SPHERE, "", "", "", "", source), TESTS)  # nothing of it is left
        copy.put(SPHERE, "while True:\n    pass\n")
        assert copy.run(TESTS, timeout_s=3.0) is None
        copy.put(SPHERE, power.source)
        with pytest.raises(RuntimeError, match="do not pass without a mutant"):
            copy.time_s([*TESTS, "--maxfail=1"])


def test_the_same_seed_gives_the_same_mutants_at_places_of_their_own():
    drawn, again, other = (sample([SPHERE], 10, seed) for seed in (1, 1, 2))
    assert [m.described() for m in drawn] == [m.described() for m in again] != [m.described() for m in other]
    assert len(drawn) == 10
    for mutant in drawn:
        assert mutant.line in (ROOT / SPHERE).read_text(encoding="utf-8")
        assert mutant.becomes != mutant.line


def test_types_docstrings_and_options_of_data_classes_are_left_alone():
    told = [m.line for m in every("speakerdb/statistics/error_model.py")]
    assert not [line for line in told if line.startswith(('"""', "@dataclass"))]
    assert any("np." in line for line in told)


@pytest.mark.parametrize("name", GROUPS)
def test_every_group_has_modules_tests_and_few_survivors_that_nothing_explains(name):
    group = GROUPS[name]
    for module in group.module_paths():
        assert group.test_paths(module)
    told = json.loads((SURVIVORS / f"{name}.json").read_text(encoding="utf-8"))
    assert told["mutants"] >= 100
    assert sum(not entry["why"] for entry in told["survived"]) <= UNEXPLAINED * told["mutants"]
