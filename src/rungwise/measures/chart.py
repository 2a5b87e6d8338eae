"""A chart of one measure over the course, with the band of its error, as SVG.

The band is what one later reading may differ from the first by error alone. Everything that the
chart says stands in its words too: verdict, values and days, in the title and the description.
"""

from __future__ import annotations

import math
import re
from collections.abc import Callable, Iterator, Sequence
from datetime import date
from xml.sax.saxutils import escape

from rungwise.core.evidence import printed
from rungwise.core.forecast import Forecast
from rungwise.measures.lines import direction, three
from rungwise.measures.report import name_of
from rungwise.measures.values import Changes, Followed, way_words

__all__ = ["change_chart", "change_told", "chart_names"]

INK, GREY, PALE, BAND, AHEAD = "#1a1a1a", "#5c5c5c", "#dcdcdc", "#e4e4e4", "#cfe3f2"
LEFT, TOP, WIDE, HIGH, ROOM = 64.0, 92.0, 480.0, 260.0, 150.0
STEPS = (1, 2, 5, 10)
Point = tuple[float, float]
#: Says an English text of the chart in its language.
Tell = Callable[[str], str]


def chart_names(found: Changes) -> dict[str, Followed]:
    """A file name for each series that was read on two days or more."""
    names: dict[str, Followed] = {}
    for one in (*found.measures, *found.activities):
        if len(one.days) < 2:
            continue
        parts = (one.measure, one.name, one.side, one.method, one.instrument, one.zero)
        stem = "-".join(re.sub(r"[^a-z0-9]+", "_", p.lower()).strip("_") for p in parts if p)
        stem = stem[:100] or "series"
        name, number = f"{stem}.svg", 2
        while name in names:
            name, number = f"{stem}-{number}.svg", number + 1
        names[name] = one
    return names


def change_chart(one: Followed, tell: Tell = str) -> str:
    """Readings day by day, the band of error around the first, the target, what is to come.

    Parameters
    ----------
    one : Followed
        A series of two days at least.
    tell : callable
        Says an English text in the language of the chart; English by default.

    Returns
    -------
    str
        SVG with title and description; shapes and words, never colour alone.
    """
    return _Chart(one, tell).svg()


def change_told(one: Followed, tell: Tell = str) -> str:
    """All that the chart of a series says, in words."""
    return _Chart(one, tell).told()


class _Chart:
    """The place of each value on the sheet, and what is drawn."""

    def __init__(self, one: Followed, tell: Tell) -> None:
        self.one, self.tell = one, tell
        self.fan = one.ahead.fan if isinstance(one.ahead, Forecast) else None
        days = [on for on, _ in one.days]
        self.first, self.last = days[0], days[-1]
        end = self.fan.dates[-1] if self.fan else self.last
        self.end = max(end, one.by) if one.by and one.target is not None else end
        self.limit = one.change.mdc95 if one.change is not None else math.nan
        self.labels: list[tuple[float, str, str]] = []
        values = [value for _, value in one.days]
        if math.isfinite(self.limit):
            values += [values[0] - self.limit, values[0] + self.limit]
        if one.target is not None:
            values.append(one.target)
        if self.fan:
            values += map(self.on_scale, (*self.fan.bands[-1].low, *self.fan.bands[-1].high))
        if max(values) == min(values):
            room = max(1.0, abs(values[0]) / 10)
            values += [values[0] - room, values[0] + room]
        self.step = _step(max(values) - min(values))
        self.low = self.step * math.floor(min(values) / self.step)
        self.high = max(self.step * math.ceil(max(values) / self.step), self.low + self.step)

    def at(self, on: date, value: float) -> Point:
        across = (on - self.first).days / max((self.end - self.first).days, 1)
        up = (value - self.low) / (self.high - self.low)
        return LEFT + across * WIDE, TOP + (1 - up) * HIGH

    def on_scale(self, value: float) -> float:
        """What is to come, no further than can be read."""
        low, high = self.one.ends or (-math.inf, math.inf)
        return min(max(value, low), high)

    def cut(self) -> bool:
        """Whether the fan goes further than can be read."""
        wide = self.fan.bands[-1] if self.fan else None
        return wide is not None and any(self.on_scale(v) != v for v in (*wide.low, *wide.high))

    def svg(self) -> str:
        wide, high = LEFT + WIDE + ROOM, TOP + HIGH + 92
        head = (
            '<svg xmlns="http://www.w3.org/2000/svg" role="img" aria-labelledby="title desc" '
            f'font-family="Noto Sans, sans-serif" viewBox="0 0 {wide:g} {high:g}" '
            f'width="{wide:g}" height="{high:g}">'
        )
        title = self.title()
        return "\n".join(
            (
                head,
                f'<title id="title">{_safe(self.tell(title))}</title>',
                f'<desc id="desc">{_safe(self.told())}</desc>',
                f'<rect width="{wide:g}" height="{high:g}" fill="#ffffff"/>',
                self.text(20, 30, title, 16),
                *(
                    self.text(20, 52 + 16 * n, line, 12, GREY)
                    for n, line in enumerate(self.heads())
                ),
                *self.band(),
                *self.ahead(),
                *self.axes(),
                *self.goal(),
                *self.readings(),
                *self.beside(),
                "</svg>\n",
            )
        )

    def text(
        self, x: float, y: float, words: str, size: float, ink: str = INK, anchor: str = "start"
    ) -> str:
        """Words at a place, in the chart's language."""
        return _text(x, y, self.tell(words), size, ink, anchor)

    def title(self) -> str:
        side = f", {self.one.side} foot" if self.one.side else ""
        return f"{name_of(self.one)}{side}"

    def heads(self) -> Iterator[str]:
        """The verdict, and how it was read."""
        change = self.one.change
        if change is not None:
            where = direction(change, self.one.better)
            moved = f"{round(change.difference, 1):+g}" if change.difference else "no difference"
            yield f"Last against first: {moved}, {change.verdict}{f' ({where})' if where else ''}."
        way = self.tell(way_words(self.one))
        yield way[:1].upper() + way[1:]

    def told(self) -> str:
        """All values in words."""
        one = self.one
        days = "; ".join(f"{on}: {printed(round(value, 1), one.unit)}" for on, value in one.days)
        parts = [*filter(None, self.heads()), f"Readings: {days}."]
        if math.isfinite(self.limit):
            parts.append(f"Grey band: {three(self.limit, one.unit)} around the first reading, ")
            parts[-1] += "within which a later one differs by error alone (95 %)."
        else:
            parts.append("The error of this reading is not known: no band is drawn.")
        if one.target is not None:
            parts.append(f"Target {printed(one.target, one.unit)} by {one.by or 'no day'}.")
        if self.fan:
            wide = self.fan.bands[-1]
            parts.append(
                f"To come on {self.fan.dates[-1]}: {three(self.fan.median[-1], one.unit)}, "
                f"{wide.probability_pct:g} % band {three(wide.low[-1], '1')} to "
                f"{three(wide.high[-1], one.unit)}."
            )
            if self.cut():
                low, high = one.ends or (-math.inf, math.inf)
                ends = f"{printed(low, '1')} to {printed(high, one.unit)}"
                parts.append(f"The band goes beyond {ends}, where every value lies; cut there.")
        return " ".join(map(self.tell, parts))

    def band(self) -> Iterator[str]:
        if not math.isfinite(self.limit):
            self.labels += [(TOP, "error not known:", GREY), (TOP + 1, "no band", GREY)]
            return
        value = self.one.days[0][1]
        (a, top), (b, foot) = (
            self.at(self.first, value + self.limit),
            self.at(self.end, value - self.limit),
        )
        size = f'width="{b - a:.1f}" height="{foot - top:.1f}"'
        yield f'<rect x="{a:.1f}" y="{top:.1f}" {size} fill="{BAND}"/>'
        for y in (top, foot):
            yield _line([(a, y), (b, y)], GREY, 1, "4 3")
            self.labels.append((y, "error of a change", GREY))

    def ahead(self) -> Iterator[str]:
        if self.fan is None:
            return
        for band in reversed(self.fan.bands):
            upper, lower = self.places(band.high), self.places(band.low)
            path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in (*upper, *reversed(lower))) + "Z"
            yield f'<path d="{path}" fill="{AHEAD}" fill-opacity="0.6" stroke="{GREY}"/>'
        yield _line(self.places(self.fan.median), INK, 1.5, "6 4")
        pcts = "/".join(f"{band.probability_pct:g}" for band in self.fan.bands)
        x, y = self.at(self.last, self.low)
        yield self.text(
            x + 4,
            y - 6,
            f"expected: {pcts} %{', cut at the end of the scale' if self.cut() else ''}",
            11,
            GREY,
        )

    def places(self, values: Sequence[float]) -> list[Point]:
        """Where values of the fan lie."""
        dates = self.fan.dates if self.fan else ()
        return [self.at(on, self.on_scale(v)) for on, v in zip(dates, values, strict=True)]

    def beside(self) -> Iterator[str]:
        """The words on the right, one below the other where they would meet."""
        free = -math.inf
        for y, words, ink in sorted(self.labels):
            free = max(y + 4, free + 16)
            yield self.text(LEFT + WIDE + 10, free, words, 12, ink)

    def axes(self) -> Iterator[str]:
        count = round((self.high - self.low) / self.step)
        for n in range(count + 1):
            value = self.low + n * self.step
            (a, y), (b, _) = self.at(self.first, value), self.at(self.end, value)
            yield _line([(a, y), (b, y)], PALE)
            yield self.text(
                LEFT - 8, y + 4, printed(round(value, 6), self.one.unit), 12, GREY, "end"
            )
        foot = TOP + HIGH
        yield _line([(LEFT, foot), (LEFT + WIDE, foot)], INK, 1.2)
        shown = LEFT - 100
        for on in dict.fromkeys((self.first, self.end, *(on for on, _ in self.one.days))):
            x, _ = self.at(on, self.low)
            yield _line([(x, foot), (x, foot + 5)], INK)
            if on == self.end or (x - shown > 84 and LEFT + WIDE - x > 84) or on == self.first:
                yield self.text(x, foot + 20, str(on), 12, GREY, "middle")
                shown = x if on != self.end else shown
        words = "Disc: a day's reading."
        if math.isfinite(self.limit):
            words = (
                "Disc: a day's reading, and its standard error either way. Grey band: a later "
                "one in it differs by error alone (95 %)."
            )
        yield self.text(20, foot + 48, words, 12, GREY)

    def goal(self) -> Iterator[str]:
        if self.one.target is None:
            return
        (a, y), (b, _) = self.at(self.first, self.one.target), self.at(self.end, self.one.target)
        yield _line([(a, y), (b, y)], INK, 1.5, "10 3 2 3")
        self.labels.append((y, f"target {printed(self.one.target, self.one.unit)}", INK))
        if self.one.by is not None:
            self.labels.append((y + 1, f"by {self.one.by}", INK))

    def readings(self) -> Iterator[str]:
        places = [self.at(*day) for day in self.one.days]
        yield _line(places, INK, 1.5)
        sem, shown = self.one.sem, -math.inf
        for (on, value), (x, y) in zip(self.one.days, places, strict=True):
            if sem is not None:
                top, foot = self.at(on, value + sem)[1], self.at(on, value - sem)[1]
                yield _line([(x, top), (x, foot)], INK, 1.2)
                for end in (top, foot):
                    yield _line([(x - 4, end), (x + 4, end)], INK, 1.2)
            yield f'<circle cx="{x:.1f}" cy="{y:.1f}" r="4.5" fill="{INK}"/>'
            if on == self.last or (x - shown > 34 and places[-1][0] - x > 34):
                yield self.text(x + 8, y - 8, f"{round(value, 1):g}", 12)
                shown = x


def _step(span: float) -> float:
    """A round distance of grid lines for a span."""
    size = 10 ** math.floor(math.log10(span)) if span > 0 else 1.0
    return next(size * step / 5 for step in STEPS if span / (size * step / 5) <= 6 or step == 10)


def _safe(words: str) -> str:
    """Words as XML text; what XML cannot hold is left out."""
    return escape("".join(c for c in words if c.isprintable()))


def _text(
    x: float, y: float, words: str, size: float, ink: str = INK, anchor: str = "start"
) -> str:
    return (
        f'<text x="{x:.1f}" y="{y:.1f}" font-size="{size:g}" text-anchor="{anchor}" '
        f'fill="{ink}">{_safe(words)}</text>'
    )


def _line(points: list[Point], ink: str, width: float = 1.0, dashes: str = "") -> str:
    path = "M" + "L".join(f"{x:.1f} {y:.1f}" for x, y in points)
    dashed = f' stroke-dasharray="{dashes}"' if dashes else ""
    return f'<path d="{path}" fill="none" stroke="{ink}" stroke-width="{width:g}"{dashed}/>'
