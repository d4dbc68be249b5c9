"""Small changes of the source that should change what it does, one at a time."""

from __future__ import annotations

import ast
import random
import re
from collections.abc import Iterator
from dataclasses import dataclass

import cosmic_ray.plugins
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.ast.ast_query import ASTQuery
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Example, Operator

from tests.mutation.groups import ROOT

KINDS = (
    ("Add", "Sub", "Mul", "Div", "FloorDiv", "Mod", "Pow"),
    ("BitOr", "BitAnd", "BitXor"),
    ("Eq", "NotEq", "Lt", "LtE", "Gt", "GtE"),
    ("Is", "IsNot"),
)
NOTHING_NEW = ("USub_UAdd", "USub_Not")  # as without the minus; as 0 or False

# Words that say a direction, each with the one that says the opposite
_PAIRS = """
higher lower|highest lowest|deepest highest|more less|most least|fewer more|above below|better worse|best worst
wider narrower|widest narrowest|louder quieter|loudest quietest|cheaper dearer|larger smaller|largest smallest
longer shorter|nearer farther|nearest farthest|heavier lighter|newest oldest|older newer|up down|over under
rises falls|exceeds undercuts|first last|inside outside|within beyond|before after|behind beside|top bottom|left right
widened narrowed|lifts lowers
"""
OPPOSITE = {
    word: other
    for pair in _PAIRS.replace("\n", "|").split("|")
    if pair
    for word, other in (pair.split(), pair.split()[::-1])
    if (word, other) not in {("highest", "deepest"), ("more", "fewer")}
}
_DIRECTION = re.compile(rf"(?<![\w-])({'|'.join(OPPOSITE)})(?![\w-])", re.IGNORECASE)


class TurnedWord(Operator):
    """A word that says a direction, in a text, says the opposite."""

    def mutation_positions(self, node):
        if node.type in {"string", "fstring_string"}:
            for _ in _DIRECTION.finditer(node.value):
                yield node.start_pos, node.end_pos

    def mutate(self, node, index):
        found = list(_DIRECTION.finditer(node.value))[index]
        word = OPPOSITE[found[0].lower()]
        turned = word.capitalize() if found[0][0].isupper() else word
        node.value = node.value[: found.start()] + turned + node.value[found.end() :]
        return node

    @classmethod
    def examples(cls):
        return (Example('"1 dB higher"', '"1 dB lower"'),)


@dataclass(frozen=True)
class Mutant:
    """line, becomes: the line of the source that changes, without its indent; function: where it stands."""

    module: str
    function: str
    line: str
    becomes: str
    operator: str
    source: str

    def described(self) -> dict[str, str]:
        """What names it as long as its line stands, wherever in the module that is."""
        return {name: getattr(self, name) for name in ("module", "function", "line", "becomes", "operator")}


def operators() -> dict[str, Operator]:
    """Those that change what floats, masks and comparisons do. Across kinds they fail by their types or do the same
    (`*` for `&` of masks, `is` for `==`), and so would tell nothing."""
    found: dict[str, Operator] = {"TurnedWord": TurnedWord()}
    for name in cosmic_ray.plugins.operator_names():
        operator = cosmic_ray.plugins.get_operator(name)
        kind, _, change = name.removeprefix("core/").partition("_")
        replaces = kind in {"ReplaceBinaryOperator", "ReplaceComparisonOperator"}
        if operator.arguments() or (replaces and not _within_kind(*change.split("_"))) or change in NOTHING_NEW:
            continue
        found[name.removeprefix("core/")] = operator()
    return found


def _within_kind(old: str, new: str) -> bool:
    return any(old in kind and new in kind for kind in KINDS)


def sites(module: str, only: str = "") -> dict[tuple[int, ...], list[tuple[str, int, str]]]:
    """Where the source can be changed -> the changes that apply there: operator, its occurrence, function. only: one
    operator's."""
    tree = get_ast((ROOT / module).read_text(encoding="utf-8"))
    found: dict[tuple[int, ...], list[tuple[str, int, str]]] = {}
    for name, operator in operators().items():
        if only and name != only:
            continue
        occurrence = 0
        for node in ast_nodes(tree):
            for number, (start, end) in enumerate(operator.mutation_positions(node)):
                # two words of one text are two places
                at = (*start, *end, number if name == "TurnedWord" else 0)
                found.setdefault(at, []).append((name, occurrence, ASTQuery(node).get_definition_name() or ""))
                occurrence += 1
    return found


def mutant(module: str, line_number: int, change: tuple[str, int, str]) -> Mutant | None:
    """None where the change does nothing to what runs: in a type, a docstring or the options of a data class; or
    nothing can run."""
    name, occurrence, function = change
    before = (ROOT / module).read_text(encoding="utf-8")
    after = mutate_code(before, operators()[name], occurrence)
    try:
        if after is None or _runs(after) == _runs(before):
            return None
    except SyntaxError:  # the slash and the star that part arguments are no operators
        return None
    line, becomes = (text.split("\n")[line_number - 1].strip() for text in (before, after))
    return Mutant(module, function, line, becomes, name, after)


def sample(modules: list[str], count: int, seed: int) -> list[Mutant]:
    """So many, each at a place of its own as long as there are places; the same ones for the same sources and seed."""
    chance = random.Random(seed)
    places = [(module, at, changes) for module in modules for at, changes in sorted(sites(module).items())]
    chance.shuffle(places)
    drawn = (mutant(module, at[0], chance.choice(changes)) for module, at, changes in places)
    found: list[Mutant] = []
    for one in drawn:
        if one is not None:
            found.append(one)
        if len(found) == count:
            break
    return found


def every(module: str, only: str = "", line: str = "") -> Iterator[Mutant]:
    """All of a module, or all of one operator, or all of these in a line like this one."""
    lines = (ROOT / module).read_text(encoding="utf-8").split("\n")
    for at, changes in sorted(sites(module, only).items()):
        if line and lines[at[0] - 1].strip() != line:
            continue
        for change in changes:
            if (one := mutant(module, at[0], change)) is not None:
                yield one


class _WithoutRemarks(ast.NodeTransformer):
    def visit_FunctionDef(self, node: ast.FunctionDef) -> ast.AST:
        node.returns = None
        return self._body(node)

    def visit_ClassDef(self, node: ast.ClassDef) -> ast.AST:
        node.decorator_list = [d for d in node.decorator_list if "dataclass" not in ast.dump(d)]
        return self._body(node)

    def visit_Module(self, node: ast.Module) -> ast.AST:
        return self._body(node)

    def visit_arguments(self, node: ast.arguments) -> ast.AST:
        """Their names and defaults, not how they may be passed."""
        names = [arg.arg for arg in (*node.posonlyargs, *node.args, *node.kwonlyargs)]
        defaults = [self.visit(d) for d in (*node.defaults, *node.kw_defaults) if d is not None]
        return ast.List([*map(ast.Constant, names), *defaults])

    def visit_AnnAssign(self, node: ast.AnnAssign) -> ast.AST:
        node.annotation = ast.Constant(None)
        return self.generic_visit(node)

    def _body(self, node):
        node.body = [s for s in node.body if not (isinstance(s, ast.Expr) and isinstance(s.value, ast.Constant))]
        return self.generic_visit(node)


def _runs(source: str) -> str:
    """What of a source runs."""
    return ast.dump(_WithoutRemarks().visit(ast.parse(source)))
