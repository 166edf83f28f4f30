"""A change to one file: found in its syntax tree, made in its text."""

from __future__ import annotations

import ast
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path


@dataclass(frozen=True, slots=True)
class Mutant:
    """One change to one file.

    Attributes:
        name: What tells it from the others.
        path: The file, relative to the root of the tree.
        line: First line of what is replaced.
        before: What is replaced.
        after: What takes its place.
        start: First byte of what is replaced.
        stop: One past its last byte.
        decision: What the change takes away, in words; empty for a drawn one.
        tests: Tests that are run first: files or node ids.
    """

    name: str
    path: str
    line: int
    before: str
    after: str
    start: int
    stop: int
    decision: str = ""
    tests: tuple[str, ...] = ()

    def apply(self, source: bytes) -> bytes:
        """Return the file's bytes with the change made."""
        return source[: self.start] + self.after.encode() + source[self.stop :]


class Source:
    """The text and syntax tree of one file."""

    def __init__(self, root: Path, path: str) -> None:
        """Read and parse a file, given relative to the root."""
        self.path = path
        self.data = (root / path).read_bytes()
        self.tree = ast.parse(self.data)
        lines = self.data.splitlines(keepends=True)
        self._begins = [0]
        for line in lines:
            self._begins.append(self._begins[-1] + len(line))

    def span(self, node: ast.expr | ast.stmt) -> tuple[int, int]:
        """Return the bytes [start, stop) a node takes up."""
        assert node.end_lineno is not None
        assert node.end_col_offset is not None
        return self._begins[node.lineno - 1] + node.col_offset, self._begins[node.end_lineno - 1] + node.end_col_offset

    def text(self, node: ast.expr | ast.stmt) -> str:
        """Return what a node is written as."""
        start, stop = self.span(node)
        return self.data[start:stop].decode()

    def mutant(self, node: ast.expr | ast.stmt, after: str, name: str, **words: object) -> Mutant:
        """Return the change that puts other code in a node's place."""
        start, stop = self.span(node)
        return Mutant(name, self.path, node.lineno, self.text(node), after, start, stop, **words)  # type: ignore[arg-type]


def read_source(root: Path, path: str) -> Source:
    """Return a file of a tree, parsed once as long as it stays the same."""
    return _read_source(root, path, (root / path).stat().st_mtime_ns)


@lru_cache(maxsize=512)
def _read_source(root: Path, path: str, _: int) -> Source:
    return Source(root, path)
