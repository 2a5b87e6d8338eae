"""A chart of one foot's diary as SVG: its pain day by day, and below it what was done.

Each kind of rating has its own shape, so that nothing rests on colour; the table of days beside the
chart holds every value.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from datetime import date, timedelta
from xml.sax.saxutils import escape

from rungwise.core.followed import Entry
from rungwise.core.terms import Exam, Side
from rungwise.diary import Shown
from rungwise.home import HomeLine
from rungwise.measures.feet import WHEN, foot_ratings

__all__ = ["WHEN", "diary_chart", "diary_ratings"]

INK, GREY, PALE, CARE = "#1a1a1a", "#5c5c5c", "#dcdcdc", "#8a1c1c"
LEFT, TOP, WIDE, HIGH, ROW = 128.0, 66.0, 336.0, 180.0, 22.0
WORST = 10
DASHES = {"before": "2 3", "during": "", "morning": "7 4"}
#: At most so many days are named below the chart.
NAMED = 6
Ratings = Mapping[str, Mapping[date, int]]


def diary_ratings(shown: Sequence[Shown], side: Side, exams: Sequence[Exam]) -> Ratings:
    """Highest rating of a foot by kind and day; one for both feet is the sorer foot's.

    Parameters
    ----------
    shown : sequence of Shown
        The diary.
    side : {"right", "left"}
        Which foot.
    exams : sequence of Exam
        Examinations, oldest first; they tell which foot is sorer as usual.
    """
    entries = [
        Entry(
            one.on,
            one.line.family,
            one.line.side,
            one.line.both,
            **{key: value for key, value in vars(one.entry).items() if key != "line"},
        )
        for one in shown
    ]
    return {when: foot_ratings(entries, when, side, exams) for when in WHEN}


def diary_chart(
    shown: Sequence[Shown],
    side: Side,
    ratings: Ratings,
    days: tuple[date, date],
    limits: tuple[int, int],
    labels: Mapping[str, str],
) -> str:
    """Pain before, during and the morning after, and what was done of each exercise.

    Parameters
    ----------
    shown : sequence of Shown
        The diary.
    side : {"right", "left"}
        Which foot.
    ratings : mapping
        Its ratings (:func:`diary_ratings`).
    days : (date, date)
        First and last day of the chart.
    limits : (int, int)
        Pain up to which one goes on, and above which one stops 0-10 [1].
    labels : mapping of str to str
        Words: ``title``, ``told``, ``before``, ``during``, ``morning``, ``safe``, ``most``,
        ``done``, ``sharp``, ``warning``, and the name of each family.

    Returns
    -------
    str
        SVG with title and description.
    """
    return _Chart(shown, side, ratings, days, limits, labels).svg()


class _Chart:
    """The place of each day and rating on the sheet, and what is drawn."""

    def __init__(
        self,
        shown: Sequence[Shown],
        side: Side,
        ratings: Ratings,
        days: tuple[date, date],
        limits: tuple[int, int],
        labels: Mapping[str, str],
    ) -> None:
        self.mine = [one for one in shown if one.line.both or one.line.side == side]
        self.ratings = ratings
        self.first, self.last = days
        self.limits, self.labels = limits, labels
        self.rows = list(dict.fromkeys(map(_row_of, self.mine)))

    def across(self, on: date) -> float:
        span = max((self.last - self.first).days, 1)
        return LEFT + 10 + (on - self.first).days / span * (WIDE - 20)

    def up(self, pain: float) -> float:
        return TOP + (1 - pain / WORST) * HIGH

    def svg(self) -> str:
        wide, high = LEFT + WIDE + 20, TOP + HIGH + 72 + ROW * len(self.rows)
        head = (
            '<svg xmlns="http://www.w3.org/2000/svg" role="img" '
            f'font-family="Noto Sans, sans-serif" viewBox="0 0 {wide:g} {high:g}" '
            f'width="{wide:g}" height="{high:g}">'
        )
        return "\n".join(
            (
                head,
                f"<title>{_safe(self.labels['title'])}</title>",
                f"<desc>{_safe(self.labels['told'])}</desc>",
                f'<rect width="{wide:g}" height="{high:g}" fill="#ffffff"/>',
                _text(12, 24, self.labels["title"], 15),
                *self.legend(),
                *self.axes(),
                *self.lines(),
                *self.done(),
                "</svg>\n",
            )
        )

    def legend(self) -> Iterator[str]:
        x = 12.0
        for when in WHEN:
            yield _path([(x, 44), (x + 26, 44)], INK, DASHES[when])
            yield _mark(when, x + 13, 44)
            yield _text(x + 32, 48, self.labels[when], 13)
            x += 32 + 7.2 * len(self.labels[when]) + 24

    def axes(self) -> Iterator[str]:
        left, right = LEFT, LEFT + WIDE
        for pain in range(0, WORST + 1, 2):
            yield _path([(left, self.up(pain)), (right, self.up(pain))], PALE)
            yield _text(left - 8, self.up(pain) + 4, str(pain), 13, GREY, "end")
        for pain, key, ink in zip(self.limits, ("safe", "most"), (GREY, CARE), strict=True):
            yield _path([(left, self.up(pain)), (right, self.up(pain))], ink, "10 4 2 4")
            yield _text(12, self.up(pain) + 4, self.labels[key], 13, ink)
        span = (self.last - self.first).days
        step = max(1, -(-span // NAMED))
        for back in range(0, span + 1, step):
            on = self.first + timedelta(days=back)
            x, foot = self.across(on), TOP + HIGH
            yield _path([(x, foot), (x, foot + 5)], INK)
            yield _text(x, foot + 19, f"{on.day}.{on.month}.", 13, GREY, "middle")
        yield _path([(left, TOP + HIGH), (right, TOP + HIGH)], INK)

    def lines(self) -> Iterator[str]:
        for when in WHEN:
            rated = sorted(self.ratings[when].items())
            places = [(self.across(on), self.up(pain)) for on, pain in rated if on <= self.last]
            if len(places) > 1:
                yield _path(places, INK, DASHES[when])
            yield from (_mark(when, x, y) for x, y in places)

    def done(self) -> Iterator[str]:
        """One row for each exercise: full, half, or an empty square; what alarms as a letter."""
        top = TOP + HIGH + 30
        for n, row in enumerate(self.rows):
            y = top + ROW * n
            yield _text(12, y + 13, self.labels.get(row[0], row[0]), 13)
            for one in self.mine:
                if _row_of(one) != row or not self.first <= one.on <= self.last:
                    continue
                x, e = self.across(one.on) - 6, one.entry
                fill = {"all": 12, "part": 6}.get(e.done, 0)
                yield _box(x, y + 3, 12, "none")
                if fill:
                    yield (
                        f'<rect x="{x:.1f}" y="{y + 15 - fill:.1f}" width="12" height="{fill}" '
                        f'fill="{GREY}"/>'
                    )
                if e.sharp or e.warning:
                    yield _text(x + 6, y + 2, "!" if e.sharp else "?", 12, CARE, "middle")
        foot = top + ROW * len(self.rows) + 14
        for n, words in enumerate(self.labels["done"].split(". ") if self.rows else ()):
            yield _text(12, foot + 16 * n, words, 13, GREY)


def _row_of(one: Shown) -> tuple[str, bool]:
    line: HomeLine = one.line
    return line.family, line.both


def _mark(when: str, x: float, y: float) -> str:
    if when == "during":
        return f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{INK}"/>'
    if when == "before":
        return (
            f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4" fill="#ffffff" stroke="{INK}" '
            'stroke-width="1.5"/>'
        )
    path = f"M{x:.1f} {y - 6:.1f}L{x + 5.5:.1f} {y + 4:.1f}L{x - 5.5:.1f} {y + 4:.1f}Z"
    return f'<path d="{path}" fill="#ffffff" stroke="{INK}" stroke-width="1.5"/>'


def _box(x: float, y: float, size: float, fill: str) -> str:
    return (
        f'<rect x="{x:.1f}" y="{y:.1f}" width="{size:g}" height="{size:g}" fill="{fill}" '
        f'stroke="{GREY}"/>'
    )


def _safe(words: str) -> str:
    return escape("".join(c for c in words if c.isprintable()))


def _text(
    x: float, y: float, words: str, size: float, ink: str = INK, anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" '
        f'fill="{ink}">{_safe(words)}</text>'
    )


def _path(points: Sequence[tuple[float, float]], ink: str, dashes: str = "") -> str:
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="1.3"{dashed}/>'
