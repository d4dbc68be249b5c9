"""How much code the package is: tokens without comments, docstrings and line ends, a room a line.

python -m tests.tokens [REVISION …]   (default: what is checked out)
"""

from __future__ import annotations

import ast
import io
import subprocess
import sys
import tokenize
from collections import Counter

LEFT_OUT = {tokenize.COMMENT, tokenize.NL, tokenize.NEWLINE, tokenize.INDENT, tokenize.DEDENT, tokenize.ENDMARKER}


def tokens_of(source: str) -> int:
    """Tokens of a module that say what it does."""
    documented = {
        (first.lineno, first.col_offset)
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Module | ast.ClassDef | ast.FunctionDef | ast.AsyncFunctionDef)
        and node.body
        and isinstance(first := node.body[0], ast.Expr)
        and isinstance(getattr(first.value, "value", None), str)
    }
    told = tokenize.generate_tokens(io.StringIO(source).readline)
    return sum(t.type not in LEFT_OUT and t.start not in documented for t in told)


def by_room(revision: str) -> Counter[str]:
    """Room -> tokens of a revision; '' is what lies in the working tree."""

    def git(*words: str) -> str:
        return subprocess.run(["git", *words], capture_output=True, text=True, check=True).stdout

    names = git("ls-tree", "-r", "--name-only", revision, "speakerdb") if revision else git("ls-files", "speakerdb")
    found: Counter[str] = Counter()
    for name in (n for n in names.splitlines() if n.endswith(".py")):
        with open(name, encoding="utf-8") if not revision else io.StringIO(git("show", f"{revision}:{name}")) as file:
            found[name.split("/")[1]] += tokens_of(file.read())
    return found


if __name__ == "__main__":
    for revision in sys.argv[1:] or [""]:
        rooms = by_room(revision)
        print(revision or "checked out", rooms.total())
        for room, count in sorted(rooms.items()):
            print(f"  {room:16}{count:7}")
