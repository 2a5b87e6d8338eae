"""Draw the gallery: sheets of drawings, and figures that redraw the tables the code rests on.

Run it as ``python docs/gallery/make_gallery.py``; a test checks that the files are what it writes.
Lines come from the code as it is now, dots from the printed tables, so a slip of either is seen.
"""

from __future__ import annotations

import csv
import math
import re
import runpy
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import dataclass, field
from functools import partial
from html import escape
from pathlib import Path

import numpy as np

from rungwise.book import load_book
from rungwise.core.detect import error_of_kind, least_gain, readings_needed
from rungwise.core.evidence import Evidence
from rungwise.core.planar import cloth_for_bend, heel_height, roll_for_bend
from rungwise.core.push_off import Task, assumed_in, share_of_push_off
from rungwise.draw import Drawing
from rungwise.words import load_words

HERE = Path(__file__).parent
ENGINE = HERE.parents[1] / "tests" / "data" / "mujoco_cases.csv"

# ------------------------------------------------------------------ what the sources print

#: Mechanics of the toe, §2: bend [deg] -> roll touching at 45 mm and at 35 mm, cloth with its edge
#: at 45 mm, heel height of the reference foot [mm].
PRINTED_SIZES = {
    5: (4.0, 3.1, 3.9, 16.5),
    10: (8.2, 6.5, 7.6, 33),
    15: (12.6, 10.0, 11.3, 50),
    20: (17.2, 13.7, 15.0, 66),
    25: (22.1, 17.7, 18.7, 82),
    30: (27.3, 21.9, 22.6, 97),
    40: (38.6, 31.3, 31.0, 126),
}
#: Its reference foot: foot length, back of the heel to the joint, height of the joint axis [mm].
FOOT_MM, LEVER_MM, HEAD_MM = 258.0, 189.0, 22.0
FEET_MM = (230.0, 258.0, 285.0)

#: Mechanics of the toe, §3.3: task -> median, 5 % and 95 % of own walking push-off [%].
PRINTED_SHARES: dict[str, tuple[str, Task, tuple[int, int, int]]] = {
    "raise seated": ("seated", Task("raise", "seated"), (7, 3, 15)),
    "raise hands 30": ("both feet, hands take 30 %", Task("raise", "two", 0.7), (28, 12, 62)),
    "raise two": ("both feet", Task("raise", "two"), (40, 18, 88)),
    "raise one": ("one leg", Task("raise", "one"), (80, 36, 172)),
    "press 25": ("a quarter of own strongest", Task("press", "seated", press=0.25), (10, 4, 23)),
    "press 50": ("half of own strongest", Task("press", "seated", press=0.5), (21, 9, 45)),
    "press 100": ("own strongest", Task("press", "seated", press=1.0), (41, 18, 90)),
    "arch seated": ("seated *", Task("arch", "seated"), (13, 5, 30)),
    "arch two": ("both feet *", Task("arch", "two"), (30, 14, 61)),
    "arch one": ("one leg *", Task("arch", "one"), (48, 24, 95)),
    "feet together": ("feet together", Task("stance", "two"), (9, 4, 21)),
    "tandem front": ("tandem, this foot in front", Task("stance", "front"), (7, 3, 17)),
    "tandem back": ("tandem, this foot behind", Task("stance", "rear"), (10, 4, 24)),
    "one leg hand": ("one leg, a hand holds on", Task("stance", "one", hand=True), (16, 7, 37)),
    "one leg": ("one leg", Task("stance", "one"), (24, 10, 57)),
    "one leg foam": ("one leg, soft ground", Task("stance", "one", soft=True), (33, 13, 83)),
}
FAMILY_OF = {"raise": "Heel raise", "press": "Toe press", "arch": "Arch lift", "stance": "Balance"}

# ------------------------------------------------------------------ a chart

INK, GREY, PALE, DOTS = "#1a1a1a", "#5c5c5c", "#dcdcdc", "#b2004d"
LINES = (("#0072b2", ""), ("#1a1a1a", "9 5"), ("#9a5b00", "2.5 4"))
Point = tuple[float, float]


def root(wide: float, high: float, rest: str) -> str:
    """Open an SVG file of that size."""
    name = 'xmlns="http://www.w3.org/2000/svg" font-family="Noto Sans, sans-serif"'
    return f'<svg {name} viewBox="0 0 {wide:g} {high:g}" {rest}>'


@dataclass
class Chart:
    """One figure: title, two axes with units, marks, a caption that names the source.

    Parameters
    ----------
    title, across, up : str
        Heading; what the axes count, with units.
    caption : sequence of str
        Lines below.
    x, y : (float, float)
        Ends of the axes, in their units.
    x_ticks, y_ticks : sequence of float
        Where the axes are marked.
    logarithmic : bool
        Whether the axis across is.
    left, height : float
        Room for words on the left; height of the field.
    """

    title: str
    across: str
    up: str
    caption: Sequence[str]
    x: tuple[float, float]
    y: tuple[float, float]
    x_ticks: Sequence[float]
    y_ticks: Sequence[float]
    logarithmic: bool = False
    left: float = 62.0
    height: float = 330.0
    width: float = 560.0
    top: float = 74.0
    marks: list[str] = field(default_factory=list)

    def at(self, x: float, y: float) -> Point:
        """Where a value lies on the sheet."""
        scaled = map(math.log, (x, *self.x)) if self.logarithmic else (x, *self.x)
        here, low, high = scaled
        across = (here - low) / (high - low)
        up = (y - self.y[0]) / (self.y[1] - self.y[0])
        return self.left + across * self.width, self.top + (1 - up) * self.height

    def text(
        self,
        x: float,
        y: float,
        words: str,
        size: float = 13,
        anchor: str = "start",
        ink: str = INK,
    ) -> None:
        """Put words on the sheet."""
        self.marks.append(
            f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" '
            f'fill="{ink}">{escape(words)}</text>'
        )

    def stroke(
        self, points: Iterable[Point], ink: str, width: float = 1.0, dashes: str = ""
    ) -> None:
        """Draw a line through places of the sheet."""
        path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
        dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
        self.marks.append(
            f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="{width:g}"{dashed}/>'
        )

    def dot(self, x: float, y: float, kind: str = "ring") -> None:
        """Mark one value: a ring for what is printed, a cross for the engine, a disc for ours."""
        a, b = self.at(x, y)
        if kind == "cross":
            self.stroke([(a - 4, b - 4), (a + 4, b + 4)], INK, 1.4)
            self.stroke([(a - 4, b + 4), (a + 4, b - 4)], INK, 1.4)
            return
        fill, ink = ("none", DOTS) if kind == "ring" else (LINES[0][0], LINES[0][0])
        size = 5 if kind == "ring" else 4
        self.marks.append(
            f'<circle cx="{a:.1f}" cy="{b:.1f}" r="{size}" fill="{fill}" stroke="{ink}" '
            'stroke-width="1.8"/>'
        )

    def curve(self, of: Callable[[float], float], which: int, label: str, ends: float) -> None:
        """Draw a value over the axis across, up to ``ends``, its name beside its end."""
        ink, dashes = LINES[which]
        xs = np.linspace(self.x[0], ends, 91)
        self.stroke([self.at(float(x), of(float(x))) for x in xs], ink, 2.2, dashes)
        a, b = self.at(ends, of(ends))
        self.text(a + 8, b + 4, label, 12, ink=ink)

    def axes(self) -> Iterator[str]:
        """Yield the grid and the numbers."""
        kept, self.marks = self.marks, []
        for x in self.x_ticks:
            self.stroke([self.at(x, self.y[0]), self.at(x, self.y[1])], PALE)
            a, b = self.at(x, self.y[0])
            self.text(a, b + 18, f"{x:g}", 12, "middle", GREY)
        for y in self.y_ticks:
            self.stroke([self.at(self.x[0], y), self.at(self.x[1], y)], PALE)
            a, b = self.at(self.x[0], y)
            self.text(a - 8, b + 4, f"{y:g}", 12, "end", GREY)
        self.stroke([self.at(*self.x[:1], self.y[0]), self.at(self.x[1], self.y[0])], INK, 1.2)
        foot = self.top + self.height
        self.text(self.left + self.width / 2, foot + 40, self.across, 13, "middle")
        self.text(20, 30, self.title, 17)
        if self.up:
            self.text(20, 58, self.up, 13, ink=GREY)
        for line, words in enumerate(self.caption):
            self.text(20, foot + 68 + 17 * line, words, 12, ink=GREY)
        yield from self.marks
        self.marks = kept

    def svg(self, room: float = 150.0) -> str:
        """Write it, with some room on the right for names of lines."""
        wide = self.left + self.width + room
        high = self.top + self.height + 72 + 17 * len(self.caption)
        head = root(wide, high, f'role="img" width="{wide:g}" height="{high:g}"')
        told = (self.title, " ".join(self.caption))
        return "\n".join(
            (
                head,
                f"<title>{escape(told[0])}</title>",
                f"<desc>{escape(told[1])}</desc>",
                f'<rect width="{wide:g}" height="{high:g}" fill="#ffffff"/>',
                *self.axes(),
                *self.marks,
                "</svg>\n",
            )
        )


# ------------------------------------------------------------------ the figures

ENGINE_NOTE = "Crosses: a rigid-body engine that knows none of the formulas."


def _heel_height(lever_mm: float, head_mm: float, bend_deg: float) -> float:
    return float(heel_height(bend_deg, lever_mm, head_mm))


def heel_heights() -> str:
    """Heel height against bend for three feet, with the printed table and the engine's answers."""
    chart = Chart(
        "How high the heel may rise for the bend of the big toe",
        "bend of the joint from flat standing [°]",
        "height of the back edge of the heel above the ground under the ball [mm]",
        (
            "Lines: rungwise.core.planar.heel_height, three feet of the same proportions.",
            "Rings: table of the mechanics of the toe, §2 (foot 258 mm, heel to joint 189 mm).",
            f"{ENGINE_NOTE} Source: own derivation, h = L sin θ + a (1 − cos θ).",
        ),
        (0, 50),
        (0, 180),
        range(0, 51, 10),
        range(0, 181, 30),
    )
    for which, foot in zip((1, 0, 2), FEET_MM, strict=True):
        lever, head = LEVER_MM * foot / FOOT_MM, HEAD_MM * foot / FOOT_MM
        label = f"foot {foot:.0f} mm"
        chart.curve(partial(_heel_height, lever, head), which, label, 50)
    for bend, sizes in PRINTED_SIZES.items():
        chart.dot(bend, sizes[3])
    with ENGINE.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            same = (float(row["lever_mm"]), float(row["head_mm"])) == (LEVER_MM, HEAD_MM)
            if row["kind"] == "heel" and same and float(row["bend_deg"]) <= chart.x[1]:
                chart.dot(float(row["bend_deg"]), float(row["size_mm"]), "cross")
    return chart.svg()


def roll_and_cloth() -> str:
    """Thickness of roll and cloth against bend, with the printed table."""
    chart = Chart(
        "How thin a roll or cloth must be for the bend of the big toe",
        "bend of the joint from flat standing [°]",
        "diameter of the roll, thickness of the cloth, under the toe's weight [mm]",
        (
            "Lines: roll_for_bend and cloth_for_bend of rungwise.core.planar, joint axis at 22 mm.",
            "Rings: table of the mechanics of the toe, §2. The usual rolled towel of 40 to 50 mm",
            "bends the joint by 41 to 49 degrees. Source: own derivation, D = 2 t (s + a t) with",
            "t = tan(θ/2); rungwise's tests hold it against a rigid-body engine.",
        ),
        (0, 45),
        (0, 50),
        range(0, 46, 5),
        range(0, 51, 10),
    )
    lines: tuple[tuple[Callable[[float], float], str], ...] = (
        (lambda x: float(roll_for_bend(x, 45.0, HEAD_MM)), "roll, 45 mm along the toe"),
        (lambda x: float(roll_for_bend(x, 35.0, HEAD_MM)), "roll, 35 mm along the toe"),
        (lambda x: float(cloth_for_bend(x, 45.0, HEAD_MM)), "cloth, edge at 45 mm"),
    )
    for which, (of, label) in enumerate(lines):
        chart.curve(of, which, "", 45)
        a, b = chart.at(45, of(45))
        chart.text(a + 8, b + 4 + (-8, -2, 10)[which], label, 12, ink=LINES[which][0])
    for bend, sizes in PRINTED_SIZES.items():
        for size in sizes[:3]:
            chart.dot(bend, size)
    return chart.svg(210)


def shares(book: Evidence) -> str:
    """Load of each task as a share of walking push-off, beside the printed table."""
    rows = list(PRINTED_SHARES.values())
    kinds = list(dict.fromkeys(task.kind for _, task, _ in rows))
    high = len(rows) + len(kinds) + 0.5
    chart = Chart(
        "Load of the big-toe joint as a share of the same person's walking push-off",
        "joint force ÷ own walking push-off [%], logarithmic",
        "",
        (
            "Disc and bar: median and 5 to 95 % of the draws of rungwise.core.push_off. Ring and",
            "ticks: table of the mechanics of the toe, §3.3; its inputs are own assumptions,",
            "walking anchored at mech_1 (McBride 1991). * The muscle's pull is assumed.",
            "Families are not ranked against each other: the bars overlap, and a joint that stops",
            "against bone is not in this model.",
        ),
        (2, 200),
        (0, high),
        (2, 5, 10, 20, 50, 100, 200),
        (),
        logarithmic=True,
        left=220,
        height=23 * high,
        width=480,
        top=52,
    )
    chart.stroke([chart.at(100, 0), chart.at(100, high)], GREY, 1.6, "6 4")
    chart.text(chart.at(100, 0)[0] - 6, chart.top + 12, "walking", 12, "end", GREY)
    assumed = assumed_in(book)
    place = high
    for kind in kinds:
        place -= 1
        chart.text(20, chart.at(2, place)[1] + 4, FAMILY_OF[kind], 13)
        for label, task, printed in (row for row in rows if row[1].kind == kind):
            place -= 1
            median, low, top = (100 * share for share in share_of_push_off(task, assumed))
            across = chart.at(2, place)[1]
            chart.text(212, across + 4, label, 12, "end", GREY)
            chart.stroke([chart.at(low, place), chart.at(top, place)], LINES[0][0], 3)
            chart.dot(median, place, "disc")
            chart.dot(printed[0], place)
            for end in printed[1:]:
                a, b = chart.at(end, place)
                chart.stroke([(a, b - 6), (a, b + 6)], DOTS, 1.8)
    return chart.svg(30)


def detectability(book: Evidence) -> str:
    """Smallest true gain of bend that is seen, against days of reading before and after."""
    chance, sure = book.value("detect.power_pct"), book.value("change.confidence_pct")
    wanted = book.value("detect.gain.bend")
    chart = Chart(
        "How small a gain of bend can be seen",
        "days read before, and as many after, logarithmic",
        f"smallest true gain seen in {chance:g} % of cases [°]",
        (
            "Lines: rungwise.core.detect.least_gain, errors of the book: goniometer clin_s6 (Otter",
            "2015), an upper bound; photograph: an assumption, no foot was measured. Limit",
            f"two-sided at {sure:g} %. Discs: the least number of days that shows {wanted:g}°.",
            "Readings of one day share their error and count once.",
        ),
        (1, 40),
        (0, 28),
        (1, 2, 3, 5, 7, 12, 20, 40),
        range(0, 29, 5),
        logarithmic=True,
    )
    chart.stroke([chart.at(1, wanted), chart.at(40, wanted)], GREY, 1.6, "6 4")
    a, b = chart.at(1, wanted)
    chart.text(a + 6, b - 6, f"a true gain of {wanted:g}°", 12, ink=GREY)
    kinds = {
        "goniometer": "goniometer, one person",
        "photograph": "photograph (assumed)",
        "goniometer_other_rater": "goniometer, different people",
    }
    for which, (kind, label) in enumerate(kinds.items()):
        error, (ink, dashes) = error_of_kind(kind, book), LINES[which]
        days = range(1, 41)
        least = [least_gain(error, n, n, book) for n in days]
        chart.stroke(map(chart.at, days, least), ink, 2.2, dashes)
        a, b = chart.at(40, least[-1])
        chart.text(a + 8, b + (4, 14, -4)[which], label, 12, ink=ink)
        needed = readings_needed(wanted, error, book)
        if needed is not None:
            chart.dot(needed, wanted, "disc")
            a, b = chart.at(needed, wanted)
            chart.text(a, b + (34, 20, -10)[which], str(needed), 12, "middle", ink)
    return chart.svg(190)


# ------------------------------------------------------------------ sheets of drawings

MOST = 6
WIDE, HIGH, GAP, LABEL = 1050, 700, 40, 90


def contact_sheet(family: str, drawings: Sequence[tuple[str, Drawing]]) -> str:
    """A few drawings of a family, two in a row, each under its rung's name."""
    rows = math.ceil(len(drawings) / 2)
    wide, high = 2 * WIDE + GAP, rows * (HIGH + LABEL)
    parts = [
        root(wide, high, f'width="{wide / 2.5:g}" height="{high / 2.5:g}"'),
        f"<title>{family.replace('_', ' ')}</title>",
        f'<rect width="{wide}" height="{high}" fill="#ffffff"/>',
    ]
    for place, (name, drawing) in enumerate(drawings):
        x, y = place % 2 * (WIDE + GAP), place // 2 * (HIGH + LABEL)
        at = f'<svg x="{x}" y="{y + LABEL}" width="{WIDE}" height="{HIGH}"'
        label = name.removeprefix(f"{family}-").replace("_", " ").replace("-", ", ")
        parts += [
            f'<text x="{x + 10}" y="{y + 60}" font-size="40" fill="{INK}">{escape(label)}</text>',
            re.sub(r'^<svg(.*?) width="105mm" height="70mm"', rf"{at}\1", drawing.svg, count=1),
        ]
    return "\n".join([*parts, "</svg>\n"])


def some(drawings: Sequence[tuple[str, Drawing]]) -> list[tuple[str, Drawing]]:
    """Take the first, the last, and some between."""
    count = min(MOST, len(drawings))
    return [drawings[round(i * (len(drawings) - 1) / max(1, count - 1))] for i in range(count)]


FIGURES = {
    "heel_height": "How high the heel may rise",
    "roll_and_cloth": "How thin a roll or cloth must be",
    "share_of_walking": "Load as a share of own walking push-off",
}


def readme(book: Evidence) -> str:
    """The page that shows all of it."""
    words = load_words("en")
    lines = [
        "<!-- written by docs/gallery/make_gallery.py; do not edit -->\n",
        "# Gallery\n",
        "Drawn by the code as it is: `python docs/gallery/make_gallery.py`. A test checks that the",
        "files are what it writes.\n",
        "## Figures that redraw the tables the code rests on\n",
        "Lines, discs and bars are computed now; rings are the printed tables. Where they part,",
        "one of them is wrong.\n",
    ]
    for name, title in FIGURES.items():
        lines += [f"### {title}\n", f"![{title}]({name}.svg)\n"]
    lines += [
        "## What can be seen\n",
        "Numbers and words: [detectability](../detectability.md).\n",
        "![How small a gain of bend can be seen](detectability.svg)\n",
        "## Drawings\n",
        "Each from the very pose whose geometry gave the numbers, for one invented foot with 24°",
        "of bend to use. `python docs/gallery/make_drawings.py FOLDER` writes every one.\n",
    ]
    for family in book.families:
        title = words.say(f"exercise.{family}.title")
        lines += [f"### {title}\n", f"![{title}]({family}.svg)\n"]
    lines += [
        "## Courses\n",
        "Twelve weeks of each invented person, told by `python docs/gallery/stories.py`:",
        "[stories](stories/README.md).\n",
    ]
    return "\n".join(lines)


def gallery() -> dict[str, str]:
    """Make every file of the gallery: name -> text."""
    book = load_book()
    drawings: dict[str, list[tuple[str, Drawing]]] = {family: [] for family in book.families}
    for name, drawing in runpy.run_path(str(HERE / "make_drawings.py"))["drawings"](book):
        drawings[name.partition("-")[0]].append((name, drawing))
    return {
        "heel_height.svg": heel_heights(),
        "roll_and_cloth.svg": roll_and_cloth(),
        "share_of_walking.svg": shares(book),
        "detectability.svg": detectability(book),
        **{f"{family}.svg": contact_sheet(family, some(d)) for family, d in drawings.items()},
        "README.md": readme(book),
    }


def main() -> None:
    """Write the gallery."""
    for name, text in gallery().items():
        (HERE / name).write_text(text, "utf-8")


if __name__ == "__main__":
    main()
