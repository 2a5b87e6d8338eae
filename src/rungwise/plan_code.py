"""A plan as a short checked text that fits a QR code; both directions.

No name is in it: a random plan number, what to do and until when, what to mind, and the clinic's
telephone number. The layout stands in docs/plan-code.md with test vectors. Every number of it that
names a family, a notch, a size, a caution or a finding comes from ``data/codes/``, which is only
ever added to, so an old sheet stays readable.

"""

from __future__ import annotations

from datetime import date

from rungwise.code_bytes import (
    NUMBER_END,
    PLAN,
    Codes,
    Source,
    UnreadableError,
    Writer,
    codes_of,
    day_after,
    opened,
    refused,
    sealed,
)
from rungwise.core.terms import LEVELS, SIDES, Dose, Side
from rungwise.home import (
    NUMBER,
    WHY_NOT,
    HomeCaution,
    HomeEntry,
    HomeFinding,
    HomeLine,
    HomeLog,
    HomePlan,
    HomeSession,
    dialled,
    home_plan,
    key_of_plan,
)
from rungwise.log_code import CROCKFORD, check_symbols, number_of, read_log_code, write_log_code

__all__ = [
    "CROCKFORD",
    "DAY_ZERO",
    "NUMBER_END",
    "WHY_NOT",
    "HomeCaution",
    "HomeEntry",
    "HomeFinding",
    "HomeLine",
    "HomeLog",
    "HomePlan",
    "HomeSession",
    "check_symbols",
    "dialled",
    "home_plan",
    "key_of_plan",
    "number_of",
    "read_log_code",
    "read_plan_code",
    "write_log_code",
    "write_plan_code",
]

DAY_ZERO = date(2020, 1, 1)
#: Whom something concerns; the place is the code: the person, or one foot.
FEET: tuple[Side | None, ...] = (None, "right", "left")
#: Parts of a dose by the names of their limits; a dial of minutes stands for the times of one.
DOSE, MINUTES = ("sets", "reps", "hold", "lift", "lower", "rest", "days"), "minutes"
#: Signs of a telephone number in a code.
SIGNS = "0123456789+"


# ------------------------------------------------------------------ plan code


def write_plan_code(plan: HomePlan, joint: str = "first_mtp") -> str:
    """Write a plan as a code.

    Parameters
    ----------
    plan : HomePlan
        What goes home.
    joint : str
        The joint's data folder, for the numbers of families and notches.

    Raises
    ------
    ValueError
        When a part does not fit its place in the code.
    """
    codes = codes_of(joint)
    if len(plan.number) != 8 or len(plan.key) != 16 or len(plan.edition) != 12:
        raise ValueError("number is 8 bytes, key 16 bytes, edition 12 hexadecimal digits")
    if len(plan.language) != 2 or not plan.language.isascii():
        raise ValueError("language is two letters")
    w = Writer()
    w.out += plan.number + plan.key
    w.number(plan.version)
    w.out += plan.language.encode()
    w.out += bytes.fromhex(plan.edition)
    w.number((plan.starts - DAY_ZERO).days)
    w.number((plan.review - plan.starts).days)
    w.number((plan.ends - plan.starts).days)
    w.nibbles((plan.pain_safe, plan.pain_most))
    w.nibbles((FEET.index(plan.first), len(plan.lines)))
    for line in plan.lines:
        w.number(codes.family[line.family])
        w.nibbles(((line.side == "left") | line.both << 1, len(line.sizes)))
        dials = codes.dials[line.family]
        pairs = zip(dials, line.notches, strict=True)
        w.nibbles(codes.notch[line.family, dial][notch] for dial, notch in pairs)
        for name in sorted(line.sizes, key=codes.size.__getitem__):
            w.number(codes.size[name])
            w.number(line.sizes[name])
        d = line.dose
        for value in (d.sets, d.reps, d.hold_s, d.lift_s, d.lower_s, d.rest_s, d.days_per_week):
            if value != int(value):
                raise ValueError("a dose in a code is in whole numbers")
            w.number(int(value))
    _write_told(w, plan, codes)
    try:
        _plan_from(bytes(w.out), codes)
    except UnreadableError as why:
        raise ValueError(f"no reader would take this plan: {why}") from None
    return sealed(PLAN, bytes(w.out))


def _write_told(w: Writer, plan: HomePlan, codes: Codes) -> None:
    """What to mind, what stops a foot, and whom to call."""
    held = ("right" in plan.unfinished) | ("left" in plan.unfinished) << 1
    w.nibbles((held, len(plan.cautions)))
    for caution in plan.cautions:
        w.nibbles((FEET.index(caution.side), codes.caution[caution.kind]))
    w.number(len(plan.findings))
    for finding in plan.findings:
        w.number(codes.finding[finding.item])
        w.nibbles((FEET.index(finding.side), LEVELS.index(finding.level)))
    for number in (plan.phone, plan.emergency):
        if number and not NUMBER.fullmatch(number):
            raise ValueError("a telephone number in a code is 3 to 15 digits, + in front or not")
        w.number(len(number))
        w.nibbles(map(SIGNS.index, number))


def read_plan_code(text: str, joint: str = "first_mtp") -> HomePlan:
    """Read a plan code back.

    Parameters
    ----------
    text : str
        The code; white space in it does not matter.
    joint : str
        The joint's data folder.

    Raises
    ------
    InputError
        When it is foreign, newer, another kind of code, or damaged; says which.
    """
    try:
        return _plan_from(opened(PLAN, "plan", text), codes_of(joint))
    except UnreadableError as why:
        raise refused("plan", text, str(why)) from None


def _plan_from(body: bytes, codes: Codes) -> HomePlan:
    r = Source(body)
    number, key = r.take(8), r.take(16)
    version = codes.within("version", r.number())
    language = r.take(2).decode("ascii", "replace")
    edition = r.take(6).hex()
    starts = day_after(DAY_ZERO, codes.within("starts", r.number()))
    after, length = codes.within("review", r.number()), codes.within("ends", r.number())
    if not min(1, length) <= after <= length + 1:
        raise UnreadableError("its next look is not between its start and its end")
    review, ends = day_after(starts, after), day_after(starts, length)
    safe, most = map(codes.within, ("safe", "most"), r.nibbles(2))
    if safe >= most:
        raise UnreadableError("the pain at which one stops is not above the safe one")
    foot, count = r.nibbles(2)
    codes.within("lines", count)
    if foot > 2:
        raise UnreadableError("it names a foot that there is not")
    first = FEET[foot]
    lines = tuple(_line_from(r, codes) for _ in range(count))
    cautions, findings, unfinished = _told_from(r, codes)
    phone, emergency = _dialled_from(r), _dialled_from(r)
    r.end()
    return HomePlan(
        number,
        key,
        version,
        language,
        edition,
        starts,
        review,
        ends,
        safe,
        most,
        first,
        lines,
        cautions,
        findings,
        unfinished,
        phone,
        emergency,
    )


def _told_from(
    r: Source, codes: Codes
) -> tuple[tuple[HomeCaution, ...], tuple[HomeFinding, ...], tuple[Side, ...]]:
    held, count = r.nibbles(2)
    if held > 3:
        raise UnreadableError("it names a foot that there is not")
    cautions: dict[HomeCaution, None] = {}
    for _ in range(count):
        foot, kind = r.nibbles(2)
        cautions[HomeCaution(codes.caution_of(kind), _foot(foot))] = None
    findings: dict[HomeFinding, None] = {}
    many = r.number()
    for _ in range(many):
        item = codes.finding_of(r.number())
        foot, level = r.nibbles(2)
        if level >= len(LEVELS):
            raise UnreadableError("a finding in it is of no known level")
        findings[HomeFinding(item, LEVELS[level], _foot(foot))] = None
    if len(cautions) != count or len(findings) != many:
        raise UnreadableError("a caution or finding stands in it twice")
    unfinished = tuple(side for bit, side in enumerate(SIDES) if held >> bit & 1)
    return tuple(cautions), tuple(findings), unfinished


def _foot(code: int) -> Side | None:
    if code >= len(FEET):
        raise UnreadableError("it names a foot that there is not")
    return FEET[code]


def _dialled_from(r: Source) -> str:
    signs = r.nibbles(r.number())
    if any(sign >= len(SIGNS) for sign in signs):
        raise UnreadableError("a telephone number in it is none")
    number = "".join(SIGNS[sign] for sign in signs)
    if number and not NUMBER.fullmatch(number):
        raise UnreadableError("a telephone number in it is none")
    return number


def _line_from(r: Source, codes: Codes) -> HomeLine:
    family = codes.family_of(r.number())
    flags, count = r.nibbles(2)
    if flags > 3:
        raise UnreadableError("it names a foot that there is not")
    dials = codes.dials[family]
    found = zip(dials, r.nibbles(len(dials)), strict=True)
    notches = tuple(codes.notch_of(family, dial, code) for dial, code in found)
    sizes = {codes.size_of(r.number()): r.number() for _ in range(count)}
    if len(sizes) != count:
        raise UnreadableError("a size stands in it twice")
    for name, value in sizes.items():
        codes.within(name, value)
    n = [codes.within(name, r.number()) for name in DOSE]
    if not any(n[2:5]) and MINUTES not in dials:
        raise UnreadableError("an exercise in it takes no time")
    dose = Dose(n[0], n[1], float(n[2]), float(n[3]), float(n[4]), float(n[5]), n[6])
    return HomeLine(family, "left" if flags & 1 else "right", bool(flags & 2), notches, sizes, dose)
