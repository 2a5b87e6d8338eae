"""What is measured inside this process: plan, page, steps, drawing."""

from __future__ import annotations

import io
import json
import tempfile
import tomllib
from pathlib import Path

import pypdf

from benchmarks import peers
from benchmarks.patient import Patient, Sizes
from benchmarks.table import Row, Section, row
from benchmarks.timing import Timing, fresh, side_by_side, times_of
from rungwise import clinic
from rungwise.draw import draw_pose
from rungwise.handout import build_handout, to_text
from rungwise.plain import plain, to_json
from rungwise.report import plan_report

__all__ = ["drawing_section", "page_section", "plan_section", "step_section"]


def plan_section(patient: Patient, sizes: Sizes) -> Section:
    """From an examination to a plan, computed only."""
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
            f"families, {len(patient.plan.exercises)} exercises, no sheet."
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
    ratio = Timing(
        tuple(a / b for a, b in zip(times["pdf"].seconds, times["bare"].seconds, strict=True))
    )
    middle = ratio.median_s
    per_page = Timing(tuple(s / pages for s in times["pdf"].seconds))
    return Section(
        "The printed programme",
        (
            f"{pages} pages, {len(drawings)} drawings, tagged PDF/UA-1. The target of 30 ms was "
            "set for a sheet of three pages. The bare compile gets the very template, data and "
            "loaded fonts; reportlab with svglib sets the same lines and drawings as plain "
            f"paragraphs, untagged, on {their_pages} pages."
        ),
        (
            row(f"**PDF of {pages} pages, warm**", times["pdf"], 30e-3),
            row("the same, a page", per_page),
            row("bare Typst compile of the same", times["bare"]),
            Row(
                "**our time ÷ bare compile**",
                f"{middle:.2f}",
                f"{ratio.low_s:.2f} – {ratio.high_s:.2f}",
                "≤ 1.50",
                middle <= 1.5,
            ),
            row("peer: reportlab + svglib", times["peer"]),
            row(
                "first sheets in a fresh process (imports, fonts, all files)",
                times_of(first, "sheets"),
            ),
        ),
    )


def step_section(patient: Patient, sizes: Sizes) -> Section:
    """Where the time of one person goes."""
    exam, plan, book = patient.plan.exam, patient.plan, patient.book
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
        "Warm, one process.",
        tuple(row(name, timing) for name, timing in times.items()),
    )


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
            f"Mean of the {count} drawings of the sheet: {elements:.0f} elements, {size:.0f} kB "
            "of SVG each. The peer builds the same elements with `xml.etree` and writes them: no "
            "geometry, no room for labels to be found."
        ),
        (
            row("**one drawing, mean**", each["draw"], 1e-3),
            row("peer: the same elements by `xml.etree`", each["peer"]),
            row(f"the slowest family ({worst.replace('_', ' ')})", slowest[worst]),
        ),
    )
