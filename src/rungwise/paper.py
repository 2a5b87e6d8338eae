"""Days typed from the paper diary: entries of one day, rows of a week as printed, or a table."""

from __future__ import annotations

import csv
import io
import re
from collections.abc import Collection, Iterable, Mapping, Sequence
from datetime import date, timedelta
from difflib import get_close_matches
from typing import cast

from rungwise.core.errors import Fault, InputError
from rungwise.core.terms import SIDES, Side
from rungwise.home import WHY_NOT, HomeEntry, HomeLine, HomePlan, HomeSession

__all__ = ["line_names", "plan_on", "read_entries", "read_grid", "read_sheet", "read_week"]

DONE = ("all", "part", "none")
COLUMNS = ("day", "line", "done", "why_not", "during", "morning", "sharp", "sign", "sets")
YES = ("yes", "x", "1")
ENTRY = re.compile(
    r"(?P<line>[a-z_.\d]+)=(?P<done>[a-z]+)(:(?P<why>[a-z_]+))?(?P<pains>(/\d*){0,2})"
    r"(?P<more>([+!](sharp|sign|\d+sets?))*)"
)
MORNING = re.compile(r"(morning\.)?(?P<foot>right|left|r|l)=(?P<value>.*)")
ISO_DAY = re.compile(r"\d{4}-\d\d-\d\d")
#: A box of the printed diary: empty, or p where it is not ticked, then the pain (t is 10, x none).
BOX = re.compile(r"(?P<part>p?)(?P<pain>[0-9tx])|[.-]")
#: An empty box.
EMPTY = ("", ".", "-")
#: Days of a printed week [d].
WEEK = 7
Row = Mapping[str, str]


def plan_on(day: date, plans: Sequence[HomePlan]) -> HomePlan:
    """The version that was to be followed on a day: the newest that holds it, else the newest.

    Parameters
    ----------
    day : date
        The day.
    plans : sequence of HomePlan
        Versions of one plan, the newest first.
    """
    return next((plan for plan in plans if plan.starts <= day <= plan.ends), plans[0])


def line_names(plan: HomePlan) -> tuple[str, ...]:
    """A name for each line: the family, and the foot where the family has more than one line."""
    families = [line.family for line in plan.lines]
    return tuple(
        line.family if families.count(line.family) == 1 else f"{line.family}.{_foot_of(line)}"
        for line in plan.lines
    )


def _foot_of(line: HomeLine) -> str:
    return "both" if line.both else line.side


def read_entries(texts: Iterable[str], on: date, *plans: HomePlan) -> HomeSession:
    """Read one day: ``LINE=DONE[:WHY][/DURING[/MORNING]][+sharp][+sign][+2sets]``.

    Parameters
    ----------
    texts : iterable of str
        One for each exercise, such as ``1=all/3/2``; a line is its number in the printed diary or
        its name (``walking``, ``toe_press.left``). ``morning.left=3`` is the pain of a foot on the
        next morning.
    on : date
        The day.
    *plans : HomePlan
        Versions of the plan, the newest first.

    Raises
    ------
    InputError
        Names every entry that cannot be read.
    """
    rows: list[Row] = []
    faults: list[Fault] = []
    for number, text in enumerate(texts, 1):
        where = {"where": f"row {number}", "day": on.isoformat()}
        if morning := MORNING.fullmatch(text.strip()):
            foot = f"morning.{morning['foot']}"
            rows.append({**where, "line": foot, "morning": morning["value"]})
            continue
        match = ENTRY.fullmatch(text.strip())
        if match is None:
            allowed = "LINE=all|part|none[:WHY][/PAIN DURING[/PAIN NEXT MORNING]]"
            faults.append(Fault("entry", repr(text[:40]), allowed, "Such as 1=all/3/2."))
            continue
        pains = [*match["pains"].split("/")[1:], "", ""]
        more = re.split(r"[+!]", match["more"])[1:]
        rows.append(
            {
                **where,
                "line": match["line"],
                "done": match["done"],
                "why_not": match["why"] or "",
                "during": pains[0],
                "morning": pains[1],
                "sharp": "yes" * ("sharp" in more),
                "sign": "yes" * ("sign" in more),
                "sets": next((m.removesuffix("s")[:-3] for m in more if m[0].isdigit()), ""),
            }
        )
    sessions = _sessions(rows, plans, faults)
    return sessions[0] if sessions else HomeSession(on, ())


def read_week(
    texts: Iterable[str], week: int | date, *plans: HomePlan
) -> tuple[int, tuple[HomeSession, ...]]:
    """Read rows of the printed diary from left to right, one letter or two for each day.

    Parameters
    ----------
    texts : iterable of str
        ``LINE=BOXES`` with seven boxes a week, further weeks behind a comma: ``.`` empty, ``2``
        ticked with pain 2, ``t`` pain 10, ``x`` ticked without a pain, ``p`` in front of a box
        that is not ticked (``p6``). ``right=`` and ``left=`` are the rows of the next mornings.
    week : int or date
        Number of the first week on the newest sheet, 1 = first; or the day with which it begins.
    *plans : HomePlan
        Versions of the plan, the newest first.

    Returns
    -------
    int
        Version of the plan whose sheet it is.
    tuple of HomeSession
        Days with something in a box.

    Raises
    ------
    InputError
        Names every row that cannot be read, and why.
    """
    plan, first = _week_of(week, plans)
    rows: list[Row] = []
    faults: list[Fault] = []
    for text in texts:
        name, _, boxes = text.strip().partition("=")
        morning = MORNING.fullmatch(text.strip())
        line = f"morning.{morning['foot']}" if morning else name
        day = first
        for part in boxes.split(","):
            days = max(0, min(WEEK, (plan.ends - day).days + 1))
            found = _boxes(part, days, name, faults)
            for i, box in enumerate(found):
                if box["pain"]:
                    where = {"where": name, "day": (day + timedelta(days=i)).isoformat()}
                    rows.append({**where, "line": line, **_told(box, morning is not None)})
            day += timedelta(days=WEEK)
    return plan.version, _sessions(rows, (plan,), faults)


def _week_of(week: int | date, plans: Sequence[HomePlan]) -> tuple[HomePlan, date]:
    if isinstance(week, date):
        for plan in plans:
            if plan.starts <= week <= plan.ends and (week - plan.starts).days % WEEK == 0:
                return plan, week
        allowed = ", ".join(str(d) for plan in plans for d in _weeks(plan))
    else:
        begins = _weeks(plans[0])
        if 1 <= week <= len(begins):
            return plans[0], begins[week - 1]
        allowed = f"1 to {len(begins)}"
    fault = Fault("week", str(week), allowed, "Name a week of the printed diary.")
    raise InputError("diary", (fault,))


def _weeks(plan: HomePlan) -> list[date]:
    count = (plan.ends - plan.starts).days // WEEK + 1
    return [plan.starts + timedelta(days=WEEK * i) for i in range(count)]


def _boxes(text: str, days: int, name: str, faults: list[Fault]) -> list[re.Match[str]]:
    """The boxes of one week; as many as it has days, so that none slips to another day."""
    found = [*BOX.finditer(text)]
    if "".join(box[0] for box in found) != text:
        allowed = ". for empty, 0 to 9, t for 10, x for no pain, p in front for not ticked"
        faults.append(Fault(name, repr(text[:40]), allowed, "Such as 1=2..2.p6."))
        return []
    if len(found) != days:
        remedy = "Write . for an empty one and t for pain 10; a comma before the next week."
        faults.append(Fault(name, f"{len(found)} boxes", f"{days} boxes", remedy))
        return []
    return found


def read_sheet(
    boxes: Mapping[tuple[str, date], str],
    plan: HomePlan,
    sharp: Collection[tuple[str, date]] = (),
    signs: Collection[date] = (),
) -> tuple[HomeSession, ...]:
    """Read boxes of the printed diary one by one, each as in :func:`read_week`.

    Parameters
    ----------
    boxes : mapping of (str, date) to str
        Text of each box by its row (number of a line, ``right`` or ``left`` for the next
        morning) and day; what is empty stays out.
    plan : HomePlan
        Version of the plan whose sheet it is.
    sharp : collection of (str, date)
        Boxes with a sharp pain or locking; one with nothing else in it counts as not done.
    signs : collection of date
        Days with a new warning sign; it is told with every exercise of the day.

    Returns
    -------
    tuple of HomeSession
        Days with something in a box.

    Raises
    ------
    InputError
        Names every box that cannot be read by its row and day, such as ``1.2026-03-05``.
    """
    rows: list[Row] = []
    faults: list[Fault] = []
    told = {key for key, text in boxes.items() if text.strip() not in EMPTY}
    seen = {day for row, day in (*told, *sharp) if row not in SIDES}
    told |= {*sharp, *(("1", day) for day in signs if day not in seen)}
    for row, day in sorted(told, key=lambda key: (key[1], key[0])):
        text, where = boxes.get((row, day), "").strip().lower(), f"{row}.{day}"
        box = BOX.fullmatch(text) if text not in EMPTY else None
        if box is None and text not in EMPTY:
            allowed = "0 to 9, t for 10, x for no pain told, p in front for not ticked"
            faults.append(Fault(where, repr(text[:40]), allowed, "Leave it empty if it is."))
            continue
        cells = {"where": where, "day": day.isoformat()}
        if row in SIDES:
            rows.append({**cells, "line": f"morning.{row}", **(_told(box, True) if box else {})})
            continue
        marks = {"sharp": "yes" * ((row, day) in sharp), "sign": "yes" * (day in signs)}
        done = _told(box, False) if box else {"done": "none"}
        rows.append({**cells, "line": row, **done, **marks})
    return _sessions(rows, (plan,), faults)


def _told(box: re.Match[str], morning: bool) -> Row:
    pain = {"t": "10", "x": ""}.get(box["pain"], box["pain"])
    if morning:
        return {"morning": pain}
    return {"done": "part" if box["part"] else "all", "during": pain}


def read_grid(text: str, *plans: HomePlan) -> tuple[HomeSession, ...]:
    """Read days from CSV, with ``,`` or ``;``: day, line, done, and what of the rest was told.

    Parameters
    ----------
    text : str
        First line: the names of the columns, of why_not, during, morning, sharp, sign and sets
        those that are used; an empty cell is not asked.
    *plans : HomePlan
        Versions of the plan, the newest first.

    Raises
    ------
    InputError
        Names every fault by its row.
    """
    bare = text.removeprefix("\ufeff")
    head = bare.partition("\n")[0]
    between = ";" if head.count(";") > head.count(",") else ","
    try:
        reader = csv.DictReader(io.StringIO(bare), delimiter=between)
        header = tuple(name.strip() for name in reader.fieldnames or ())
        reader.fieldnames = list(header)
        given = [*reader]
    except csv.Error as error:
        fault = Fault("table", str(error), "comma-separated values", "Save it as CSV.")
        raise InputError("diary", (fault,)) from None
    if not {"day", "line", "done"} <= set(header) <= set(COLUMNS):
        allowed = ", ".join(COLUMNS)
        fault = Fault(
            "header", ", ".join(header)[:200] or "nothing", allowed, "Name the columns so."
        )
        raise InputError("diary", (fault,))
    rows: list[Row] = []
    faults: list[Fault] = []
    for number, row in enumerate(given, 1):
        over = cast("dict[str | None, list[str]]", row).pop(None, [])
        if any(value.strip() for value in over):
            told, allowed = ", ".join(over)[:80], f"{len(header)} values"
            remedy = "Name a column for each value."
            faults.append(Fault(f"row {number}", f"{told} beyond the header", allowed, remedy))
        cells = {key: row.get(key) or "" for key in COLUMNS}
        rows.append({"where": f"row {number}", **cells})
    return _sessions(rows, plans, faults)


# ------------------------------------------------------------------ rows


def _sessions(
    rows: Sequence[Row], plans: Sequence[HomePlan], faults: list[Fault]
) -> tuple[HomeSession, ...]:
    """Days from rows; ``faults`` are those found before."""
    days: dict[date, dict[int, HomeEntry]] = {}
    mornings: dict[tuple[date, Side], int] = {}
    for row in rows:
        day = _day(row["day"], row["where"], faults)
        if day is None:
            continue
        plan = plan_on(day, plans)
        foot = row["line"].strip().removeprefix("morning.")
        side = next((s for s in SIDES if foot in (s, s[0])), None)
        if side is not None:
            _add_morning(row, day, side, plan, mornings, faults)
        else:
            _add_entry(row, day, plan, days, faults)
    if faults:
        raise InputError("diary", tuple(dict.fromkeys(faults)))
    for (day, side), pain in mornings.items():
        _spread(pain, side, plan_on(day, plans), days.setdefault(day, {}))
    return tuple(HomeSession(day, tuple(found.values())) for day, found in sorted(days.items()))


def _add_entry(
    row: Row, day: date, plan: HomePlan, days: dict[date, dict[int, HomeEntry]], faults: list[Fault]
) -> None:
    before, where = len(faults), row["where"]
    line = _line(row["line"], plan, f"{where}.line", faults)
    done = _word(row.get("done", ""), DONE, f"{where}.done", faults)
    why = _word(row.get("why_not", ""), WHY_NOT, f"{where}.why_not", faults)
    during = _pain(row.get("during", ""), f"{where}.during", faults)
    morning = _pain(row.get("morning", ""), f"{where}.morning", faults)
    sharp, sign = (
        _word(row.get(name, "").lower(), ("", *YES, "no"), f"{where}.{name}", faults) in YES
        for name in ("sharp", "sign")
    )
    if len(faults) > before or line is None:
        return
    dose = plan.lines[line].dose
    sets = dose.sets if done == "all" else 0
    if row.get("sets", "").strip():
        low, high = (sets, sets) if done == "all" else (0, dose.sets if done == "part" else 0)
        sets = _whole(row["sets"], low, high, f"{where}.sets", faults) or 0
    if line in days.setdefault(day, {}):
        told = f"{row['line']} on {day}"
        faults.append(Fault(f"{where}.line", told, "each line once a day", "Merge them."))
    if done == "all" and why:
        field = f"{where}.why_not"
        faults.append(Fault(field, why, "nothing, since all was done", "Leave it out."))
    reps = dose.reps if sets else 0
    days[day][line] = HomeEntry(line, done, why, sets, reps, None, during, morning, sharp, sign)


def _add_morning(
    row: Row,
    day: date,
    side: Side,
    plan: HomePlan,
    mornings: dict[tuple[date, Side], int],
    faults: list[Fault],
) -> None:
    pain = _whole(row.get("morning", ""), 0, 10, f"{row['where']}.morning", faults)
    told = [name for name in COLUMNS[2:] if name != "morning" and row.get(name, "").strip()]
    if told:
        told_of = f"{', '.join(told)} of a morning"
        faults.append(Fault(row["where"], told_of, "morning alone", "Leave it out."))
    if not any(line.both or line.side == side for line in plan.lines):
        allowed = "a foot with an exercise"
        faults.append(Fault(row["where"], f"{side} foot", allowed, "Is it the other foot?"))
    if (day, side) in mornings:
        allowed = "each foot once a day"
        faults.append(Fault(row["where"], f"{side} foot on {day}", allowed, "Merge them."))
    if pain is not None:
        mornings[day, side] = pain


def _spread(pain: int, side: Side, plan: HomePlan, entries: dict[int, HomeEntry]) -> None:
    """Give a foot's morning to all it did that day; to a line not done when it did nothing."""
    mine = [i for i, line in enumerate(plan.lines) if line.both or line.side == side]
    done = [i for i in mine if i in entries] or mine[:1]
    for i in done:
        old = entries.get(i, HomeEntry(i, "none"))
        worse = max(pain, old.morning or 0)
        entries[i] = HomeEntry(**{**vars(old), "morning": worse})


def _line(text: str, plan: HomePlan, field: str, faults: list[Fault]) -> int | None:
    """Place of a line by its number or its name."""
    name = text.strip()
    if name[:1].isdigit() or not name:
        number = _whole(name, 1, len(plan.lines), field, faults)
        return None if number is None else number - 1
    for i, line in enumerate(plan.lines):
        if name in (line_names(plan)[i], f"{line.family}.{_foot_of(line)}"):
            return i
    near = get_close_matches(name, line_names(plan), 1)
    allowed = f"1 to {len(plan.lines)}, {', '.join(line_names(plan))}"
    hint = f"Did you mean {near[0]}?" if near else "Use one of them."
    faults.append(Fault(field, repr(name[:40]), allowed, hint))
    return None


def _day(text: str, where: str, faults: list[Fault]) -> date | None:
    try:
        if ISO_DAY.fullmatch(text.strip()):
            return date.fromisoformat(text.strip())
    except ValueError:
        pass
    faults.append(Fault(f"{where}.day", text[:40], "a day such as 2026-03-05", "Write it so."))
    return None


def _whole(text: str, low: int, high: int, field: str, faults: list[Fault]) -> int | None:
    bare = text.strip()
    if bare.isascii() and bare.isdigit() and len(bare) < WEEK and low <= int(bare) <= high:
        return int(bare)
    allowed = str(low) if low == high else f"{low} to {high}"
    faults.append(Fault(field, bare[:40] or "nothing", allowed, "Write a whole number."))
    return None


def _pain(text: str, field: str, faults: list[Fault]) -> int | None:
    return _whole(text, 0, 10, field, faults) if text.strip() else None


def _word(text: str, allowed: Sequence[str], field: str, faults: list[Fault]) -> str:
    word = text.strip()
    if word not in allowed:
        near = get_close_matches(word, allowed, 1)
        hint = f"Did you mean {near[0]}?" if near and near[0] else "Use one of them."
        shown = " | ".join(filter(None, allowed))
        faults.append(Fault(field, word[:40] or "nothing", shown, hint))
    return word
