"""The sheet of a group class: one page, without any patient and without anybody's sizes.

`build_class_sheet` says a class in the words of one language, `to_class_pdf` lays it out on one
page of accessible PDF, `to_class_text` as plain text. A size that must be measured on a person is
never printed: the sheet says "your own cloth", "your own mark".
"""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from functools import lru_cache
from importlib import resources
from typing import Any

from rungwise.core.errors import EvidenceError, Fault, InputError
from rungwise.core.evidence import Evidence
from rungwise.core.group import GroupClass
from rungwise.core.session import kit_of
from rungwise.core.terms import Exercise, Moment
from rungwise.draw import LABELS, draw_pose
from rungwise.handout.fit import PAPERS, Form
from rungwise.handout.page import families, fonts
from rungwise.handout.sheet import Lines
from rungwise.plain import plain
from rungwise.words import Words

__all__ = [
    "ClassPanel",
    "ClassSheet",
    "ClassStep",
    "ClassWords",
    "build_class_sheet",
    "pain_limits",
    "to_class_pdf",
    "to_class_text",
]

#: Sizes of type, the best first [pt]; the first at which all stands on one page is taken.
SIZES = (11.0, 10.5, 10.0, 9.5, 9.0)
#: What the compiler says when the page is full.
FULL = "more than one page"
Block = tuple[str, str]


@dataclass(frozen=True)
class ClassStep:
    """One line of the running order: when it starts, what, how long, each clock as ``min:s``."""

    start: str
    what: str
    time: str
    strong: bool


@dataclass(frozen=True)
class ClassPanel:
    """One exercise of a class.

    Parameters
    ----------
    number : int
        Its number in the running order [1].
    title, setting, dose : str
        Its name, the rung in words, how much.
    lines : tuple of str
        What to do.
    file, svg, alt, caption : str
        The drawing: file name, content, what it shows, which foot is drawn.
    """

    number: int
    title: str
    setting: str
    dose: str
    lines: tuple[str, ...]
    file: str
    svg: str
    alt: str
    caption: str


@dataclass(frozen=True)
class ClassSheet:
    """All that stands on the sheet of a class.

    Parameters
    ----------
    language, direction : str
        For the page and for screen readers.
    title, about : str
        Name of the class; for how many people and how long.
    not_yet, stop, help, cautions, kit : Lines
        Who sits out; when to stop; when to get help; what holds for all; what is needed.
    order_title : str
        Heading of the running order.
    order_heads : tuple of str
        Heads of its columns.
    order : tuple of ClassStep
        The running order.
    panels : tuple of ClassPanel
        The exercises.
    small : str
        What the sheet is and is not.
    footer : tuple of str
        Nothing more: the box for stopping stands on this very page.
    identity, page, edition : str
        On the foot of the page: who must be there; page number; edition of the book.
    """

    language: str
    direction: str
    title: str
    about: str
    not_yet: Lines
    stop: Lines
    help: Lines
    cautions: Lines
    kit: Lines
    order_title: str
    order_heads: tuple[str, ...]
    order: tuple[ClassStep, ...]
    panels: tuple[ClassPanel, ...]
    small: str
    footer: tuple[str, ...]
    identity: str
    page: str
    edition: str


def pain_limits(book: Evidence) -> dict[str, int]:
    """Limits of pain that the lines name: up to where it is fine, from where to stop [1]."""
    most = int(book.value("pain.acceptable_max"))
    return {"safe_max": int(book.value("pain.safe_max")), "stop_from": most + 1}


class ClassWords:
    """A class in the words of one language; sheet and captions say the same.

    Parameters
    ----------
    group : GroupClass
        The class.
    words : Words
        The language.
    book : Evidence
        The evidence book.
    """

    def __init__(self, group: GroupClass, words: Words, book: Evidence) -> None:
        self.group = group
        self.words = words
        self._kits = {b: kit_of(group.lines(*b)[0].fitted.rung, book) for b in group.blocks}

    def not_yet(self) -> tuple[str, ...]:
        """Who must be looked at before."""
        return tuple(self.words.under("class.not_yet").values())

    def title(self, block: Block) -> str:
        """Name of an exercise."""
        return self.words.say(f"exercise.{block[0]}.title")

    def setting(self, block: Block) -> str:
        """The rung in words."""
        rung = self.group.lines(*block)[0].fitted.rung
        return self.words.say("join.comma").join(self.words.of_rung(rung, "names", "name"))

    def next(self, block: Block) -> str:
        """Which exercise comes now."""
        return self.words.say("class.cue.next", exercise=self.title(block), how=self.setting(block))

    def feet(self, block: Block) -> str:
        """Which foot, as words."""
        both = self.group.lines(*block)[0].both
        return self.words.say("feet.both").lower() if both else self.words.say("class.right_left")

    def lines(self, block: Block) -> tuple[str, ...]:
        """What to do, a line for each notch that its words name."""
        exercise, words = self.group.lines(*block)[0], self.words
        place = f"class.exercise.{exercise.family}"
        notches = dict(exercise.fitted.rung.notches)
        return tuple(
            words.say(f"{place}.{line[1:]}.{notches[line[1:]]}") if line.startswith("@") else line
            for line in words.lines(f"{place}.lines")
        )

    def put_away(self, block: Block) -> tuple[str, ...]:
        """What is put away before an exercise, while still in the place of the one before."""
        had, needed = self._had_and_needed(block)
        return self._things("away", had - needed)

    def lay_out(self, block: Block) -> tuple[str, ...]:
        """What is laid out before an exercise."""
        had, needed = self._had_and_needed(block)
        return self._things("fetch", needed - had)

    def _had_and_needed(self, block: Block) -> tuple[frozenset[str], frozenset[str]]:
        index = self.group.blocks.index(block)
        had = self._kits[self.group.blocks[index - 1]] if index else frozenset[str]()
        return had, self._kits[block]

    def _things(self, key: str, changed: frozenset[str]) -> tuple[str, ...]:
        named = [f"class.thing.{thing}" for thing in sorted(changed)]
        things = [self.words.say(name) for name in named if self.words.has(name)]
        if not things:
            return ()
        return (self.words.say(f"class.gap.{key}", things=self.words.listed(things)),)

    def dose(self, block: Block) -> str:
        """How much of it, for one class."""
        exercise, words = self.group.lines(*block)[0], self.words
        dose, each = exercise.dose, "" if exercise.both else "_each"
        held = words.seconds(dose.hold_s)
        up, down = words.seconds(dose.lift_s), words.seconds(dose.lower_s)
        times = (
            words.say(f"dose.sets{each}", sets=dose.sets, reps=dose.reps)
            if dose.sets > 1
            else words.count(f"dose.times{each}", dose.reps)
        )
        values = {
            "times": times,
            "hold": words.say("dose.hold", seconds=held) if dose.hold_s else "",
            "stand": words.say("dose.stand", seconds=held) if dose.hold_s else "",
            "up_down": words.say("dose.up_down", up=up, down=down) if dose.lower_s else "",
            **dict.fromkeys(("rest", "days", "gap", "minutes"), ""),
        }
        lines = words.lines(f"exercise.{exercise.family}.dose", **values)
        return " ".join(line.strip() for line in lines if line.strip())


def build_class_sheet(group: GroupClass, book: Evidence, words: Words) -> ClassSheet:
    """Everything on the sheet of a class, as data.

    Parameters
    ----------
    group : GroupClass
        A class with at least one exercise.
    book : Evidence
        The book that the class was made with.
    words : Words
        The language.

    Raises
    ------
    InputError
        A class without exercises, or of another edition of the book.
    EvidenceError
        When a text is missing.
    """
    if not group.exercises:
        fault = Fault("class", "no exercise", "at least one", "Choose a rung that may be done.")
        raise InputError("class", (fault,))
    if group.edition != book.edition:
        fault = Fault("edition", group.edition, book.edition, "Use the book of the class.")
        raise InputError("class", (fault,))
    told, pain = ClassWords(group, words, book), pain_limits(book)
    people = words.count("class.people", group.people)
    time = words.say("class.time", minutes=words.minutes(group.seconds))
    small = [*words.lines("class.small"), *words.lines("caution.software")]
    if not words.reviewed:
        small.append(words.say("caution.not_reviewed"))
    help_lines = (*words.lines("stop.help_lines"), words.say("stop.help_plain"))
    return ClassSheet(
        language=words.language,
        direction=words.direction,
        title=words.say("class.title"),
        about=f"{people} {time}",
        not_yet=Lines(
            words.say("class.not_yet_first"), words.say("class.not_yet_title"), told.not_yet()
        ),
        stop=Lines("stop", words.say("class.stop_title"), words.lines("stop.lines", **pain)),
        help=Lines("help", words.say("stop.help_title"), help_lines),
        cautions=Lines(
            "cautions", words.say("class.caution_title"), words.lines("class.cautions", **pain)
        ),
        kit=Lines("kit", words.say("class.kit_title"), tuple(_kit(group, words))),
        order_title=words.say("class.order_title"),
        order_heads=tuple(words.say(f"class.order_{head}") for head in ("start", "what", "time")),
        order=tuple(_order(group, told, words)),
        panels=tuple(_panels(group, told, words)),
        small=" ".join(small),
        footer=("",),
        identity=words.say("class.foot"),
        page=words.say("sheet.page", page="⟨page⟩", pages="⟨pages⟩"),
        edition=words.say("sheet.edition", edition=group.edition),
    )


def _kit(group: GroupClass, words: Words) -> Iterator[str]:
    for thing, count in group.kit:
        own = f"class.kit.{thing}"
        named = words.say(own if words.has(own) else f"kit.{thing}")
        yield words.say("class.kit_line", thing=named, n=count)
    yield words.say("class.kit_line", thing=words.say("class.kit.phone"), n=1)


def _order(group: GroupClass, told: ClassWords, words: Words) -> Iterator[ClassStep]:
    """Opening; before each exercise its changes of place and things; the exercise; closing."""
    yield ClassStep(_clock(0), words.say("class.opening"), _clock(group.opening_s), False)
    place = ""
    for number, block in enumerate(group.blocks, 1):
        own = [m for m in group.moments if (m.family, m.place) == block]
        working = [m for m in own if m.kind == "do"]
        first, last = working[0], working[-1]
        gap = _gap_before(group.moments, first)
        texts = [words.say("class.gap.rest")] if any(m.kind == "rest" for m in gap) else []
        texts += told.put_away(block)  # a weight is put down before one stands up
        if block[1] != place:
            texts.append(words.say(f"class.gap.{block[1]}"))
        texts += told.lay_out(block)
        if gap:
            begin = gap[0].start_s
            yield ClassStep(_clock(begin), " ".join(texts), _clock(first.start_s - begin), False)
        feet = told.feet(block)
        what = words.say("class.do", number=number, exercise=told.title(block), feet=feet)
        length = last.start_s + last.seconds - first.start_s
        yield ClassStep(_clock(first.start_s), what, _clock(length), True)
        place = block[1]
    begin = group.seconds - group.closing_s
    yield ClassStep(_clock(begin), words.say("class.closing"), _clock(group.closing_s), False)


def _gap_before(moments: Sequence[Moment], first: Moment) -> list[Moment]:
    """The moments between the exercise before and the first set of this one."""
    index = moments.index(first)
    begin = index
    while begin and moments[begin - 1].kind != "do":
        begin -= 1
    return list(moments[begin:index])


def _clock(seconds: float) -> str:
    minutes, rest = divmod(round(seconds), 60)
    return f"{minutes}:{rest:02d}"


def _panels(group: GroupClass, told: ClassWords, words: Words) -> Iterator[ClassPanel]:
    for number, block in enumerate(group.blocks, 1):
        exercise = group.lines(*block)[0]
        svg, alt = _drawing(exercise, group, words)
        foot = "" if exercise.both else words.say(f"foot.{exercise.side}")
        yield ClassPanel(
            number=number,
            title=told.title(block),
            setting=told.setting(block),
            dose=told.dose(block),
            lines=told.lines(block),
            file=f"{block[0]}_{block[1]}.svg",
            svg=svg,
            alt=alt,
            caption=words.say("class.drawn", foot=foot) if foot else "",
        )


def _drawing(exercise: Exercise, group: GroupClass, words: Words) -> tuple[str, str]:
    """The picture without a letter, too small to be read, and in words without a number."""
    said = {
        **words.under("drawing"),
        **words.under("class.drawing"),
        f"title.{exercise.family}": words.say(f"exercise.{exercise.family}.title"),
    }
    alt = draw_pose(exercise.fitted, group.body, said).alt
    bare = {**said, **dict.fromkeys((k for k in LABELS if not k.startswith("alt.")), "")}
    return draw_pose(exercise.fitted, group.body, bare).svg, alt


# ------------------------------------------------------------------ laid out


def to_class_pdf(sheet: ClassSheet, paper: str, stamp: datetime) -> bytes:
    """Lay the sheet of a class out on one page of accessible PDF.

    Parameters
    ----------
    sheet : ClassSheet
        The sheet.
    paper : {"a4", "us-letter"}
        Paper.
    stamp : datetime
        Time of making written into the file.

    Raises
    ------
    InputError
        Unknown paper; more than one page holds.
    EvidenceError
        When our own words have a letter that our fonts lack.
    """
    if paper not in PAPERS:
        raise InputError("class", (Fault("paper", paper, " | ".join(PAPERS), "Choose one."),))
    import typst

    for size in SIZES:
        form = Form(paper, False, size, size - 2.0, 11.0, 8.0, 15.0)
        files: Any = {**_templates(), **_files(sheet, form)}
        try:
            made = typst.compile(
                files,  # its type hints know a single file only
                font_paths=fonts(),
                format="pdf",
                pdf_standards="ua-1",
                timestamp=stamp,
            )
        except typst.TypstError as error:
            if FULL in error.diagnostic or FULL in str(error):
                continue
            said = error.diagnostic.strip()
            raise EvidenceError(f"the sheet of the class cannot be laid out: {said}") from None
        return bytes(made)
    fault = Fault("class", FULL, "one page", "Leave an exercise out.")
    raise InputError("class", (fault,))


def _files(sheet: ClassSheet, form: Form) -> dict[str, bytes]:
    data: dict[str, Any] = plain(sheet)
    found = {panel.file: panel.svg.encode() for panel in sheet.panels}
    for panel in data["panels"]:
        del panel["svg"]
    foot = {name: data.pop(name) for name in ("footer", "identity", "page", "edition")}
    data["form"] = {
        **plain(form),
        "language": sheet.language,
        "direction": sheet.direction,
        "arabic": "Noto Sans Arabic" in families(),
    }
    return {
        **found,
        "data.json": json.dumps(data).encode(),
        "foot.json": json.dumps(foot).encode(),
    }


@lru_cache
def _templates() -> Mapping[str, bytes]:
    folder = resources.files("rungwise") / "data"
    return {
        "main.typ": (folder / "class.typ").read_bytes(),
        "sheet.typ": (folder / "sheet.typ").read_bytes(),
    }


def to_class_text(sheet: ClassSheet) -> str:
    """The whole sheet as plain text; lines that begin with ``#`` are headings.

    Parameters
    ----------
    sheet : ClassSheet
        The sheet.
    """
    lines = [f"# {sheet.title}", sheet.about]
    for part in (sheet.not_yet, sheet.stop, sheet.help, sheet.cautions, sheet.kit):
        lines += ["", f"# {part.heading}"]
        lines += [part.kind] if part is sheet.not_yet else []
        lines += [f"- {line}" for line in part.lines]
    lines += ["", f"# {sheet.order_title}"]
    lines += [f"{step.start}  {step.what} ({step.time})" for step in sheet.order]
    for panel in sheet.panels:
        lines += ["", f"# {panel.number}. {panel.title}", panel.setting, panel.dose]
        lines += [f"- {line}" for line in panel.lines]
    return "\n".join((*lines, "", sheet.small, sheet.edition)) + "\n"
