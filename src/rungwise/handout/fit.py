"""How a sheet fits its paper: sizes, columns and what may break, decided before it is laid out.

Heights are estimates, rather too much than too little. Nothing can
be lost by them: a panel that may be taller than a page is allowed to break, and a panel that is
kept whole is one that surely fits.
"""

from __future__ import annotations

import unicodedata
from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import lru_cache

from rungwise.handout.sheet import Diary, Lines, Panel

__all__ = ["PAPERS", "Fit", "Form", "fit_diary", "fit_panel", "form_of", "lines_needed"]

#: Width and height [mm]: ISO 216; 8.5 in x 11 in.
PAPERS = {"a4": (210.0, 297.0), "us-letter": (215.9, 279.4)}
MM_PER_PT = 25.4 / 72
GUTTER, INSET = 4.0, 3.0
#: Heights in lines of text: a line with the space after it, a heading with its spaces.
PITCH_EM, WRAP_EM, HEADING_EM, CAPTION_EM, EXAMPLE_EM = 1.34, 1.27, 2.25, 1.6, 2.0
#: A column for regular letters is as good as this much of it for bold ones [1].
BOLD = 0.92
#: Advance widths of Noto Sans Regular, rounded up to 0.02 em; those of other letters [em].
_WIDTHS = {
    letter: width
    for width, letters in (
        (0.24, "'"),
        (0.26, " ijl"),
        (0.28, "!,.:;J¡"),
        (0.30, "()`"),
        (0.34, "-I[]"),
        (0.36, "f"),
        (0.38, "/\\t{}"),
        (0.42, '"r'),
        (0.44, "?¿°"),
        (0.46, "_"),
        (0.48, "csz"),
        (0.52, "Fvy"),
        (0.54, "Lkx"),
        (0.56, "*EST|"),
        (0.58, "$+0123456789<=>YZ^ae~"),
        (0.60, "VX"),
        (0.62, "KPbdghnopqu"),
        (0.64, "ACR"),
        (0.66, "#B"),
        (0.74, "&DGU"),
        (0.76, "HN"),
        (0.80, "OQw"),
        (0.84, "%"),
        (0.90, "@"),
        (0.92, "M"),
        (0.94, "Wm"),
    )
    for letter in letters
}
UNKNOWN = 1.0
#: Heights that a row of the diary may have, the best first [mm].
ROWS = (9.0, 8.5, 8.0, 7.5, 7.0, 6.5, 6.2)
#: A letter of a panel's title, on average [em].
TITLE_EM = 0.75
#: A line of a list is this much narrower than its column [em].
INDENT_EM = 1.0


@dataclass(frozen=True)
class Form:
    """Paper and type.

    Parameters
    ----------
    paper : {"a4", "us-letter"}
        Paper.
    large : bool
        Large print, in one column.
    size, small : float
        Body type, and that of the small print [pt].
    side, top, bottom : float
        Margins [mm].
    """

    paper: str
    large: bool
    size: float
    small: float
    side: float
    top: float
    bottom: float

    @property
    def width(self) -> float:
        """Of the text [mm]."""
        return PAPERS[self.paper][0] - 2 * self.side

    @property
    def height(self) -> float:
        """Of the text [mm]."""
        return PAPERS[self.paper][1] - self.top - self.bottom

    @property
    def column(self) -> float:
        """Width of one of two columns inside a panel, or of the one column of large print [mm]."""
        inner = self.width - 2 * INSET
        return inner if self.large else (inner - GUTTER) / 2

    @property
    def picture(self) -> float:
        """Width of a drawing [mm]: 85 at least, so that its labels can be read."""
        return min(self.column, 100.0)


def form_of(paper: str, large: bool) -> Form:
    """The form of a paper, in ordinary or large print."""
    return Form(
        paper, large, *((18.0, 14.0, 14.0, 12.0, 29.0) if large else (14.0, 11.0, 14.0, 12.0, 24.0))
    )


@lru_cache(maxsize=8192)
def _word(word: str) -> float:
    """Width of a word [em]; an accent takes no room, a letter not known takes much."""
    plain = word if word.isascii() else unicodedata.normalize("NFD", word)
    return sum(_WIDTHS.get(c, UNKNOWN) for c in plain if not unicodedata.combining(c))


def lines_needed(text: str, width_em: float) -> int:
    """Lines that a text takes in a column of this width, rather too many than too few.

    Examples
    --------
    >>> lines_needed("Lower slowly.", 20.0), lines_needed("Lower slowly.", 5.0)
    (1, 2)
    """
    lines, room = 1, width_em
    for word in text.split():
        wide = _word(word)
        if wide > room and room < width_em:
            lines, room = lines + 1, width_em
        lines += int(wide // width_em)
        room -= wide % width_em + _WIDTHS[" "]
    return lines


def _height(lines: Sequence[str], width_em: float) -> float:
    """Height of lines, each a paragraph or an item of a list [em]."""
    needed = sum(lines_needed(line, width_em) - 1 for line in lines)
    return len(lines) * PITCH_EM + needed * WRAP_EM


@dataclass(frozen=True)
class Fit:
    """How a panel is set.

    Parameters
    ----------
    left, right : tuple of Lines
        Parts of each column, in the order of reading.
    columns : bool
        Two columns; one, in large print only, where two would not keep the panel whole.
    beside : bool
        Numbers and picture stand side by side.
    picture : float
        Width of a drawing [mm].
    height : float
        At most so high [mm].
    breaks : bool
        It may be taller than a page, and so it may break.
    """

    left: tuple[Lines, ...]
    right: tuple[Lines, ...]
    columns: bool
    beside: bool
    picture: float
    height: float
    breaks: bool


def fit_panel(panel: Panel, form: Form) -> Fit:
    """Share a panel's parts between two columns, and say whether it may fill more than a page.

    Large print has two columns too where they keep the panel on one page, and one otherwise.

    Parameters
    ----------
    panel : Panel
        The exercise.
    form : Form
        Paper and type.
    """
    if form.large:
        abreast = fit_panel(panel, replace(form, large=False))
        if not abreast.breaks:
            return abreast
    em = form.size * MM_PER_PT
    column = form.column / em
    parts = [HEADING_EM + _height(p.lines, column - INDENT_EM) for p in panel.parts]
    pictures = [
        form.picture / em * f.height_mm / f.width_mm + (CAPTION_EM if f.caption else 0.5)
        for f in panel.figures
    ]
    wide = column if form.large or len(panel.feet) > 1 or len(panel.figures) == 1 else 2 * column
    numbers = [
        2.6 + _height(dose, BOLD * (wide - 1.5)) + _height(foot.sizes, wide - 2.5)
        for foot in panel.feet
        for dose in ((" ".join(foot.dose),) if wide > column else foot.dose,)
    ]
    head = 1.2 + _height((panel.setting,), form.width / em - TITLE_EM * len(panel.title) - 4.0)
    beside = not form.large and len(panel.figures) == len(panel.feet) == 1
    if form.large:
        return _fit(panel, len(parts), beside, head + sum((*numbers, *pictures, *parts)), form)
    first, second = (numbers[0], pictures[0]) if beside else (0.0, 0.0)

    def taller(cut: int) -> float:
        return max(first + sum(parts[:cut]), second + sum(parts[cut:]))

    cut = min(range(len(parts) + 1), key=taller)
    rows = 0.0 if beside else max(numbers) + max(pictures)
    return _fit(panel, cut, beside, head + rows + taller(cut), form)


def _fit(panel: Panel, cut: int, beside: bool, height_em: float, form: Form) -> Fit:
    height = height_em * form.size * MM_PER_PT + 3 * INSET
    return Fit(
        left=panel.parts[:cut],
        right=panel.parts[cut:],
        columns=not form.large,
        beside=beside,
        picture=form.picture,
        height=height,
        breaks=form.large or height > form.height,
    )


def fit_diary(diary: Diary, below: Sequence[str], form: Form) -> dict[str, object]:
    """Sizes of the diary's grid: two weeks side by side, one in large print.

    Its rows are as high as one page allows. Where they would be too low to write in, they are high
    and the diary takes more pages.

    Parameters
    ----------
    diary : Diary
        The diary.
    below : sequence of str
        Paragraphs of small print under it.
    form : Form
        Paper and type.
    """
    size, cell, abreast = (13.0, 15.0, 1) if form.large else (10.5, 9.2, 2)
    spans = [diary.weeks[i : i + abreast] for i in range(0, len(diary.weeks), abreast)]
    days = max(sum(len(week.days) for week in span) for span in spans)
    em, line, print_mm = (pt * MM_PER_PT for pt in (form.size, size, form.small))
    label = (form.width - days * cell - 2.0) / line
    labels = [1.2 * line * lines_needed(row, label) + 1.8 for row in (*diary.rows, *diary.mornings)]
    cut = (len(diary.lines) + 2) // 2
    half = (form.width - GUTTER) / 2 / em - INDENT_EM
    told = (
        EXAMPLE_EM + _height(diary.lines, form.width / em - INDENT_EM)
        if form.large
        else max(_height(diary.lines[:cut], half), EXAMPLE_EM + _height(diary.lines[cut:], half))
    )
    rest = em * (HEADING_EM + 1.8 + told)
    rest += print_mm * (1.2 + _height(below, form.width / print_mm)) + 1.0
    free = (form.height - rest) / len(spans) - 3.0 * 1.25 * line - 3.0
    fitting = (h for h in ROWS if sum(max(h, least) for least in labels) <= free)
    height = next(fitting, ROWS[0])
    return {"size": size, "cell": cell, "row": height, "spans": spans, "cut": cut}
