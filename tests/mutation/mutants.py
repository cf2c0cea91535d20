"""Mutants of a file: cosmic-ray's operators and two of our own, without noise, and a sample of them by lot.

Left out as noise: annotations, docstrings and other text, what is raised, decorators, and operators that no hand would write by
mistake (`+` for `<<`). `VARIANTS` names what is left of the replaced operators.
"""

from __future__ import annotations

import ast
import difflib
import random
from collections import defaultdict
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import parso
from cosmic_ray.ast import ast_nodes, get_ast
from cosmic_ray.mutating import mutate_code
from cosmic_ray.operators.operator import Operator
from cosmic_ray.plugins import get_operator, operator_names

VARIANTS = {
    "Binary": "Add_Sub Sub_Add Mul_Div Div_Mul Mul_Add Pow_Mul FloorDiv_Div Mod_FloorDiv BitAnd_BitOr BitOr_BitAnd BitXor_BitOr",
    "Comparison": "Eq_NotEq NotEq_Eq Lt_LtE Lt_GtE LtE_Lt LtE_Gt Gt_GtE Gt_LtE GtE_Gt GtE_Lt Is_IsNot IsNot_Is",
    "Unary": "Delete_Invert Delete_Not Delete_USub",
}
LEFT_OUT = {
    "core/RemoveDecorator",
    "core/ExceptionReplacer",
    "core/VariableInserter",
    "core/VariableReplacer",
}
SWAPS = [
    ("sin", "cos"),
    ("minimum", "maximum"),
    ("min", "max"),
    ("any", "all"),
    ("argmin", "argmax"),
    ("floor", "ceil"),
    ("zeros", "ones"),
    ("nanmin", "nanmax"),
    ("tan", "sin"),
    ("east", "north"),
    ("setup", "target"),
]
SWAP = dict(SWAPS) | {b: a for a, b in SWAPS if (a, b) != ("tan", "sin")}


class SwapName(Operator):
    """A name for its usual confusion: sine for cosine, least for greatest, east for north."""

    def mutation_positions(
        self, node: parso.tree.NodeOrLeaf
    ) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        if node.type == "name" and node.value in SWAP and not node.is_definition():
            yield node.start_pos, node.end_pos

    def mutate(self, node: parso.tree.NodeOrLeaf, index: int) -> parso.tree.NodeOrLeaf:
        node.value = SWAP[node.value]
        return node

    @classmethod
    def examples(cls) -> Iterable[object]:
        return ()


class DropStatement(Operator):
    """A statement that changes something in place, forgotten: `x += …`, `x[…] = …`, a call for its effect."""

    def mutation_positions(
        self, node: parso.tree.NodeOrLeaf
    ) -> Iterator[tuple[tuple[int, int], tuple[int, int]]]:
        if node.type != "simple_stmt" or not hasattr(node.children[0], "children"):
            return
        first = node.children[0]
        called = first.type in ("atom_expr", "power") and first.children[-1].type == "trailer"
        changed = (
            first.type == "expr_stmt"
            and first.children[1].type != "annassign"
            and (
                first.children[0].type in ("atom_expr", "power")
                or getattr(first.children[1], "value", "+=") not in "=:"
            )
        )
        if called or changed:
            yield node.start_pos, node.end_pos

    def mutate(self, node: parso.tree.NodeOrLeaf, index: int) -> parso.tree.NodeOrLeaf:
        leaf = node.get_first_leaf()
        return parso.python.tree.Keyword("pass\n", node.start_pos, prefix=leaf.prefix)

    @classmethod
    def examples(cls) -> Iterable[object]:
        return ()


@dataclass(frozen=True)
class Mutant:
    path: str  # from the root of the project
    operator: str
    occurrence: int  # of the operator in its file
    line: int
    column: int
    lines: tuple[int, ...]  # of the statement: a test that runs one of them meets the mutant
    code: str
    change: str


@cache
def operators() -> dict[str, Operator]:
    kept: dict[str, Operator] = {}
    for name in sorted(operator_names()):
        family = next((f for f in VARIANTS if f"Replace{f}Operator_" in name), None)
        if name in LEFT_OUT or (family and name.split("Operator_")[1] not in VARIANTS[family].split()):
            continue
        kept[name] = get_operator(name)()
    return kept | {"own/SwapName": SwapName(), "own/DropStatement": DropStatement()}


def text(node: ast.AST) -> bool:
    if isinstance(node, ast.Assign):
        return any(isinstance(t, ast.Name) and t.id == "__all__" for t in node.targets)
    return isinstance(node, ast.Expr) and isinstance(node.value, ast.Constant)


def noise(tree: ast.Module) -> list[tuple[tuple[int, int], tuple[int, int]]]:
    spans = []
    for node in ast.walk(tree):
        dropped: list[ast.AST | None] = []
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            dropped = [node.returns, *node.decorator_list]
        elif isinstance(node, ast.ClassDef):
            dropped = list(node.decorator_list)
        elif isinstance(node, (ast.arg, ast.AnnAssign)):
            dropped = [node.annotation]
        elif isinstance(node, (ast.Raise, ast.JoinedStr, ast.Assert, ast.Import, ast.ImportFrom)) or text(
            node
        ):
            dropped = [node]
        spans += [
            ((n.lineno, n.col_offset), (n.end_lineno, n.end_col_offset)) for n in dropped if n is not None
        ]
    return spans


def statements(tree: ast.Module) -> dict[int, tuple[int, ...]]:
    """For every line, the lines whose run means that this one is met."""
    lines: dict[int, tuple[int, ...]] = {}

    def put(first: int, last: int, met: Iterable[int]) -> None:
        held = tuple(met)
        for line in range(first, last + 1):
            lines[line] = held

    def walk(body: list[ast.stmt]) -> None:
        for node in body:
            inner = [getattr(node, part, []) for part in ("body", "orelse", "finalbody")]
            handlers = getattr(node, "handlers", []) + getattr(node, "cases", [])
            if not any(inner) and not handlers:
                put(node.lineno, node.end_lineno, range(node.lineno, node.end_lineno + 1))
                continue
            first_inner = min(part[0].lineno for part in inner if part) if any(inner) else node.end_lineno
            head = range(node.lineno, max(first_inner, node.lineno + 1))
            if isinstance(node, ast.FunctionDef):  # defaults are made at import and felt in the body
                decorators = [d.lineno for d in node.decorator_list]
                put(min([node.lineno, *decorators]), first_inner - 1, range(first_inner, node.end_lineno + 1))
            else:
                put(node.lineno, first_inner - 1 if first_inner > node.lineno else node.lineno, head)
            for part in inner:
                walk(part)
            for handler in handlers:
                put(
                    handler.lineno if hasattr(handler, "lineno") else handler.pattern.lineno,
                    handler.body[0].lineno,
                    [handler.body[0].lineno],
                )
                walk(handler.body)

    walk(tree.body)
    for node in tree.body:  # a constant is felt where its name stands
        names = {t.id for t in ast.walk(node) if isinstance(t, ast.Name) and isinstance(t.ctx, ast.Store)}
        if isinstance(node, (ast.Assign, ast.AnnAssign)) and names:
            users = {
                n.lineno
                for n in ast.walk(tree)
                if isinstance(n, ast.Name) and n.id in names and isinstance(n.ctx, ast.Load)
            }
            put(node.lineno, node.end_lineno, sorted(users))
    return lines


def places(source: str, tree: ast.Module) -> dict[tuple[int, int], list[tuple[str, int]]]:
    """Where a mutant may be made, and by which operator and which of its occurrences."""
    silent = noise(tree)
    found: defaultdict[tuple[int, int], list[tuple[str, int]]] = defaultdict(list)
    nodes = list(ast_nodes(get_ast(source)))
    for name, operator in operators().items():
        spans = [span for node in nodes for span in operator.mutation_positions(node)]
        for occurrence, (start, stop) in enumerate(spans):
            if not any(a <= start and stop <= b for a, b in silent):
                found[start].append((name, occurrence))
    return dict(found)


def make(root: Path, path: str, name: str, occurrence: int, line: int, column: int) -> Mutant | None:
    """The file with one place changed; None where that is no Python, or changes nothing."""
    source = (root / path).read_text(encoding="utf-8")
    tree = ast.parse(source)
    code = mutate_code(source, operators()[name], occurrence)
    try:
        if code is None or ast.dump(ast.parse(code)) == ast.dump(tree):
            return None
    except SyntaxError:
        return None
    lines = difflib.unified_diff(source.splitlines(True), code.splitlines(True), n=0)
    change = "".join(text for text in lines if text[:2] not in ("--", "++", "@@"))
    return Mutant(path, name, occurrence, line, column, statements(tree).get(line, ()), code, change)


def sample(root: Path, path: str, count: int, seed: int) -> list[Mutant]:
    """`count` places by lot, and one mutant of each: a place with many variants is no likelier."""
    source = (root / path).read_text(encoding="utf-8")
    lot = random.Random(f"{seed} {path}")
    held = places(source, ast.parse(source))
    order = sorted(held)
    lot.shuffle(order)
    drawn: list[Mutant] = []
    for line, column in order:
        mutant = make(root, path, *lot.choice(held[line, column]), line, column)
        drawn += [mutant] if mutant else []
        if len(drawn) == count:
            break
    return sorted(drawn, key=lambda mutant: (mutant.line, mutant.column))
