"""The evidence book as pages show it: every entry of every part, with what it rests on."""

from __future__ import annotations

import re
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass

from rungwise.casebook_book import OwnValues, can_set, named_in, the_book, used_by
from rungwise.core.evidence import Condition, Evidence, Norm, printed
from rungwise.tongue import ENGLISH, Told
from rungwise.web.book_entry import Entry, cited, facts, rests, source_words, span, worded
from rungwise.web.book_exercises import band_entry, dials, doses
from rungwise.web.words import Say

__all__ = ["PARTS", "Entry", "Group", "entries_of", "grouped"]

#: Parts of the book, in the order in which they are shown.
PARTS = (
    "row",
    "dose",
    "dial",
    "grade",
    "norm",
    "range",
    "item",
    "score",
    "rule",
    "source",
)
_WORD = re.compile(r"[^a-z0-9]+")
#: The fixed parts by edition and language; few are alive at once.
KEPT_MAX = 8
_kept: dict[tuple[str, str], tuple[Entry, ...]] = {}


@dataclass(frozen=True)
class Group:
    """The entries of one group of a part.

    Parameters
    ----------
    part, key, anchor, title : str
        Part, name, place on the page, and heading.
    entries : tuple of Entry
        Its entries.
    """

    part: str
    key: str
    anchor: str
    title: str
    entries: tuple[Entry, ...]


def entries_of(book: Evidence, say: Say, own: OwnValues) -> tuple[Entry, ...]:
    """Every entry of the book, part by part.

    Parameters
    ----------
    book : Evidence
        The book with the clinic's own values.
    say : Say
        The words of the therapist's language.
    own : OwnValues
        The clinic's own values.
    """
    key = book.edition, say.language
    if key not in _kept:
        if len(_kept) >= KEPT_MAX:
            _kept.clear()
        _kept[key] = tuple(_fixed(book, say))
    return (*_rows(book, say, own), *_kept[key])


def grouped(entries: Iterable[Entry], say: Say) -> tuple[Group, ...]:
    """Entries by part and group, in their order."""
    found: dict[tuple[str, str], list[Entry]] = {}
    for one in entries:
        found.setdefault((one.part, one.group), []).append(one)
    return tuple(
        Group(part, key, f"{part}-{_WORD.sub('-', key.lower())}", _title(say, part, key), tuple(of))
        for (part, key), of in found.items()
    )


def _title(say: Say, part: str, key: str) -> str:
    if part in ("dose", "dial"):
        return say.name("family", key)
    if part == "norm":
        return say.name("measure", key)
    if part == "item":
        return say.name("level", key)
    return say.name("book_group", key)


def _fixed(book: Evidence, say: Say) -> Iterator[Entry]:
    """The parts that need no look at the clinic's own values."""
    yield from doses(book, say)
    yield from dials(book, say)
    yield from (band_entry(book, say, band) for band in book.bands)
    yield from (_norm(book, say, norm) for norm in book.norms)
    yield from _ranges(book, say)
    yield from _items(book, say)
    yield from _scores(book, say)
    yield from _rules(book, say)
    yield from _sources(book, say)


# ------------------------------------------------------------------ the parts


def _rows(book: Evidence, say: Say, own: OwnValues) -> Iterator[Entry]:
    for row in book.rows.values():
        yield Entry(
            "row",
            row.key.partition(".")[0],
            row.key,
            say.told(row.applies_to),
            printed(row.value, row.unit),
            span(row.low, row.high, row.unit),
            rests(say, row.basis, row.use),
            cited(book, row.source, row.where),
            facts(say, note=row.note),
            used_by(row.key),
            f"/book/row/{row.key}",
            own.of(row.key),
            printed(the_book().rows[row.key].value, row.unit),
            can_set(book, row.key),
        )


def _norm(book: Evidence, say: Say, norm: Norm) -> Entry:
    of = say.name("sex", norm.sex) if norm.sex else say("book.all")
    how = norm.condition.replace("_", " ")
    title = say("book.norm_of", sex=of, a=norm.age_from, b=norm.age_to)
    value = ""
    if norm.mean is not None:
        value = say("book.mean", mean=printed(norm.mean, norm.unit))
        if norm.sd is not None:
            value += f"; {say('book.sd', sd=printed(norm.sd, norm.unit))}"
    basis = rests(say, norm.basis, "describe")
    if norm.sd_basis and norm.sd_basis != norm.basis:
        basis += f"; {say('book.sd_basis', basis=say.name('basis', norm.sd_basis))}"
    sex = norm.sex or "all"
    return Entry(
        "norm",
        norm.measure,
        f"norm.{norm.measure}.{norm.condition or 'usual'}.{sex}.{norm.age_from}",
        worded(say, f"{title}, {how}" if how else title),
        value=value or span(norm.cut, norm.top, norm.unit),
        span=span(norm.cut, norm.top, norm.unit) if value else "",
        rests=basis,
        source=cited(book, norm.source, norm.where),
        facts=facts(say, note=norm.note),
        uses=("norms.beside_norm",),
    )


def _ranges(book: Evidence, say: Say) -> Iterator[Entry]:
    for spec in book.measures.values():
        words = [say.name("choice", one) for one in spec.choices]
        ways = (*spec.methods, *spec.instruments, *spec.zeros)
        yield Entry(
            "range",
            f"of_{spec.per}",
            spec.key,
            worded(say, say.name("measure", spec.key)),
            value=span(spec.low, spec.high, spec.unit) or ", ".join(words) or say("book.yesno"),
            rests=rests(say, spec.basis),
            source=cited(book, spec.source),
            facts=facts(say, help=spec.help, ways=", ".join(say.name("way", one) for one in ways)),
            uses=("exam_file", *_asked_by(book, spec.key)),
        )


def _asked_by(book: Evidence, measure: str) -> Iterator[str]:
    """Exercises of which a condition asks for a measure."""

    def asks(found: Condition | None) -> bool:
        return found is not None and (found.measure == measure or asks(found.instead))

    for family in book.families.values():
        notches = [notch for dial in family.dials for notch in dial.notches]
        gates = [c for notch in notches for c in (*notch.start_if, *notch.allow_if)]
        if any(asks(c) for c in (*family.allow_if, *gates)):
            yield f"exercise {family.key}"


def _items(book: Evidence, say: Say) -> Iterator[Entry]:
    for item in book.items.values():
        yield Entry(
            "item",
            item.level,
            f"item.{item.key}",
            worded(say, f"{item.code} {say.name('item', item.key)}"),
            rests=rests(say, item.basis, "restrict"),
            source=cited(book, item.source, item.where),
            facts=facts(
                say,
                ask=item.ask,
                counts=item.positive,
                does=item.do,
                forbids=", ".join(sorted(item.forbids)),
            ),
            uses=("screen.screen",),
        )


def _scores(book: Evidence, say: Say) -> Iterator[Entry]:
    for item in book.score_items:
        yield Entry(
            "score",
            item.score,
            f"score.{item.score}.{item.key}",
            say.told(item.words),
            value=say("book.points", n=f"{item.points:g}"),
            rests=rests(say, item.basis, "describe"),
            source=cited(book, item.source),
            uses=("scores.score",),
        )


def _rules(book: Evidence, say: Say) -> Iterator[Entry]:
    for rule in book.rules.values():
        rows = [f"{key} {book.rows[key]}" for key in rule.keys if key in book.rows]
        yield Entry(
            "rule",
            rule.key.partition(".")[0],
            f"rule.{rule.key}",
            say.told(rule.says),
            value=say("book.version", n=rule.version),
            rests=rests(say, rule.basis),
            source=cited(book, rule.source),
            facts=facts(say, rests_on="; ".join(rows)),
            uses=used_by(rule.key),
        )


def _sources(book: Evidence, say: Say) -> Iterator[Entry]:
    uses = _using(book)
    for source in book.sources.values():
        kind = source.key.partition("_")[0]
        yield Entry(
            "source",
            kind if kind in ("clin", "mech", "std") else "other",
            source.key,
            Told(source_words(source), ENGLISH),
            facts=facts(say, read=source.read_how),
            uses=uses.get(source.key) or named_in(source.key),
        )


def _using(book: Evidence) -> Mapping[str, tuple[str, ...]]:
    """What rests on each source."""
    found: dict[str, list[str]] = {}
    pairs = [
        *((row.source, f"row {row.key}") for row in book.rows.values()),
        *((rule.source, f"rule {rule.key}") for rule in book.rules.values()),
        *((m.source, f"measure {m.key}") for m in book.measures.values()),
        *((norm.source, f"norm {norm.measure}") for norm in book.norms),
        *((item.source, f"item {item.code}") for item in book.items.values()),
        *((one.source, f"score {one.score}") for one in book.score_items),
        *((band.source, f"grade {band.grade}") for band in book.bands),
        *((key, f"exercise {f.key}") for f in book.families.values() for key in f.sources),
        *((d.source, f"dose {d.key}") for f in book.families.values() for d in f.doses),
    ]
    for source, use in pairs:
        found.setdefault(source, []).append(use)
    return {key: tuple(dict.fromkeys(uses)) for key, uses in found.items()}
