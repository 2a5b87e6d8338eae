"""What uses a row of the book: rules, exercises, and the code itself, read from the code."""

from __future__ import annotations

import ast
import re
from collections.abc import Iterator
from functools import cache
from importlib.resources import files
from importlib.resources.abc import Traversable

from rungwise.core.evidence import Condition, Evidence

__all__ = ["named_in", "uses_of"]


def uses_of(key: str, book: Evidence) -> tuple[str, ...]:
    """Name every rule, exercise gate and function that asks for a row.

    Parameters
    ----------
    key : str
        Key of the row.
    book : Evidence
        The evidence book.
    """
    found = [f"rule {rule.key}" for rule in book.rules.values() if key in rule.keys]
    for family in book.families.values():
        conditions = [("", c) for c in family.allow_if]
        for dial in family.dials:
            for notch in dial.notches:
                where = f" {dial.key}:{notch.key}"
                conditions += [(where, c) for c in (*notch.start_if, *notch.allow_if)]
        for where, condition in conditions:
            asked: Condition | None = condition
            while asked is not None:
                if key in (asked.at_least, asked.at_most):
                    found.append(f"exercise {family.key}{where}")
                asked = asked.instead
    word = re.compile(rf"(?<![\w.]){re.escape(key)}(?![\w.])")
    found.extend(f"row {row.key}" for row in book.rows.values() if word.search(row.where))
    found.extend(where for where, pattern in _asked() if pattern.fullmatch(key))
    return tuple(dict.fromkeys(found))


@cache
def named_in(word: str) -> tuple[str, ...]:
    """Modules of the package's code in which a word stands, such as the key of a source.

    Parameters
    ----------
    word : str
        The word.
    """
    found = re.compile(rf"\b{re.escape(word)}\b")
    return tuple(name for name, text in _modules(files("rungwise")) if found.search(text))


@cache
def _asked() -> tuple[tuple[str, re.Pattern[str]], ...]:
    """Every dotted text in the package's code, as a pattern, with the function it stands in."""
    return tuple(
        (where, re.compile(pattern))
        for name, text in _modules(files("rungwise"))
        for where, pattern in _texts(name, ast.parse(text))
    )


def _modules(folder: Traversable) -> Iterator[tuple[str, str]]:
    for entry in sorted(folder.iterdir(), key=lambda e: e.name):
        if entry.name.endswith(".py"):
            yield entry.name.removesuffix(".py"), entry.read_text("utf-8")
        elif entry.is_dir() and entry.name in ("core", "draw", "handout", "photo"):
            yield from _modules(entry)


def _texts(module: str, tree: ast.Module) -> Iterator[tuple[str, str]]:
    for top in tree.body:
        name = getattr(top, "name", None)
        where = f"{module}.{name}" if name else module
        inside = {
            id(part)
            for node in ast.walk(top)
            if isinstance(node, ast.JoinedStr)
            for part in node.values
        }
        for node in ast.walk(top):
            if isinstance(node, ast.JoinedStr):
                parts = [
                    re.escape(part.value)
                    if isinstance(part, ast.Constant) and isinstance(part.value, str)
                    else "[a-z0-9_.]+"
                    for part in node.values
                ]
                pattern = "".join(parts)
                if re.match(r"[a-z]\w*\\\.", pattern) and re.fullmatch(r"[\w\\.\[\]+-]+", pattern):
                    yield where, pattern
            elif (
                isinstance(node, ast.Constant)
                and isinstance(node.value, str)
                and id(node) not in inside
                and re.fullmatch(r"[a-z]\w*(\.\w+)+", node.value)
            ):
                yield where, re.escape(node.value)
