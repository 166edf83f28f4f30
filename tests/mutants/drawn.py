"""Mutants drawn by a seed from every comparison, number and removable check of the packages that decide.

Every candidate has a key: the kind of change, the statement it is in with the change made, and a count where several
candidates are the same so far. Of each kind those with the least SHA-256 of seed and key are drawn. So the draw follows
from the tree alone, and code that is moved or whose neighbours change keeps its place in it.
"""

from __future__ import annotations

import ast
import hashlib
from collections import Counter
from collections.abc import Iterator
from pathlib import Path

from tests.mutants.changing import Mutant, Source, read_source

SEED = 20261130
SHARE = 22
"""Drawn of each kind: comparisons (turned round, or off by a step), numbers, checks."""
PACKAGES = ("decode", "prepare", "reduce", "measure", "archive", "acquire")

_TURNED: dict[type[ast.cmpop], str] = {
    ast.Lt: ">=", ast.LtE: ">", ast.Gt: "<=", ast.GtE: "<", ast.Eq: "!=", ast.NotEq: "==",
    ast.Is: "is not", ast.IsNot: "is", ast.In: "not in", ast.NotIn: "in",
}  # fmt: skip
_STEP: dict[type[ast.cmpop], str] = {ast.Lt: "<=", ast.LtE: "<", ast.Gt: ">=", ast.GtE: ">"}
_REMOVABLE = (ast.Raise, ast.Return, ast.Continue, ast.Break, ast.Expr)


def candidates(root: Path) -> list[tuple[str, Mutant]]:
    """Return every candidate with its key, in order of path and place."""
    found: list[tuple[str, Mutant]] = []
    seen: Counter[str] = Counter()
    for package in PACKAGES:
        for file in sorted((root / "trialcapture" / package).rglob("*.py")):
            source = read_source(root, file.relative_to(root).as_posix())
            for kind, statement, node, after in _changes(source):
                around = _around(source, statement, node, after)
                key = f"{kind}: {around}"
                seen[key] += 1
                key = f"{key} #{seen[key]}"
                digest = hashlib.sha256(f"{SEED} {key}".encode()).hexdigest()
                found.append((digest, source.mutant(node, after, f"{kind} {digest[:8]}")))
    return found


def draw(root: Path, share: int = SHARE) -> list[Mutant]:
    """Return the mutants drawn from a tree, so many of each kind."""
    ranked = [mutant for _, mutant in sorted(candidates(root), key=lambda c: c[0])]
    drawn = []
    for kinds in (("comparison", "step"), ("number",), ("check",)):
        drawn += [m for m in ranked if m.name.split()[0] in kinds][:share]
    return drawn


def _around(source: Source, statement: ast.stmt, node: ast.expr | ast.stmt, after: str) -> str:
    """Return a statement up to its body with the change made, a check with its body as it is; blanks made one."""
    if isinstance(statement, ast.If) and node is statement.test:
        return " ".join(source.text(statement).split())
    begin, _ = source.span(statement)
    _, end = source.span(_head(statement))
    start, stop = source.span(node)
    text = source.data[begin:start] + after.encode() + source.data[stop : max(end, stop)]
    return " ".join(text.decode().split())


def _head(statement: ast.stmt) -> ast.expr | ast.stmt:
    """Return what ends the part of a statement before its body."""
    if isinstance(statement, (ast.If, ast.While)):
        return statement.test
    if isinstance(statement, (ast.For, ast.AsyncFor)):
        return statement.iter
    if isinstance(statement, (ast.With, ast.AsyncWith)):
        return statement.items[-1].context_expr
    return statement


def _changes(source: Source) -> Iterator[tuple[str, ast.stmt, ast.expr | ast.stmt, str]]:
    """Yield kind, statement, replaced node and replacement of every candidate of a file, in order."""
    for statement, node in _walk(source.tree, None):
        if isinstance(node, ast.Compare):
            yield from ((*c[:1], statement, *c[1:]) for c in _comparisons(source, node))
        elif isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield "number", statement, node, _other_number(node.value)
        elif isinstance(node, ast.If) and _is_check(node):
            yield "check", node, node.test, "False"


def _walk(node: ast.AST, statement: ast.stmt | None) -> Iterator[tuple[ast.stmt, ast.expr | ast.stmt]]:
    """Yield the nodes that run, with the statement each is in: no annotation, no function's signature but defaults."""
    for name, field in ast.iter_fields(node):
        if name in ("annotation", "returns", "type_params", "type_comment"):
            continue
        for child in field if isinstance(field, list) else [field]:
            if not isinstance(child, ast.AST) or _is_type_alias(child):
                continue
            inside = child if isinstance(child, ast.stmt) else statement
            if inside is not None and isinstance(child, (ast.expr, ast.stmt)):
                yield inside, child
            yield from _walk(child, inside)


def _is_type_alias(node: ast.AST) -> bool:
    """Return whether a statement only names a type, such as ``Floats = npt.NDArray[np.float64]``."""
    return isinstance(node, ast.Assign) and isinstance(node.value, ast.Subscript) and "NDArray" in ast.dump(node.value)


def _comparisons(source: Source, node: ast.Compare) -> Iterator[tuple[str, ast.expr, str]]:
    sides = [node.left, *node.comparators]
    for at, operator in enumerate(node.ops):
        changed = [_symbol(o) for o in node.ops]
        changed[at] = _TURNED[type(operator)]
        yield "comparison", node, _written(source, sides, changed)
        if type(operator) in _STEP and any(map(_is_count, sides[at : at + 2])):
            changed[at] = _STEP[type(operator)]
            yield "step", node, _written(source, sides, changed)


def _written(source: Source, sides: list[ast.expr], symbols: list[str]) -> str:
    words = [source.text(sides[0])]
    for symbol, side in zip(symbols, sides[1:], strict=True):
        words += [symbol, source.text(side)]
    return "(" + " ".join(words) + ")"


def _symbol(operator: ast.cmpop) -> str:
    return {
        ast.Lt: "<", ast.LtE: "<=", ast.Gt: ">", ast.GtE: ">=", ast.Eq: "==", ast.NotEq: "!=",
        ast.Is: "is", ast.IsNot: "is not", ast.In: "in", ast.NotIn: "not in",
    }[type(operator)]  # fmt: skip


def _is_count(node: ast.expr) -> bool:
    """Return whether an expression is a whole number: a literal, a length, a size."""
    if isinstance(node, ast.Constant):
        return type(node.value) is int
    if isinstance(node, ast.Call) and isinstance(node.func, ast.Name):
        return node.func.id == "len"
    return isinstance(node, ast.Attribute) and node.attr in ("size", "num_rows")


def _is_check(node: ast.If) -> bool:
    """Return whether a condition without an else only raises, returns, goes on, or calls something."""
    return not node.orelse and all(isinstance(s, _REMOVABLE) for s in node.body)


def _other_number(value: float) -> str:
    """Return a number one step from a whole one, half as much again as a fraction."""
    if isinstance(value, int):
        return repr(value + 1)
    return repr(float(f"{value * 1.5:.12g}")) if value else "1.0"
