"""Measure rungwise beside its peers and write BENCHMARKS.md.

Run it as ``python benchmarks/run.py``; ``make bench`` installs the peers first. It takes about two
minutes. Nothing here is a test of speed: numbers of a busy machine are printed as they are.
"""

from __future__ import annotations

import argparse
import json
import os
import platform
import statistics
import sys
import tempfile
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from benchmarks import peers
from benchmarks.people import SEED, varied_exams
from benchmarks.timing import ROOT, Timing, fresh, program, side_by_side, times_of

from rungwise import clinic
from rungwise.core.evidence import Evidence
from rungwise.core.terms import Plan
from rungwise.draw import draw_pose
from rungwise.handout import Handout, build_handout, to_pdf, to_text
from rungwise.plain import plain, to_json
from rungwise.report import plan_report
from rungwise.words import load_words

COMMAND = "python benchmarks/run.py"
LIBRARIES = ("numpy", "typst", "icalendar", "reportlab", "svglib", "lxml")
EXIT_CODES = (0, 10, 11)  # done; not for every foot; no programme


@dataclass(frozen=True)
class Sizes:
    """How much is measured.

    Parameters
    ----------
    repetitions : int
        Of a call in this process [1].
    starts : int
        Of a fresh process [1].
    computed, printed : int
        Examinations of a batch without and with sheets [1].
    batches : int
        Of each batch [1].
    """

    repetitions: int = 25
    starts: int = 9
    computed: int = 1000
    printed: int = 140
    batches: int = 3


SMALLEST = Sizes(1, 1, 14, 7, 1)


@dataclass(frozen=True)
class Row:
    """One line of a table: what, its number as text, and a target with whether it was met."""

    what: str
    number: str
    spread: str = ""
    target: str = ""
    met: bool | None = None

    def cells(self) -> str:
        """Return the line of the table."""
        verdict = {None: "", True: "met", False: "**not met**"}[self.met]
        return f"| {self.what} | {self.number} | {self.spread} | {self.target} | {verdict} |"


@dataclass(frozen=True)
class Section:
    """One table: its heading, the lines above it, its rows."""

    heading: str
    lines: tuple[str, ...]
    rows: tuple[Row, ...]


def shown(seconds: float) -> str:
    """Write a time with three figures in the unit that suits it."""
    for unit, size in (("s", 1.0), ("ms", 1e-3), ("µs", 1e-6)):
        if seconds >= size or unit == "µs":
            number = seconds / size
            places = 0 if number >= 100 else 1 if number >= 10 else 2
            return f"{number:.{places}f} {unit}"
    raise AssertionError


def row(what: str, timing: Timing, most_s: float | None = None) -> Row:
    """Make the line of a timing; the median is held against the target."""
    spread = f"{shown(timing.low_s)} – {shown(timing.high_s)}, best {shown(timing.best_s)}"
    if most_s is None:
        return Row(what, shown(timing.median_s), spread)
    return Row(what, shown(timing.median_s), spread, f"≤ {shown(most_s)}", timing.median_s <= most_s)


def rate(what: str, timing: Timing, count: int, least: float | None = None) -> Row:
    """Make the line of a batch: how many a second."""
    per_s = count / timing.median_s
    spread = f"{count / timing.high_s:.0f} – {count / timing.low_s:.0f}"
    if least is None:
        return Row(what, f"{per_s:.0f} /s", spread)
    return Row(what, f"{per_s:.0f} /s", spread, f"≥ {least:,.0f} /s", per_s >= least)


# ------------------------------------------------------------------ what is measured


class Patient:
    """One demo person with everything that is made of the examination: the one with most drawings.

    The plan keeps more families than a sheet should hold, so that there is much to draw.
    """

    def __init__(self) -> None:
        self.book: Evidence = clinic.open_book()
        self.stamp = datetime(2026, 11, 20, tzinfo=UTC)
        self.words = load_words("en")
        made = []
        for name, text in clinic.demo_exams().items():
            exam = clinic.read_exam(text, self.book)
            plan = clinic.make_plan(exam, self.book, exam.on, insist=True)
            made.append((len(plan.exercises), name, text, plan))
        _, self.name, self.text, self.plan = max(made, key=lambda m: m[0])
        self.handout: Handout = build_handout(self.plan, self.book, self.words)

    def compute(self) -> Plan:
        """From the text of the examination to the plan."""
        exam = clinic.read_exam(self.text, self.book)
        return clinic.make_plan(exam, self.book, exam.on, insist=True)

    def pdf(self) -> bytes:
        """From the sheet to its PDF."""
        return to_pdf(self.handout, stamp=self.stamp)


def plan_section(patient: Patient, sizes: Sizes) -> Section:
    """From an examination to a plan, computed only."""
    import tomllib

    text_of_plan = to_json(patient.plan)
    times = side_by_side(
        {
            "compute": patient.compute,
            "json": lambda: json.dumps(json.loads(text_of_plan)),
            "toml": lambda: tomllib.loads(patient.text),
        },
        sizes.repetitions,
    )
    first = [
        fresh(
            "begun = clock()\n"
            "from rungwise import clinic\n"
            "imported = clock()\n"
            "book = clinic.open_book()\n"
            "opened = clock()\n"
            f"exam = clinic.read_exam(clinic.demo_exams()[{patient.name!r}], book)\n"
            "clinic.make_plan(exam, book, exam.on, insist=True)\n"
            "found['first'] = clock() - opened\n"
            "found['book'] = opened - imported\n"
            "found['import'] = imported - begun"
        )
        for _ in range(sizes.starts)
    ]
    return Section(
        "From one examination to its plan",
        (
            f"Read and checked, screened, graded, ladder, prescription; `{patient.name}`, all "
            f"families, {len(patient.plan.exercises)} exercises, no sheet.",
        ),
        (
            row("**examination → plan, warm**", times["compute"], 5e-3),
            row("floor: `tomllib` parses the same examination", times["toml"]),
            row("floor: JSON round trip of the same plan", times["json"]),
            row("first call in a fresh process", times_of(first, "first")),
            row("opening the evidence book, fresh process", times_of(first, "book")),
            row("importing `rungwise.clinic`, fresh process", times_of(first, "import")),
        ),
    )


def page_section(patient: Patient, sizes: Sizes) -> Section:
    """The printed programme."""
    import io

    import pypdf

    bare = peers.bare_compile(patient.handout)
    lines = to_text(patient.handout).splitlines()
    drawings = [svg for _, svg in patient.handout.drawings()]
    times = side_by_side(
        {
            "pdf": patient.pdf,
            "bare": bare,
            "peer": lambda: peers.reportlab_pdf(lines, drawings),
        },
        max(1, sizes.repetitions // 2),
    )
    first = [
        fresh(
            "from datetime import UTC, datetime\n"
            "from rungwise import clinic\n"
            "book = clinic.open_book()\n"
            f"exam = clinic.read_exam(clinic.demo_exams()[{patient.name!r}], book)\n"
            "plan = clinic.make_plan(exam, book, exam.on, insist=True)\n"
            "begun = clock()\n"
            "clinic.sheets(plan, book, datetime(2026, 11, 20, tzinfo=UTC))\n"
            "found['sheets'] = clock() - begun"
        )
        for _ in range(max(1, sizes.starts // 2))
    ]
    pages = len(pypdf.PdfReader(io.BytesIO(patient.pdf())).pages)
    their_pages = len(pypdf.PdfReader(io.BytesIO(peers.reportlab_pdf(lines, drawings))).pages)
    ratio = [a / b for a, b in zip(times["pdf"].seconds, times["bare"].seconds, strict=True)]
    middle = statistics.median(ratio)
    per_page = Timing(tuple(s / pages for s in times["pdf"].seconds))
    return Section(
        "The printed programme",
        (
            f"{pages} pages, {len(drawings)} drawings, tagged PDF/UA-1. The target of 30 ms was "
            "set for a sheet of three pages. The bare compile gets the very template, data and "
            f"loaded fonts; reportlab with svglib sets the same lines and drawings on {their_pages}"
            " pages, untagged, as plain paragraphs.",
        ),
        (
            row(f"**PDF of {pages} pages, warm**", times["pdf"], 30e-3),
            row("the same, a page", per_page, 10e-3),
            row("bare Typst compile of the same", times["bare"]),
            Row("**our time ÷ bare compile**", f"{middle:.2f}", "", "≤ 1.50", middle <= 1.5),
            row("peer: reportlab + svglib", times["peer"]),
            row("first sheets in a fresh process (imports, fonts, all files)", times_of(first, "sheets")),
        ),
    )


def step_section(patient: Patient, sizes: Sizes) -> Section:
    """Where the time of one person goes."""
    exam, plan, book = patient.plan.exam, patient.plan, patient.book
    screening, grades = clinic.examine(exam, book, exam.on)
    del screening, grades
    with tempfile.TemporaryDirectory() as folder:
        content = clinic.sheets(plan, book, patient.stamp)

        def write() -> None:
            clinic.write_folder(Path(folder) / "plan", content, replace=True)

        times = side_by_side(
            {
                "read and check the examination": lambda: clinic.read_exam(patient.text, book),
                "screen and grade": lambda: clinic.examine(exam, book, exam.on),
                "screen, grade, ladder, prescribe": lambda: clinic.make_plan(
                    exam, book, exam.on, insist=True
                ),
                "`plan.json`: as plain data": lambda: plain(plan),
                "`plan.json`: as text": lambda: to_json(plan),
                "`reasons.txt`": lambda: plan_report(plan, book),
                "the sheet as data, with its drawings": lambda: build_handout(
                    plan, book, patient.words
                ),
                "`programme.txt`": lambda: to_text(patient.handout),
                "`programme.pdf`": patient.pdf,
                f"writing {len(content)} files, flushed to disk": write,
            },
            max(1, sizes.repetitions // 2),
        )
    return Section(
        "Where the time of one person goes",
        ("Warm, one process. Later lines do not hold earlier ones, unless they say so.",),
        tuple(row(name, timing) for name, timing in times.items()),
    )


def batch_section(patient: Patient, sizes: Sizes) -> Section:
    """Many examinations at once, by the command line, process start to end."""
    jobs = min(2, os.cpu_count() or 1)
    today = patient.plan.on.isoformat()
    found: dict[str, list[float]] = {"compute": [], "parse": [], "print": [], "compile": []}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        computed = write_exams(folder / "computed", sizes.computed)
        printed = write_exams(folder / "printed", sizes.printed)
        words = ["-m", "rungwise", "plan", "--today", today, "--jobs", str(jobs)]
        sheets = 0
        for turn in range(sizes.batches):
            out = folder / f"out{turn}"
            plain_words = [*words, str(computed), "--out", str(out), "--no-sheets"]
            found["compute"].append(program(plain_words, EXIT_CODES))
            found["parse"].append(timed(lambda: peers.parse_many(sorted(computed.iterdir()), jobs)))
            found["print"].append(program([*words, str(printed), "--out", str(out)], EXIT_CODES))
            sheets = len(list(out.glob("*/programme.pdf")))
            found["compile"].append(timed(lambda: peers.compile_many(patient.handout, sheets, jobs)))
    times = {name: Timing(tuple(seconds)) for name, seconds in found.items()}
    return Section(
        f"Many examinations, {jobs} processes",
        (
            f"`rungwise plan FOLDER`, from process start to end; the demo people varied from the "
            f"seed {SEED}: {sizes.computed:,} examinations without sheets, {sizes.printed} with "
            f"them. {sheets} of those get a programme and so a PDF; the others only reasons.",
        ),
        (
            rate("**examinations, `--no-sheets`**", times["compute"], sizes.computed, 1000),
            rate("floor: `tomllib` + `json` on the same files", times["parse"], sizes.computed),
            rate("**examinations, with all sheets**", times["print"], sizes.printed, 100),
            rate("the same, counted in PDFs", times["print"], sheets),
            rate("floor: bare Typst compiles, one sheet again and again", times["compile"], sheets),
        ),
    )


def timed(call: Callable[[], object]) -> float:
    """Return how long one call took [s]."""
    from time import perf_counter

    start = perf_counter()
    call()
    return perf_counter() - start


def write_exams(folder: Path, count: int) -> Path:
    """Write varied examinations into a folder."""
    folder.mkdir()
    for name, text in varied_exams(count).items():
        (folder / f"{name}.toml").write_text(text, "utf-8")
    return folder


def start_section(patient: Patient, sizes: Sizes) -> Section:
    """The command line, from process start to its last letter."""
    with tempfile.TemporaryDirectory() as folder:
        exam = Path(folder) / "exam.toml"
        exam.write_text(patient.text, "utf-8")
        screen = ["-m", "rungwise", "screen", str(exam), "--today", patient.plan.on.isoformat()]
        starts = {
            "**`rungwise --help`**": ["-m", "rungwise", "--help"],
            "**`rungwise screen EXAM`**": screen,
            'floor: `python -c "pass"`': ["-c", "pass"],
            'floor: `python -c "import argparse"`': ["-c", "import argparse"],
            'floor: `python -c "import numpy"`': ["-c", "import numpy"],
        }
        found: dict[str, list[float]] = {name: [] for name in starts}
        for turn in range(sizes.starts + 1):
            for name, words in starts.items():
                seconds = program(words, EXIT_CODES)
                if turn:  # the first reads the files from disk
                    found[name].append(seconds)
    rows = []
    for name, seconds in found.items():
        most = 0.3 if "--help" in name else None
        rows.append(row(name, Timing(tuple(seconds)), most))
    return Section("Starting the command line", ("Fresh process each time.",), tuple(rows))


def drawing_section(patient: Patient, sizes: Sizes) -> Section:
    """One drawing."""
    plan = patient.plan
    labels = {
        e.family: {
            **patient.words.under("drawing"),
            f"title.{e.family}": patient.words.say(f"exercise.{e.family}.title"),
        }
        for e in plan.exercises
    }

    def draw() -> list[str]:
        return [
            draw_pose(e.fitted, plan.bodies[e.side], labels[e.family]).svg for e in plan.exercises
        ]

    made = draw()
    trees = [peers.elements_of(svg) for svg in made]
    count = len(made)
    times = side_by_side(
        {"draw": draw, "peer": lambda: [peers.same_elements(tree) for tree in trees]},
        sizes.repetitions,
    )
    each = {name: Timing(tuple(s / count for s in t.seconds)) for name, t in times.items()}
    slowest = side_by_side(
        {
            e.family: lambda e=e: draw_pose(e.fitted, plan.bodies[e.side], labels[e.family])  # type: ignore[misc]
            for e in plan.exercises
        },
        max(1, sizes.repetitions // 2),
    )
    worst = max(slowest, key=lambda name: slowest[name].median_s)
    elements = sum(sum(1 for _ in tree.iter()) for tree in trees) / count
    size = sum(map(len, made)) / count / 1000
    return Section(
        "One drawing",
        (
            f"Mean of the {count} drawings of the sheet: {elements:.0f} elements, {size:.0f} kB of "
            "SVG each. The peer builds the same elements with `xml.etree` and writes them: no "
            "geometry, no room for labels to be found.",
        ),
        (
            row("**one drawing, mean**", each["draw"], 1e-3),
            row("peer: the same elements by `xml.etree`", each["peer"]),
            row(f"the slowest family ({worst.replace('_', ' ')})", slowest[worst]),
        ),
    )


def load_section(patient: Patient, sizes: Sizes) -> Section:
    """The load model's draws, and the memory of it all."""
    draws = int(patient.book.value("load.draws"))
    setup = (
        "from rungwise.book import load_book\n"
        "from rungwise.core.push_off import INPUTS, Task, assumed_in, share_of_push_off\n"
        "import numpy as np\n"
        "assumed = assumed_in(load_book())\n"
    )
    ours = setup + (
        "begun = clock()\n"
        "share_of_push_off(Task('raise', 'two'), assumed)\n"
        "found['first'] = clock() - begun\n"
        "begun = clock()\n"
        "share_of_push_off(Task('raise', 'one'), assumed)\n"
        "found['next'] = clock() - begun\n"
        "begun = clock()\n"
        "share_of_push_off(Task('raise', 'one'), assumed)\n"
        "found['kept'] = clock() - begun"
    )
    theirs = setup + (
        "begun = clock()\n"
        "drawn = np.random.default_rng(1).random((7, assumed.draws))\n"
        "np.quantile(drawn.prod(axis=0), (0.05, 0.5, 0.95))\n"
        "found['peer'] = clock() - begun"
    )
    begin = (
        "from datetime import UTC, datetime\n"
        "from rungwise import clinic\n"
        "book = clinic.open_book()\n"
        f"exam = clinic.read_exam(clinic.demo_exams()[{patient.name!r}], book)\n"
    )
    compute = "plan = clinic.make_plan(exam, book, exam.on, insist=True)\n"
    traced = begin + (
        "import tracemalloc\n"
        "tracemalloc.start()\n" + compute + "found['peak'] = tracemalloc.get_traced_memory()[1] / 1e6"
    )
    printing = compute + "clinic.sheets(plan, book, datetime(2026, 11, 20, tzinfo=UTC))"
    runs = {"ours": [], "theirs": []}  # type: dict[str, list[dict[str, float]]]
    for _ in range(sizes.starts):
        runs["ours"].append(fresh(ours))
        runs["theirs"].append(fresh(theirs))
    rows = [
        row("first task of a process", times_of(runs["ours"], "first")),
        row("peer: numpy draws 7 inputs, one product, three quantiles", times_of(runs["theirs"], "peer")),
        row("another task", times_of(runs["ours"], "next")),
        row("a task asked before", times_of(runs["ours"], "kept")),
        Row("most Python memory while a plan is computed", f"{fresh(traced)['peak']:.1f} MB"),
    ]
    for what, code in (
        ("process memory: `python`", ""),
        ("process memory: `import numpy`", "import numpy"),
        ("process memory: a plan computed", begin + compute),
        ("process memory: a plan with all its sheets", begin + printing),
    ):
        most = fresh(code).get("memory_mb")
        rows.append(Row(what, "not told here" if most is None else f"{most:.0f} MB"))
    return Section(
        "Load model and memory",
        (
            f"Share of walking push-off: {draws:,} draws of each input, in fresh processes; draws "
            "and results are kept for the life of a process. Process memory is the most that was "
            "resident.",
        ),
        tuple(rows),
    )


SECTIONS = (
    plan_section,
    page_section,
    step_section,
    batch_section,
    start_section,
    drawing_section,
    load_section,
)


# ------------------------------------------------------------------ the page that is written


def machine() -> str:
    """Say on what it was measured, and how busy that was."""
    name = platform.processor() or platform.machine()
    about = Path("/proc/cpuinfo")
    if about.exists():
        models = [x for x in about.read_text("utf-8").splitlines() if x.startswith("model name")]
        name = models[0].partition(":")[2].strip() if models else name
    load = f", load {os.getloadavg()[0]:.1f} at the start" if hasattr(os, "getloadavg") else ""
    return f"{name}, {os.cpu_count()} cores{load}; {platform.system()} {platform.release()}"


def versions() -> Iterator[str]:
    """Name Python and each library with its version."""
    yield f"Python {platform.python_version()}"
    for name in LIBRARIES:
        try:
            yield f"{name} {version(name)}"
        except PackageNotFoundError:
            continue


def page(sections: Sequence[Section], on: str, where: str) -> str:
    """Write the page."""
    rows = [r for s in sections for r in s.rows if r.met is not None]
    met = sum(bool(r.met) for r in rows)
    lines = [
        "<!-- written by benchmarks/run.py; do not edit -->",
        "",
        "# Speed and memory, beside peers",
        "",
        f"Written by `{COMMAND}`; `make bench` installs the peers from `requirements-bench.lock` "
        "and runs it. All",
        "numbers are of one run, ours and the peers' in turn. The median counts; beside it stand "
        "the quartiles",
        "and the best. **Floors** do a part of the work only; **peers** do the like by other means. "
        "WeasyPrint",
        "was left out: it needs system libraries that a plain installation does not have.",
        "",
        f"* {on}, {where}",
        f"* {', '.join(versions())}",
        f"* {met} of {len(rows)} targets met",
    ]
    for section in sections:
        lines += ["", f"## {section.heading}", "", *section.lines, ""]
        lines += ["| what | median | spread | target | |", "|---|---|---|---|---|"]
        lines += [r.cells() for r in section.rows]
    return "\n".join(lines) + "\n"


def measure(sizes: Sizes, tell: Callable[[str], object]) -> str:
    """Measure everything; return the page."""
    where, on = machine(), datetime.now(UTC).date().isoformat()
    patient = Patient()
    sections = []
    for section in SECTIONS:
        tell(f"{section.__doc__}\n")
        sections.append(section(patient, sizes))
        for line in sections[-1].rows:
            tell(f"  {line.cells()}\n")
    return page(sections, on, where)


def main(argv: Sequence[str] | None = None) -> int:
    """Run it; returns the exit code."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--out", type=Path, default=ROOT / "BENCHMARKS.md", help="page to write")
    parser.add_argument("--smallest", action="store_true", help="one repetition, few people")
    args = parser.parse_args(argv)
    lacking = peers.missing()
    if lacking:
        sys.stderr.write(f"Not installed: {', '.join(lacking)}. Run: make bench\n")
        return 1
    text = measure(SMALLEST if args.smallest else Sizes(), sys.stderr.write)
    args.out.write_text(text, "utf-8")
    return 0


if __name__ == "__main__":
    sys.exit(main())
