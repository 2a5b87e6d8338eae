"""What is measured in fresh processes: batches, the start, the load model and memory."""

from __future__ import annotations

import os
import tempfile
from pathlib import Path

from benchmarks import peers
from benchmarks.patient import Patient, Sizes
from benchmarks.people import SEED, varied_exams
from benchmarks.table import Row, Section, rate, row
from benchmarks.timing import Timing, fresh, program, times_of

__all__ = ["batch_section", "load_section", "start_section"]

FLOORS = str(Path(__file__).with_name("floors.py"))
EXIT_CODES = (0, 10, 11)  # done; not for every foot; no programme


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
        sheet, sheets = folder / "sheets.pickle", 0
        peers.write_sheets(patient.handouts, sheet)
        for turn in range(sizes.batches):
            out = folder / f"out{turn}"
            plain_words = [*words, str(computed), "--out", str(out), "--no-sheets"]
            found["compute"].append(program(plain_words, EXIT_CODES))
            found["parse"].append(program([FLOORS, "parse", str(computed), str(jobs)]))
            found["print"].append(program([*words, str(printed), "--out", str(out)], EXIT_CODES))
            sheets = len(list(out.glob("*/programme.pdf")))
            found["compile"].append(
                program([FLOORS, "compile", str(sheet), str(sheets), str(jobs)])
            )
    times = {name: Timing(tuple(seconds)) for name, seconds in found.items()}
    return Section(
        f"Many examinations, {jobs} processes",
        (
            "`rungwise plan FOLDER`, from process start to end; the demo people varied from the "
            f"seed {SEED}: {sizes.computed:,} examinations without sheets, {sizes.printed} with "
            f"them. {sheets} of those get a programme and so a PDF; the others only reasons."
        ),
        (
            rate("**examinations, `--no-sheets`**", times["compute"], sizes.computed, 1000),
            rate("floor: `tomllib` + `json` on the same files", times["parse"], sizes.computed),
            rate("**examinations, with all sheets**", times["print"], sizes.printed, 100),
            rate("the same, counted in PDFs", times["print"], sheets),
            rate("floor: bare Typst compiles, the sheets above in turn", times["compile"], sheets),
        ),
    )


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
    rows = [
        row(name, Timing(tuple(times)), 0.3 if "--help" in name else None)
        for name, times in found.items()
    ]
    return Section("Starting the command line", "Fresh process each time.", tuple(rows))


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
        "tracemalloc.start()\n"
        + compute
        + "found['peak'] = tracemalloc.get_traced_memory()[1] / 1e6"
    )
    printing = compute + "clinic.sheets(plan, book, datetime(2026, 11, 20, tzinfo=UTC))"
    runs: dict[str, list[dict[str, float]]] = {"ours": [], "theirs": []}
    for _ in range(sizes.starts):
        runs["ours"].append(fresh(ours))
        runs["theirs"].append(fresh(theirs))
    rows = [
        row("first task of a process", times_of(runs["ours"], "first")),
        row(
            "peer: numpy draws 7 inputs, one product, three quantiles",
            times_of(runs["theirs"], "peer"),
        ),
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
            f"Share of walking push-off: {draws:,} draws of each input, in fresh processes; "
            "draws and results are kept for the life of a process. Process memory is the most "
            "that was resident."
        ),
        tuple(rows),
    )
