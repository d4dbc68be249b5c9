"""Do the tests notice when the source is changed: `python -m tests.mutation GROUP` or `… MODULE` (a path, or its end).

Of a group 100 seeded mutants run and the survivors are written to survivors/GROUP.json, each with room for why it is
let live: because it does the same (equivalent), or why no test should care. `--again` tries those of them that have no
such reason once more. Of a module the survivors are printed. `--turned` tries every word that says a direction instead,
and prints those that nobody missed.
"""

from __future__ import annotations

import argparse
import json
import sys
from pathlib import Path

from tests.mutation.groups import GROUPS, Group
from tests.mutation.mutants import Mutant, every, sample
from tests.mutation.running import bench

SURVIVORS = Path(__file__).parent / "survivors"
COUNT, SEED = 100, 1


def survivors_of(group: Group, mutants: list[Mutant]) -> list[Mutant]:
    found = []
    with bench() as copy:
        tests = {
            module: group.test_paths(module) for module in {m.module for m in mutants}
        }  # of the tree as it was copied
        for number, mutant in enumerate(mutants, 1):
            lives = copy.survives(mutant, tests[mutant.module])
            found += [mutant] if lives else []
            told = f"{mutant.module} {mutant.function}: {mutant.line}  ->  {mutant.becomes}"
            print(f"{number}/{len(mutants)} {'SURVIVED' if lives else 'killed'} {told}", file=sys.stderr, flush=True)
    return found


def run_group(name: str, count: int, seed: int) -> None:
    mutants = sample(GROUPS[name].module_paths(), count, seed)
    lived = survivors_of(GROUPS[name], mutants)
    _write(
        name,
        {
            "group": name,
            "seed": seed,
            "mutants": len(mutants),
            "survived": [m.described() | {"why": ""} for m in lived],
        },
    )


def run_again(name: str) -> None:
    """Those without a reason; those that are killed now leave the list."""
    told = json.loads((SURVIVORS / f"{name}.json").read_text(encoding="utf-8"))
    found = []
    for entry in told["survived"]:
        wanted = {key: text for key, text in entry.items() if key != "why"}
        if not entry["why"]:
            same = [m for m in every(entry["module"], entry["operator"], entry["line"]) if m.described() == wanted]
            found += same
            if not same:
                print(f"its line stands no more: {wanted}", file=sys.stderr)
    lived = [m.described() for m in survivors_of(GROUPS[name], found)]
    told["survived"] = [e for e in told["survived"] if e["why"] or {k: v for k, v in e.items() if k != "why"} in lived]
    _write(name, told)


def _write(name: str, told: dict) -> None:
    SURVIVORS.mkdir(exist_ok=True)
    text = json.dumps(told, indent=1, ensure_ascii=False)
    (SURVIVORS / f"{name}.json").write_text(text + "\n", encoding="utf-8")
    unexplained = sum(not entry["why"] for entry in told["survived"])
    print(f"{name}: {told['mutants']} mutants, {len(told['survived'])} survived, {unexplained} of them unexplained")


def main(arguments: list[str] | None = None) -> None:
    parser = argparse.ArgumentParser(prog="python -m tests.mutation", description=__doc__)
    parser.add_argument("what", help=f"one of {', '.join(GROUPS)}, or a module of one of them")
    parser.add_argument("--count", type=int, default=COUNT)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--again", action="store_true", help="only survivors without a reason")
    parser.add_argument("--turned", action="store_true", help="every word that says a direction")
    asked = parser.parse_args(arguments)
    groups = {name: group.module_paths() for name, group in GROUPS.items()}
    if asked.what in GROUPS and not asked.turned:
        run_again(asked.what) if asked.again else run_group(asked.what, asked.count, asked.seed)
        return
    chosen = {
        name: [path for path in paths if asked.what == name or path.endswith(asked.what)]
        for name, paths in groups.items()
    }
    if not any(chosen.values()):
        parser.error(f"{asked.what} is neither a group nor a module of one")
    for name, paths in chosen.items():
        if paths:
            if asked.turned:
                mutants = [m for path in paths for m in every(path, "TurnedWord")]
            else:
                mutants = sample(paths, asked.count, asked.seed)
            lived = survivors_of(GROUPS[name], mutants)
            print(f"{len(lived)} of {len(mutants)} survived")
            for mutant in lived:
                print(json.dumps(mutant.described(), indent=1, ensure_ascii=False))


if __name__ == "__main__":
    main()
