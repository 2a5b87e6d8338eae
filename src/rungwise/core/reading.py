"""How hard a text is to read: sentences, words, syllables, and the grades made from them.

What is counted, and how:

* A line end ends a sentence; so do ``.``, ``!`` and ``?`` before a space or an end. A known
  abbreviation and a decimal point do not.
* A line that begins with ``#`` is a heading and is never scored. Bullets are no words.
* A number is read out (``25`` is "twenty-five", one word of three syllables), and so is a unit
  after a number (``5 cm`` is "five centimetres"). Signs between numbers are read out too.
* Parts of a word joined by a hyphen are one word.
* Syllables follow a rule and a list of exceptions. Where two counts are heard, the larger counts.

The formulas were made for English; no score is given for another language.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass

__all__ = [
    "Grades",
    "ReadingScore",
    "count_syllables",
    "grades",
    "score",
    "split_sentences",
    "split_words",
]

#: Below this many sentences the grades jump with each word.
SHORT_BELOW_SENTENCES = 10
#: Words of this many syllables and more count as long in SMOG.
LONG_WORD_SYLLABLES = 3

ABBREVIATIONS = frozenset(
    "approx. e.g. i.e. etc. vs. dr. mr. mrs. ms. st. no. fig. max. min. jr. sr. prof. dept.".split()
)
UNITS = {
    "mm": "millimetres",
    "cm": "centimetres",
    "m": "metres",
    "km": "kilometres",
    "kg": "kilograms",
    "g": "grams",
    "lb": "pounds",
    "n": "newtons",
    "s": "seconds",
    "min": "minutes",
    "h": "hours",
}
SIGNS = {"%": "percent", "°": "degrees", "×": "times", "=": "is", "+": "plus", "≥": "at least"}
ONES = (
    "zero one two three four five six seven eight nine ten eleven twelve thirteen fourteen "
    "fifteen sixteen seventeen eighteen nineteen"
).split()
TENS = "zero ten twenty thirty forty fifty sixty seventy eighty ninety".split()

_BULLET = re.compile(r"^[\s•·▪*–-]+(?=\s|\w)")
_LETTERS = r"[^\W\d_]+(?:['’][^\W\d_]+)*"
_WORD = re.compile(rf"{_LETTERS}(?:-{_LETTERS})*|\d+(?:[.,]\d+)*|[%°×=+≥/]")
_VOWELS = re.compile("[aeiouy]+")


@dataclass(frozen=True)
class Grades:
    """School grades of a text.

    Parameters
    ----------
    flesch_kincaid : float
        School grade [1]; may be negative for very short lines.
    flesch_ease : float
        Reading ease, higher = easier [1].
    smog : float
        School grade by the share of long words [1].
    """

    flesch_kincaid: float
    flesch_ease: float
    smog: float


@dataclass(frozen=True)
class ReadingScore:
    """What was counted in a text, and its grades; NaN when there is no word.

    Parameters
    ----------
    sentences, words, syllables, polysyllables : int
        Counts; ``polysyllables`` are words of three syllables and more [1].
    flesch_kincaid, flesch_ease, smog : float
        As in :class:`Grades` [1].
    longest_sentence : int
        Words in the longest sentence [1].
    short : bool
        Whether the text is too short for the grades to be steady.
    """

    sentences: int
    words: int
    syllables: int
    polysyllables: int
    flesch_kincaid: float
    flesch_ease: float
    smog: float
    longest_sentence: int
    short: bool

    @property
    def grade(self) -> str:
        """The Flesch–Kincaid grade as a page shows it; no grade below the first is printed."""
        if math.isnan(self.flesch_kincaid):
            return "no text"
        return "below 1" if self.flesch_kincaid < 1.0 else f"{self.flesch_kincaid:.1f}"


def grades(words: int, sentences: int, syllables: int, polysyllables: int) -> Grades:
    """School grades from counts.

    Parameters
    ----------
    words, sentences : int
        Counts, > 0 [1].
    syllables, polysyllables : int
        Counts [1].

    Notes
    -----
    FK = 0.39 W/S + 11.8 Y/W - 15.59;  ease = 206.835 - 1.015 W/S - 84.6 Y/W;
    SMOG = 1.0430 √(30 P/S) + 3.1291, W words, S sentences, Y syllables, P long words.
    One table in print swaps the two ratios of the first; it is wrong.

    Sources
    -------
    clin_s40, clin_s40c; std_31 (ease).

    Examples
    --------
    >>> round(grades(100, 10, 130, 4).flesch_kincaid, 2)
    3.65
    """
    per_sentence = words / sentences
    per_word = syllables / words
    return Grades(
        flesch_kincaid=0.39 * per_sentence + 11.8 * per_word - 15.59,
        flesch_ease=206.835 - 1.015 * per_sentence - 84.6 * per_word,
        smog=1.0430 * math.sqrt(polysyllables * 30.0 / sentences) + 3.1291,
    )


def score(text: str, exceptions: Mapping[str, int] | None = None) -> ReadingScore:
    """How hard a text is to read.

    Parameters
    ----------
    text : str
        English text, one sentence or list item a line or more.
    exceptions : mapping of str to int, optional
        Word in lower case -> syllables, for words that the rule gets wrong.

    Examples
    --------
    >>> score("Sit on a chair. Press the toe down.").longest_sentence
    4
    """
    known = exceptions or {}
    parts = [split_words(sentence) for sentence in split_sentences(text)]
    parts = [words for words in parts if words]
    counts = [count_syllables(word, known) for words in parts for word in words]
    if not counts:
        return ReadingScore(0, 0, 0, 0, math.nan, math.nan, math.nan, 0, True)
    long_words = sum(count >= LONG_WORD_SYLLABLES for count in counts)
    found = grades(len(counts), len(parts), sum(counts), long_words)
    return ReadingScore(
        sentences=len(parts),
        words=len(counts),
        syllables=sum(counts),
        polysyllables=long_words,
        flesch_kincaid=found.flesch_kincaid,
        flesch_ease=found.flesch_ease,
        smog=found.smog,
        longest_sentence=max(len(words) for words in parts),
        short=len(parts) < SHORT_BELOW_SENTENCES,
    )


def split_sentences(text: str) -> tuple[str, ...]:
    r"""The sentences of a text, headings left out.

    Examples
    --------
    >>> split_sentences("# Stop\n- Pain, e.g. sharp.\n- It locks. Call us!")
    ('Pain, e.g. sharp.', 'It locks.', 'Call us!')
    """
    found = []
    for line in text.splitlines():
        if line.lstrip().startswith("#"):
            continue
        sentence: list[str] = []
        for token in _BULLET.sub("", line).split():
            sentence.append(token)
            bare = token.rstrip("\"'”’)»")
            if bare.endswith((".", "!", "?", "…")) and bare.lower() not in ABBREVIATIONS:
                found.append(" ".join(sentence))
                sentence = []
        if sentence:
            found.append(" ".join(sentence))
    return tuple(found)


def split_words(sentence: str) -> tuple[str, ...]:
    """The words of a sentence as they are read out, in lower case.

    Examples
    --------
    >>> split_words("25 times, 3.5 cm")
    ('twenty-five', 'times', 'three', 'point', 'five', 'centimetres')
    """
    words: list[str] = []
    after_number = False
    for token in _WORD.findall(sentence):
        small = token.lower().replace("’", "'")
        if token[0].isdigit():
            words += _read_number(token)
            after_number = True
            continue
        if small == "/":
            words += ["over"] if after_number else []
        elif small in SIGNS:
            words += SIGNS[small].split()
        elif after_number and small in UNITS:
            words.append(UNITS[small])
        else:
            words.append(small)
        after_number = after_number and small in "/("
    return tuple(words)


def _read_number(token: str) -> list[str]:
    """A number in words; figures after a decimal mark and numbers of seven figures one by one."""
    whole, *decimals = re.split(r"[.,]", token)
    if decimals and all(len(group) == len("000") for group in decimals) and "," in token:
        whole, decimals = whole + "".join(decimals), []
    spoken = [ONES[int(d)] for d in whole] if len(whole) > len("000000") else _whole(int(whole))
    for group in decimals:
        spoken += ["point", *(ONES[int(d)] for d in group)]
    return spoken


def _whole(number: int) -> list[str]:
    thousands, rest = divmod(number, 1000)
    hundreds, small = divmod(rest, 100)
    words = [*_whole(thousands), "thousand"] if thousands else []
    if hundreds:
        words += [ONES[hundreds], "hundred"]
    if small >= len(ONES):
        tens, ones = divmod(small, 10)
        words.append(TENS[tens] + (f"-{ONES[ones]}" if ones else ""))
    elif small or not words:
        words.append(ONES[small])
    return words


def count_syllables(word: str, exceptions: Mapping[str, int] | None = None) -> int:
    """Syllables of one English word, by the list of exceptions or else by rule.

    Parameters
    ----------
    word : str
        One word; parts joined by a hyphen are added up.
    exceptions : mapping of str to int, optional
        Word in lower case -> syllables.

    Examples
    --------
    >>> [count_syllables(word) for word in ("toe", "table", "lifted", "careful", "easier")]
    [1, 2, 2, 2, 3]
    """
    known = exceptions or {}
    whole = word.lower().replace("’", "'")
    if whole in known:
        return known[whole]
    return sum(_part(part, known) for part in whole.split("-") if part)


def _part(word: str, known: Mapping[str, int]) -> int:
    if word in known:
        return known[word]
    if word.endswith("n't"):
        verb = word.removesuffix("n't")
        return _part(verb, known) + (1 if verb.endswith(("d", "s")) else 0)
    stem = re.sub("'s?$", "", word)
    if stem.endswith("s") and stem[:-1] in known:
        return known[stem[:-1]] + (1 if _HISSING_PLURAL.search(stem) else 0)
    return known.get(stem, _rule(re.sub("'(ll|ve|re|d|m)$", "", stem)))


_HISSING_PLURAL = re.compile("(ce|ge|se|ze|x|s|z|ch|sh)e?s$")

#: What a word has more or less than its groups of vowels.
_MORE_OR_LESS = (
    # silent e: take, takes, lifted no, moved; but table, tables, handled keep theirs
    (re.compile(r"(?<![aeiouy])(?<![^aeiouyrl]l)e$"), -1),
    (re.compile(r"(?<![aeiouyscxzgh])(?<![^aeiouyrl]l)es$|(?<=[^cs]h)es$"), -1),
    (re.compile(r"(?<![aeiouytd])(?<![^aeiouylrw]l)ed$"), -1),
    # silent e before an ending: careful, movement, likely, something, barefoot
    (re.compile(r"(?<=[aeiouy][^aeiouyl])e(?=(ly|ty|ments?|ful|fully|less|ness)$)"), -1),
    # silent e inside a compound
    (re.compile(r"(?<=[aeiouy][^aeiouy])e(?=(foot|some|things?|times?|where|work|fore)$)"), -1),
    # two vowels heard apart: radio, being, easier, usual, video
    (
        re.compile(
            r"(?<![tscgxaeou])(?<!sh)i[aou]|[aeiouy]ing(s|ly)?$|i(er|est|ers)$|(?<![qg])ua|eo$"
        ),
        1,
    ),
    # spasm
    (re.compile(r"sms?$"), 1),
)


def _rule(word: str) -> int:
    count = len(_VOWELS.findall(word))
    for pattern, change in _MORE_OR_LESS:
        count += change * len(pattern.findall(word))
    return max(count, 1)
