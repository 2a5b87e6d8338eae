"""The rules of the house about code and words: each is a function that lists what breaks it.

Every rule is also shown something bad (``test_each_rule_can_fail``), so that none passes by looking
at nothing. The rules about data, locks and licences stand in ``test_house_data.py``.
"""

from __future__ import annotations

import ast
import graphlib
import re
import shutil
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]
SRC = ROOT / "src"
Trees = dict[str, ast.Module]  # module name -> its syntax tree


def name_of(path: Path) -> str:
    """Return the module name of a file under src."""
    parts = path.relative_to(SRC).with_suffix("").parts
    return ".".join(parts[:-1] if parts[-1] == "__init__" else parts)


def source_files() -> list[Path]:
    return sorted((SRC / "rungwise").rglob("*.py"))


@pytest.fixture(scope="module")
def trees() -> Trees:
    found = {name_of(path): ast.parse(path.read_text("utf-8")) for path in source_files()}
    assert "rungwise.__main__" in found
    return found


def planted(**modules: str) -> Trees:
    """Return trees of invented modules; ``core__x`` stands for ``rungwise.core.x``."""
    return {
        "rungwise." + name.replace("__", "."): ast.parse(text) for name, text in modules.items()
    }


# ------------------------------------------------------------------ who may import whom

# A layer may import itself and the layers before it. What is not named here is an edge.
CORE, EDGE, CLINIC, SURFACE = range(4)
LAYERS = {
    "rungwise": CLINIC,  # the verbs, re-exported
    "rungwise.clinic": CLINIC,
    "rungwise.casebook": CLINIC,  # the same on records in place of folders
    "rungwise.casebook_course": CLINIC,
    "rungwise.casebook_door": CLINIC,
    "rungwise.casebook_drawn": CLINIC,
    "rungwise.casebook_read": CLINIC,
    "rungwise.casebook_office": CLINIC,
    "rungwise.casebook_in": CLINIC,
    "rungwise.casebook_measure": CLINIC,
    "rungwise.casebook_out": CLINIC,
    "rungwise.casebook_book": CLINIC,
    "rungwise.cli": SURFACE,
    "rungwise.web": SURFACE,
    "rungwise.__main__": SURFACE,
}
# Surfaces parse, call clinic and render; these are all that they may know.
SURFACE_KNOWS = (
    "rungwise.clinic",
    "rungwise.casebook",
    "rungwise.casebook_course",
    "rungwise.casebook_office",
    "rungwise.casebook_in",
    "rungwise.casebook_measure",
    "rungwise.casebook_out",
    "rungwise.casebook_book",
    "rungwise.core.errors",
    "rungwise.core.terms",
    "rungwise.core.evidence",  # its types only
    "rungwise.web.serve",
    "rungwise.plain",
    "rungwise.report",
    "rungwise.tongue",
)
# Inside core: terms and errors <- evidence <- verbs; the geometry knows no anatomy.
CORE_KNOWS = {
    "rungwise.core.errors": (),
    "rungwise.core.terms": ("rungwise.core.errors",),
    "rungwise.core.evidence": ("rungwise.core.errors", "rungwise.core.terms"),
    "rungwise.core.planar": ("rungwise.core.errors",),
}
CORE_LIBRARIES = {"numpy", "scipy"}
NOT_IN_CORE = set(
    "asyncio builtins ctypes getpass glob http importlib locale logging multiprocessing os pathlib "
    "platform random secrets select shutil signal smtplib socket sqlite3 ssl subprocess sys "
    "tempfile threading time urllib uuid webbrowser".split()
)
IMPORT_NAMES = {
    "opencv-python-headless": {"cv2"},
    "fontpkg-noto-sans": {"fontpkg", "fontpkg_noto_sans"},
    "python-docx": {"docx"},
    "python-multipart": {"python_multipart"},
    "pillow": {"PIL"},
    "zxing-cpp": {"zxingcpp"},
}


def layer_of(module: str) -> int:
    if module == "rungwise.core" or module.startswith("rungwise.core."):
        return CORE
    return LAYERS.get(".".join(module.split(".")[:2]), EDGE)


def for_types_only(node: ast.AST) -> bool:
    return isinstance(node, ast.If) and ast.unparse(node.test).endswith("TYPE_CHECKING")


def imports(tree: ast.AST, known: Trees, *, at_load: bool = False) -> Iterator[tuple[str, int]]:
    """Yield (module, line) of each import that runs; ``at_load`` leaves out those in functions."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, ast.Import):
            yield from ((alias.name, node.lineno) for alias in node.names)
        elif isinstance(node, ast.ImportFrom):
            for alias in node.names:
                whole = f"{node.module}.{alias.name}"
                yield (whole if whole in known else str(node.module)), node.lineno
        elif for_types_only(node) or (
            at_load and isinstance(node, ast.FunctionDef | ast.AsyncFunctionDef)
        ):
            continue
        else:
            yield from imports(node, known, at_load=at_load)


def wrong_directions(trees: Trees) -> list[str]:
    faults = []
    for module, tree in trees.items():
        layer = layer_of(module)
        package = ".".join(module.split(".")[:2])
        for target, line in imports(tree, trees):
            if target.split(".")[0] != "rungwise":
                continue
            fine = layer_of(target) <= layer
            if layer == SURFACE and module != "rungwise.__main__":
                fine = target.startswith(package) or target in SURFACE_KNOWS
            if module in CORE_KNOWS:
                fine = target in CORE_KNOWS[module]
            if not fine:
                faults.append(f"{module}:{line} must not import {target}")
    return faults


def import_cycles(trees: Trees) -> list[str]:
    graph = {
        module: {t for t, _ in imports(tree, trees, at_load=True) if t in trees and t != module}
        for module, tree in trees.items()
    }
    try:
        graphlib.TopologicalSorter(graph).prepare()
    except graphlib.CycleError as error:
        return [" -> ".join(error.args[1])]
    return []


def run_time_libraries() -> set[str]:
    """Return the import names of what pyproject.toml declares."""
    project = tomllib.loads((ROOT / "pyproject.toml").read_text("utf-8"))["project"]
    specs = [*project["dependencies"], *project["optional-dependencies"]["measure"]]
    names = [re.split(r"[<>=!~ \[;]", spec)[0] for spec in specs]
    return set().union(*(IMPORT_NAMES.get(name, {name}) for name in names))


def undeclared_libraries(trees: Trees) -> list[str]:
    free = set(sys.stdlib_module_names) | run_time_libraries() | {"rungwise"}
    return [
        f"{module}:{line} imports {target}, which is no run-time dependency"
        for module, tree in trees.items()
        for target, line in imports(tree, trees)
        if target.split(".")[0] not in free
    ]


def impurities(trees: Trees) -> list[str]:
    """List what core may not do: files, clock, network, printing, global state, own randomness."""
    faults = []
    for module, tree in trees.items():
        if layer_of(module) != CORE:
            continue
        for target, line in imports(tree, trees):
            top = target.split(".")[0]
            outside = top not in sys.stdlib_module_names and top not in {
                *CORE_LIBRARIES,
                "rungwise",
            }
            if top in NOT_IN_CORE or outside:
                faults.append(f"{module}:{line} imports {target}")
        for node in ast.walk(tree):
            said = ast.unparse(node) if isinstance(node, ast.Attribute | ast.Name) else ""
            called = ast.unparse(node.func) if isinstance(node, ast.Call) else ""
            if (
                isinstance(node, ast.Global)
                or called in {"print", "open", "input", "eval", "exec"}
                or re.search(r"(^|\.)(today|now|utcnow)$", called)
                or re.search(
                    r"\b(np|numpy)\.random\.(?!(Generator|SeedSequence|default_rng)$)", said
                )
                or (called.endswith("default_rng") and ast.unparse(node).endswith("default_rng()"))
            ):
                faults.append(f"{module}:{getattr(node, 'lineno', 0)} uses {called or said}")
    return faults


# ------------------------------------------------------------------ no clinical number in code

# Counting, halves, powers of ten, parts of a turn: no fact about patients.
FREE = {0, 1, 2, 0.5, 10, 100, 180, 360, 1000}
# Any other number in core is a row of the evidence book, or stands here with its reason.
ALLOWED: dict[str, dict[float, str]] = {
    "rungwise.core.contrast": {
        255: "largest value of a colour channel",
        **dict.fromkeys((4.5, 3.0), "least contrast: WCAG 2.2, 1.4.3 and 1.4.11"),
        **dict.fromkeys(
            (0.05, 12.92, 0.04045, 0.055, 1.055, 2.4, 0.2126, 0.7152, 0.0722),
            "contrast of two sRGB colours: definition in WCAG 2.2",
        ),
    },
    "rungwise.core.camera": {
        1e-6: "step of slopes, and where a fit has settled",
    },
    "rungwise.core.planar": {1e-14: "rounding slack of double precision"},
    "rungwise.core.push_off": {
        8: "size of a memory of results",
        128: "size of a memory of results",
        1024: "size of a memory of results",
        0.05: "lower end of the band of 5 to 95 % in which draws are told",
        0.95: "its upper end",
    },
    "rungwise.core.reading": {
        3: "syllables of a long word, by definition of SMOG",
        **dict.fromkeys((0.39, 11.8, 15.59), "Flesch-Kincaid grade: definition of the index"),
        **dict.fromkeys((206.835, 1.015, 84.6), "Flesch reading ease: definition of the index"),
        **dict.fromkeys((1.043, 30.0, 3.1291), "SMOG: definition of the index"),
    },
    "rungwise.core.reps": {
        3: "axes of a sensor; least peaks that have a rhythm",
        4: "a quarter",
        **dict.fromkeys((5, 95), "percentiles that hold the middle 90 %"),
        1e-9: "least distance that a weight is taken from",
    },
    "rungwise.core.signals": {1e-6: "rounding slack of a time step"},
    "rungwise.core.stance": {0.95: "share of the power below F95, by its name"},
    "rungwise.core.session": {60: "seconds in a minute"},
    "rungwise.core.followed": {7: "days of a week"},
}


def literals(tree: ast.Module) -> Iterator[tuple[float, int]]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Constant) and type(node.value) in (int, float):
            yield node.value, node.lineno  # type: ignore[misc]


def loose_numbers(trees: Trees) -> list[str]:
    return [
        f"{module}:{line} holds the number {value!r}"
        for module, tree in trees.items()
        if layer_of(module) == CORE
        for value, line in literals(tree)
        if value not in FREE and value not in ALLOWED.get(module, {})
    ]


def idle_allowances(trees: Trees) -> list[str]:
    return [
        f"{module} no longer holds {value!r}"
        for module, values in ALLOWED.items()
        if module in trees
        for value in values
        if value not in {found for found, _ in literals(trees[module])}
    ]


# ------------------------------------------------------------------ docstrings with units

UNITS = {
    "deg": ("deg", "°"),
    "mm": ("mm",),
    "cm": ("cm",),
    "m": ("m",),
    "km": ("km",),
    "s": ("s",),
    "ms": ("ms",),
    "min": ("min",),
    "h": ("h",),
    "n": ("N",),
    "nm": ("N m", "N·m", "Nm"),
    "kg": ("kg",),
    "hz": ("Hz",),
    "pct": ("%", "pct"),
    "nprs": ("NPRS", "0–10", "0-10"),
}
NUMERIC = re.compile(r"\b(int|float|Values|ndarray|NDArray|ArrayLike|Array)\b")
Documented = ast.FunctionDef | ast.AsyncFunctionDef | ast.ClassDef


def public(tree: ast.AST, prefix: str) -> Iterator[tuple[str, Documented]]:
    """Yield each public class, function and method with its full name."""
    for node in ast.iter_child_nodes(tree):
        if isinstance(node, Documented) and not node.name.startswith("_"):
            yield f"{prefix}.{node.name}", node
            if isinstance(node, ast.ClassDef):
                yield from public(node, f"{prefix}.{node.name}")


def quantities(node: Documented) -> Iterator[str]:
    """Yield the numeric parameters, or fields, whose names end with a unit."""
    if isinstance(node, ast.ClassDef):
        pairs = [
            (item.target.id, item.annotation)
            for item in node.body
            if isinstance(item, ast.AnnAssign) and isinstance(item.target, ast.Name)
        ]
    else:
        arguments = [*node.args.posonlyargs, *node.args.args, *node.args.kwonlyargs]
        pairs = [(arg.arg, arg.annotation) for arg in arguments if arg.annotation is not None]
    for name, annotation in pairs:
        stem, _, suffix = name.rpartition("_")
        if stem and suffix in UNITS and NUMERIC.search(ast.unparse(annotation)):
            yield name


def entries(docstring: str) -> dict[str, str]:
    """Return name -> text of the Parameters (or Attributes) sections; shared lines are shared."""
    found: dict[str, str] = {}
    current: list[str] = []
    inside = False
    lines = docstring.splitlines()
    for line, below in zip(lines, [*lines[1:], ""], strict=False):
        heading = re.match(r"(\*{0,2}\w+(?:, \*{0,2}\w+)*)(?: : |\s{2,}|$)", line)
        if re.fullmatch(r"-{3,}", below.strip()):
            inside = line.strip() in {"Parameters", "Other Parameters", "Attributes"}
            current = []
        elif inside and heading:
            current = [name.strip(" *") for name in heading[1].split(",")]
            found |= dict.fromkeys(current, line)
        else:
            found |= {name: found[name] + "\n" + line for name in current}
    return found


def poor_docstrings(trees: Trees) -> list[str]:
    faults = []
    for module, tree in trees.items():
        for name, node in public(tree, module):
            text = ast.get_docstring(node) or ""
            if not text.split("\n")[0].rstrip().endswith("."):
                faults.append(f"{name}: its first line must be a sentence with a full stop")
            told = entries(text)
            for quantity in quantities(node):
                units = UNITS[quantity.rpartition("_")[2]]
                # a docstring of a few lines names the unit of its answer; the names carry the rest
                said = told.get(quantity, "") if told else text
                if not any(f"[{unit}" in said for unit in (units if told else [""])):
                    faults.append(f"{name}: say {quantity} with its unit [{units[0]}]")
    return faults


# ------------------------------------------------------------------ words in the repository

HOSTS = (
    "doi.org w3.org json-schema.org hl7.org example.org example.com localhost 127.0.0.1 "
    "unitsofmeasure.org loinc.org"
).split()
ADDRESS = re.compile(r"\b(?:https?|ftp|wss?)://([^\s/\"'<>()\[\]`]+)", re.IGNORECASE)
BARE_HOST = re.compile(r"(?<![\w./@-])((?:[a-z0-9-]+\.)+(?:com|org|net|edu|gov))\b(?!\()")
# A tilde inside each keeps this list from finding itself.
WORDS = [
    re.compile(pattern.replace("~", ""), re.IGNORECASE)
    for pattern in (
        r"tran~script",
        r"recording~ 0?1\b",
        r"seed~ document",
        r"(?<![\w.])/(work~|root~|home~|tmp~)/",
        r"\bissues? ~#\d+",
        r"\bsub-?~agent",
        r"\bC~EO\b",
        r"language~ model",
        r"\bthe brief~\b",
        r"not a medical~ device",
        r"(?-i:\b(TO~DO|FIX~ME|XX~X)\b)",
    )
]
SOURCES = (
    "src/rungwise/data/sources.toml"  # says where facts were read: sites and documents of others
)
# The licence is quoted whole, addresses and all; the locks are hashes and are tested by themselves.
UNREAD = {"LICENSE", "requirements.lock", "requirements-dev.lock"}


def repository() -> dict[str, str]:
    """Return path -> text of every file that is, or is about to be, in the repository."""
    if not (ROOT / ".git").exists() or shutil.which("git") is None:
        pytest.skip("not a git repository, so what belongs to it is not known")
    listed = subprocess.run(
        ["git", "ls-files", "-z", "--cached", "--others", "--exclude-standard"],
        cwd=ROOT,
        capture_output=True,
        check=True,
        timeout=60,
    )
    texts = {}
    for name in listed.stdout.decode().split("\0"):
        if name and name not in UNREAD and (ROOT / name).is_file():
            raw = (ROOT / name).read_bytes()
            if b"\0" not in raw:
                texts[name] = raw.decode("utf-8")
    assert "start.py" in texts
    return texts


def lines_with(texts: dict[str, str]) -> Iterator[tuple[str, str]]:
    for name, text in texts.items():
        for number, line in enumerate(text.splitlines(), 1):
            yield f"{name}:{number}", line


def foreign_hosts(texts: dict[str, str]) -> list[str]:
    faults = []
    for place, line in lines_with(texts):
        bare = [] if place.startswith(SOURCES) else BARE_HOST.findall(line)
        for found in (*ADDRESS.findall(line), *bare):
            host = re.sub(r":\S*$", "", found.rpartition("@")[2]).lower()
            if not any(host == good or host.endswith("." + good) for good in HOSTS):
                faults.append(f"{place} names {found}")
    return faults


def unwanted_words(texts: dict[str, str]) -> list[str]:
    return [
        f"{place} says {found.group()!r}"
        for place, line in lines_with(texts)
        for word in WORDS
        for found in word.finditer(line)
    ]


def missing_documents(texts: dict[str, str]) -> list[str]:
    """List mentions of a document that the repository does not hold."""
    held = {Path(name).name for name in texts}
    return [
        f"{place} mentions {found}"
        for place, line in lines_with(texts)
        for found in re.findall(r"[\w/-]*\w\.md\b", line)
        if Path(found).name not in {*held, "README.md"} and not place.startswith(SOURCES)
    ]


# ------------------------------------------------------------------ the tests

TREE_RULES = [
    wrong_directions,
    import_cycles,
    undeclared_libraries,
    impurities,
    loose_numbers,
    idle_allowances,
    poor_docstrings,
]
TEXT_RULES = [foreign_hosts, unwanted_words, missing_documents]


@pytest.mark.parametrize("rule", TREE_RULES)
def test_code_keeps(rule: Callable[[Trees], list[str]], trees: Trees) -> None:
    faults = rule(trees)
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize("rule", TEXT_RULES)
def test_repository_keeps(rule: Callable[[dict[str, str]], list[str]]) -> None:
    faults = rule(repository())
    assert not faults, "\n".join(faults)


@pytest.mark.parametrize(
    ("rule", "modules", "faults"),
    [
        (wrong_directions, {"core__grade": "from rungwise.book import load_book"}, 1),
        (wrong_directions, {"draw": "def f():\n    import rungwise.clinic"}, 1),
        (wrong_directions, {"cli": "from rungwise.draw import x\nimport rungwise.clinic"}, 1),
        (wrong_directions, {"core__planar": "from rungwise.core.terms import Exam"}, 1),
        (wrong_directions, {"clinic": "from rungwise import cli", "cli": ""}, 1),
        (import_cycles, {"a": "import rungwise.b", "b": "from rungwise.a import x"}, 1),
        (undeclared_libraries, {"draw": "import os, numpy.linalg\nimport matplotlib"}, 1),
        (impurities, {"core__a": "import os\nfrom time import sleep\nimport typst"}, 3),
        (impurities, {"core__a": "print(date.today())\nglobal x\nnp.random.rand(2)"}, 4),
        (impurities, {"core__a": "np.random.default_rng(7)\nnp.random.default_rng()"}, 1),
        (impurities, {"draw": "import os"}, 0),
        (loose_numbers, {"core__a": "x = 42\ny = -1\nz = True\nw = 0.152"}, 2),
        (poor_docstrings, {"a": "def f(): ...\ndef _g(): ..."}, 1),
        (poor_docstrings, {"a": "class A:\n    'Ends well.'\n    bend_deg: float"}, 1),
        (
            poor_docstrings,
            {
                "a": '''
def f(bend_deg: float, roll_mm: float, press_n: int):
    """Good line.

    Parameters
    ----------
    bend_deg, roll_mm : float
        Bend [deg] and roll [mm].
    press_n : int
        Force, unit forgotten.
    """
'''
            },
            1,
        ),
    ],
)
def test_each_tree_rule_can_fail(
    rule: Callable[[Trees], list[str]], modules: dict[str, str], faults: int
) -> None:
    assert len(rule(planted(**modules))) == faults


@pytest.mark.parametrize(
    ("rule", "line", "faults"),
    [
        (foreign_hosts, "see https" + "://somewhere.invalid/x", 1),
        (foreign_hosts, "see somewhere" + ".org, and https://doi.org/10.1", 1),
        (foreign_hosts, "http://localhost:80/ http://www.w3.org/2000/svg urn:x dx.doi.org", 0),
        (unwanted_words, "a tran" + "script in /wor" + "k/main", 2),
        (unwanted_words, "the session of today; network/ and homework/", 0),
        (missing_documents, "see no_such_page" + ".md", 1),
    ],
)
def test_each_text_rule_can_fail(
    rule: Callable[[dict[str, str]], list[str]], line: str, faults: int
) -> None:
    assert len(rule({"invented": line})) == faults


def test_an_allowance_that_is_no_longer_needed_is_found(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(ALLOWED, "rungwise.core.a", {3: "a triangle"})
    assert loose_numbers(planted(core__a="x = 3")) == []
    assert idle_allowances(planted(core__a="x = 1")) == ["rungwise.core.a no longer holds 3"]


def test_source_is_valid_on_the_oldest_python() -> None:
    for path in source_files():
        ast.parse(path.read_text("utf-8"), filename=str(path), feature_version=(3, 11))


def test_help_starts_without_the_heavy_libraries() -> None:
    """The first word on the screen must not wait for what only a PDF or a fit needs."""
    ask = (
        "import runpy, sys; sys.argv = ['rungwise', '--help']\n"
        "try: runpy.run_module('rungwise', run_name='__main__')\n"
        "except SystemExit as end: assert not end.code, end.code\n"
        "heavy = {'typst', 'scipy', 'cv2', 'icalendar', 'matplotlib'} & set(sys.modules)\n"
        "sys.exit(f'imported {sorted(heavy)}' if heavy else 0)"
    )
    done = subprocess.run(
        [sys.executable, "-c", ask],
        cwd=ROOT,
        capture_output=True,
        text=True,
        timeout=60,
        check=False,
    )
    assert done.returncode == 0, done.stderr
    assert "rungwise" in done.stdout
