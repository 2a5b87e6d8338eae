"""Break the rules on purpose, one small change at a time, and see whether a test notices.

Run it as ``python proof/mutate.py`` (``make mutate``). Each change is one of the usual kinds: a
comparison at its boundary or turned round, plus for minus, and for or, a number one larger, a
condition's branches exchanged, a call or a return left out. Every changed module is loaded in a
process of its own, which runs the tests named beside the module until the first one fails. Changes
that no test notices are listed in ``docs/mutation.md`` with the reason why. Needs a system that can
fork.
"""

from __future__ import annotations

import argparse
import ast
import os
import random
import signal
import sys
import time
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from importlib.abc import MetaPathFinder
from importlib.machinery import ModuleSpec, SourceFileLoader
from importlib.util import spec_from_file_location
from pathlib import Path
from types import CodeType, ModuleType

ROOT = Path(__file__).resolve().parents[1]
CORE = "tests/core/test_"
HEARD = tuple(
    f"{CORE}{name}.py" for name in ("judge", "steps", "followed", "progress", "look", "renew")
)
PLANNED = (f"{CORE}prescribe.py", f"{CORE}session.py", f"{CORE}steps.py", f"{CORE}renew.py")
#: Module -> tests that must notice a change to it, the quickest first.
TESTS: Mapping[str, Sequence[str]] = {
    "screen": (f"{CORE}screen.py", f"{CORE}check_cases.py"),
    "flags": (f"{CORE}screen.py", f"{CORE}check_cases.py"),
    "grade": (f"{CORE}grade.py", f"{CORE}check_cases.py"),
    "start": (f"{CORE}steps.py", *PLANNED[:2], *PLANNED[3:]),
    "pins": (f"{CORE}renew.py", *PLANNED[:1]),
    "prescribe": (f"{CORE}renew.py", *PLANNED[:2]),
    "judge": HEARD[:1],
    "look": HEARD[3:],
    "steps": (HEARD[1], *HEARD[3:]),
    "followed": HEARD[2:],
    "progress": HEARD[3:],
    "renew": HEARD[5:],
}
EXPLAINED = ROOT / "proof" / "survivors.toml"
PAGE = ROOT / "docs" / "mutation.md"
SAMPLE, SEED, PROCESSES = 90, 20260302, 2
#: A changed module may take this much longer than the unchanged one before it counts as noticed.
PATIENCE, LEAST_S = 8.0, 30.0

TURNED: Mapping[type[ast.cmpop], tuple[type[ast.cmpop], ...]] = {
    ast.Lt: (ast.LtE, ast.GtE),
    ast.LtE: (ast.Lt, ast.Gt),
    ast.Gt: (ast.GtE, ast.LtE),
    ast.GtE: (ast.Gt, ast.Lt),
    ast.Eq: (ast.NotEq,),
    ast.NotEq: (ast.Eq,),
    ast.In: (ast.NotIn,),
    ast.NotIn: (ast.In,),
    ast.Is: (ast.IsNot,),
    ast.IsNot: (ast.Is,),
}
EXCHANGED: Mapping[type[ast.operator], type[ast.operator]] = {
    ast.Add: ast.Sub,
    ast.Sub: ast.Add,
    ast.Mult: ast.Div,
    ast.Div: ast.Mult,
    ast.FloorDiv: ast.Mult,
    ast.BitAnd: ast.BitOr,
    ast.BitOr: ast.BitAnd,
}
NAMES = {"min": "max", "max": "min", "any": "all", "all": "any"}
#: Parts of the tree that no run depends on.
SKIPPED = {"annotation", "returns", "decorator_list", "type_params", "bases"}


@dataclass(frozen=True)
class Change:
    """One change: in which module and line, from what to what, and the changed code."""

    module: str
    line: int
    before: str
    after: str
    code: CodeType

    @property
    def told(self) -> str:
        """The change in one line, without its line number."""
        return f"{self.before} -> {self.after}"


def other_nodes(node: ast.AST) -> Iterator[ast.AST]:
    """What may stand in the place of a node.

    Parameters
    ----------
    node : ast.AST
        A part of a module.
    """
    if isinstance(node, ast.Compare):
        for i, op in enumerate(node.ops):
            for new in TURNED.get(type(op), ()):
                ops = [*node.ops[:i], new(), *node.ops[i + 1 :]]
                yield ast.Compare(node.left, ops, node.comparators)
    elif isinstance(node, ast.expr):
        yield from _other_values(node)
    elif isinstance(node, ast.Return) and node.value is not None:
        if not (isinstance(node.value, ast.Constant) and node.value.value is None):
            yield ast.Return(ast.Constant(None))
    elif isinstance(node, ast.Break):
        yield ast.Continue()
    elif isinstance(node, ast.Continue):
        yield ast.Break()
    elif isinstance(node, ast.Expr) and isinstance(node.value, ast.Call):
        yield ast.Pass()


def _other_values(node: ast.expr) -> Iterator[ast.expr]:
    if isinstance(node, ast.BinOp) and type(node.op) in EXCHANGED:
        yield ast.BinOp(node.left, EXCHANGED[type(node.op)](), node.right)
    elif isinstance(node, ast.BoolOp):
        yield ast.BoolOp(ast.And() if isinstance(node.op, ast.Or) else ast.Or(), node.values)
    elif isinstance(node, ast.UnaryOp) and not isinstance(node.op, ast.UAdd):
        yield node.operand
    elif isinstance(node, ast.IfExp):
        yield ast.IfExp(node.test, node.orelse, node.body)
    elif isinstance(node, ast.Constant) and isinstance(node.value, bool):
        yield ast.Constant(not node.value)
    elif isinstance(node, ast.Constant) and isinstance(node.value, int | float):
        yield ast.Constant(node.value + 1)
    elif isinstance(node, ast.Name) and node.id in NAMES:
        yield ast.Name(NAMES[node.id], ast.Load())


def places(tree: ast.AST) -> Iterator[tuple[ast.AST, str, int | None, ast.AST]]:
    """Every part of a tree with its parent, the field it stands in, and its place there."""
    for name, value in ast.iter_fields(tree):
        if name in SKIPPED or for_types(tree):
            continue
        for i, child in enumerate(value) if isinstance(value, list) else [(None, value)]:
            if isinstance(child, ast.AST):
                yield tree, name, i, child
                yield from places(child)


def for_types(node: ast.AST) -> bool:
    """Whether a statement says something of types only."""
    text = ast.unparse(node) if isinstance(node, ast.Assign | ast.AnnAssign | ast.If) else ""
    return "Literal[" in text.partition("=")[2] or text.startswith("if TYPE_CHECKING")


def changes(module: str, path: Path) -> Iterator[Change]:
    """Every change to a module.

    Parameters
    ----------
    module : str
        Its name.
    path : Path
        Its file.
    """
    tree = ast.parse(path.read_text("utf-8"))
    for parent, name, i, node in list(places(tree)):
        for new in other_nodes(node):
            before, after = (short(ast.unparse(n)) for n in (node, new))
            if before == after:
                continue
            ast.copy_location(new, node)
            told = before if len(before) > SHORT_CONTEXT else f"{before} in {_around(parent)}"
            _put(parent, name, i, new)
            ast.fix_missing_locations(tree)
            line = int(getattr(node, "lineno", 0))
            try:
                code = compile(tree, str(path), "exec")
            except SyntaxError:
                code = None
            _put(parent, name, i, node)
            if code is not None:
                yield Change(module, line, told, after, code)


SHORT_CONTEXT, LONGEST = 12, 90


def _around(parent: ast.AST) -> str:
    return short(ast.unparse(parent))


def short(text: str) -> str:
    """One line of code, cut where it is long."""
    line = " ".join(text.split())
    return line if len(line) <= LONGEST else f"{line[:LONGEST]}…"


def _put(parent: ast.AST, name: str, i: int | None, node: ast.AST) -> None:
    if i is None:
        setattr(parent, name, node)
    else:
        getattr(parent, name)[i] = node


# ------------------------------------------------------------------ one process for each change


class _Loader(SourceFileLoader):
    """Loads the changed code in place of the file's."""

    code: CodeType | None = None

    def get_code(self, fullname: str) -> CodeType | None:
        del fullname
        return self.code


class _Finder(MetaPathFinder):
    """Finds the changed module first."""

    def __init__(self, name: str, path: Path, code: CodeType) -> None:
        self.name, self.path, self.code = name, path, code

    def find_spec(
        self, fullname: str, path: Sequence[str] | None, target: ModuleType | None = None
    ) -> ModuleSpec | None:
        del path, target
        if fullname != self.name:
            return None
        loader = _Loader(fullname, str(self.path))
        loader.code = self.code
        return spec_from_file_location(fullname, self.path, loader=loader)


def begin(module: str, path: Path, code: CodeType | None) -> int:
    """Start the tests of a module in a process of their own; returns its number [1]."""
    number = os.fork()
    if number:
        return number
    status = 9
    try:
        sys.path[:0] = [str(ROOT), str(ROOT / "src")]
        quiet = os.open(os.devnull, os.O_WRONLY)
        os.dup2(quiet, 1)
        os.dup2(quiet, 2)
        if code is not None:
            sys.meta_path.insert(0, _Finder(f"rungwise.core.{module}", path, code))
        import pytest

        status = int(
            pytest.main(["-x", "-q", "-p", "no:cacheprovider", "--no-header", *TESTS[module]])
        )
    finally:
        os._exit(status)


def verdicts(found: Sequence[Change], path: Path, limit_s: float) -> Iterator[tuple[Change, bool]]:
    """Whether each change was noticed, some processes at a time.

    Parameters
    ----------
    found : sequence of Change
        Changes of one module.
    path : Path
        Its file.
    limit_s : float
        Time after which a process is ended; a change that hangs counts as noticed [s].
    """
    waiting = list(reversed(found))
    running: dict[int, tuple[Change, float]] = {}
    while waiting or running:
        while waiting and len(running) < PROCESSES:
            change = waiting.pop()
            running[begin(change.module, path, change.code)] = (change, time.monotonic())
        for number, (change, since) in list(running.items()):
            done, status = os.waitpid(number, os.WNOHANG)
            if done:
                del running[number]
                yield change, os.waitstatus_to_exitcode(status) != 0
            elif time.monotonic() - since > limit_s:
                os.kill(number, signal.SIGKILL)
        time.sleep(0.02)


def judge_module(module: str, most: int) -> tuple[int, list[Change], list[Change]]:
    """All there are, those that were tried, and those that nothing noticed.

    Parameters
    ----------
    module : str
        Name within core.
    most : int
        How many are tried, drawn with a fixed seed; 0 = all [1].

    Raises
    ------
    ValueError
        When the tests fail without any change.
    """
    path = ROOT / "src" / "rungwise" / "core" / f"{module}.py"
    every = list(changes(module, path))
    tried = every
    if 0 < most < len(every):
        tried = random.Random(f"{SEED}{module}").sample(every, most)
    began = time.monotonic()
    _, status = os.waitpid(begin(module, path, None), 0)
    if status:
        raise ValueError(f"{module}: its tests fail without any change")
    limit_s = LEAST_S + PATIENCE * (time.monotonic() - began)
    survived = [change for change, noticed in verdicts(tried, path, limit_s) if not noticed]
    return len(every), tried, sorted(survived, key=lambda c: c.line)


# ------------------------------------------------------------------ the page


def explained() -> dict[str, dict[str, str]]:
    """Module -> change -> why no test can or need notice it."""
    return tomllib.loads(EXPLAINED.read_text("utf-8")) if EXPLAINED.exists() else {}


def page(rows: Sequence[tuple[str, int, int, Sequence[Change]]], seconds: float) -> str:
    """The page about all modules.

    Parameters
    ----------
    rows : sequence of (str, int, int, sequence of Change)
        Module, changes that there are, changes tried, changes that nothing noticed.
    seconds : float
        Time it took [s].
    """
    known = explained()
    told = sum(tried for _, _, tried, _ in rows)
    killed = told - sum(len(left) for *_, left in rows)
    share, most = 100 * killed / told, max(tried for _, _, tried, _ in rows)
    parts = [
        HEAD.format(
            sample=most, seed=SEED, killed=killed, told=told, share=share, minutes=seconds / 60
        )
    ]
    for module, every, tried, left in rows:
        noticed = tried - len(left)
        share = 100 * noticed / tried
        parts.append(f"| {module} | {every} | {tried} | {noticed} | {share:.0f} % |\n")
    parts.append("\n## Changes that no test noticed\n")
    for module, _, _, left in rows:
        if left:
            parts.append(f"\n### {module}\n\n")
        for change in left:
            why = known.get(module, {}).get(change.told, "Not explained: a test is missing.")
            parts.append(f"- line {change.line}: `{change.before}` → `{change.after}`. {why}\n")
    return "".join(parts)


HEAD = """\
<!-- written by proof/mutate.py; do not edit -->

# Would the tests notice?

Written by `make mutate`. The rules that decide about a person are broken on purpose, one small
change at a time, and the tests are run until one fails. Up to {sample} changes a module are drawn
at random (seed {seed}). Noticed: **{killed} of {told} ({share:.1f} %)**, in {minutes:.0f} minutes.

| module | changes there are | tried | noticed | share |
|---|---|---|---|---|
"""


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("modules", nargs="*", metavar="MODULE", help="these only; no page then")
    parser.add_argument("--most", type=int, default=SAMPLE, help=f"a module at most ({SAMPLE})")
    parser.add_argument("--write", action="store_true", help="write the page of these modules, too")
    args = parser.parse_args(argv)
    os.environ["OPENBLAS_NUM_THREADS"] = "1"
    os.chdir(ROOT)
    for name in ("numpy", "pytest"):  # loaded once, for every process that is begun
        import_module(name)
    began = time.monotonic()
    rows, failed = [], False
    for module in args.modules or TESTS:
        try:
            every, tried, left = judge_module(module, args.most)
        except ValueError as error:
            sys.stdout.write(f"{error}\n")
            failed = True
            continue
        rows.append((module, every, len(tried), left))
        noticed = len(tried) - len(left)
        sys.stdout.write(f"{module}: {noticed} of {len(tried)} noticed ({every} there are)\n")
        for change in left:
            sys.stdout.write(f"  {change.line}: {change.told}\n")
        sys.stdout.flush()
    if (args.write or not args.modules) and rows and not failed:
        PAGE.write_text(page(rows, time.monotonic() - began), "utf-8")
    return 1 if failed else 0


if __name__ == "__main__":
    sys.exit(main())
