"""What is done with the records in one go: every verb, in one transaction, with its audit row.

Nothing of a piece of work is kept unless all of it is. Who does it is asked by role first; reading
a person's record is audited like changing it.
"""

from __future__ import annotations

import hashlib
import secrets
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, date, datetime
from typing import Any

from sqlalchemy import Connection, LargeBinary, func, insert, select, type_coerce

from rungwise.core.errors import Fault, InputError
from rungwise.records import audit, caseload
from rungwise.records import tables as t
from rungwise.records.errors import ConflictError, NotAllowedError, UnknownError
from rungwise.records.roles import MAY, ROLES, Who
from rungwise.records.tables import Record

__all__ = ["Saved", "Work"]

ID_LENGTH = 32
LONGEST = {"label": 60, "document": 100}  # a sheet has no room for a longer label


@dataclass(frozen=True)
class Saved:
    """What was saved.

    Parameters
    ----------
    kind : str
        Its kind.
    of : str
        The person's id, or the setting's name.
    version : int
        Its number [1].
    fresh : bool
        False when the same form had been sent before, and nothing was written now.
    """

    kind: str
    of: str
    version: int
    fresh: bool = True


class Work:
    """The verbs, inside one transaction; made by :meth:`rungwise.records.store.Store.work`.

    Every ``add`` takes the ``expected_version`` that the writer had seen (0 = none, None = does not
    matter), the version that it ``corrects``, and ``once``: a token of the form, so that a form
    sent twice writes once.
    """

    def __init__(self, connection: Connection, who: Who, now: datetime) -> None:
        self._connection, self._who = connection, who
        self._now = now.astimezone(UTC).isoformat(timespec="microseconds")[:26] + "Z"
        self._seq, self._head = audit.head(connection)

    @property
    def connection(self) -> Connection:
        """The open transaction, for the other modules of the records."""
        return self._connection

    @property
    def who(self) -> Who:
        """Who works."""
        return self._who

    @property
    def head(self) -> tuple[int, str]:
        """Number and hash of the last audit row: print it on a note to anchor the chain."""
        return self._seq, self._head

    # -------------------------------------------------------------- people

    def people(self, search: str = "", **asked: Any) -> caseload.Page:
        """One page of the caseload; takes what :func:`caseload.find_people` takes."""
        self.allow("list")
        page = caseload.find_people(self._connection, search, **asked)
        self.note_deed("list", None, f"{len(page.rows)} of {page.total}")
        return page

    def done(self, once: str | None) -> Saved | None:
        """What a form with this token saved before; None when it was not sent yet."""
        return self._done(once)

    def add_person(self, label: str, once: str | None = None) -> str:
        """Add a person; returns the random id."""
        self.allow("add", "handover")
        label = self._label(label)
        if (done := self._done(once)) is not None:
            return done.of
        person = secrets.token_hex(16)
        self._connection.execute(insert(t.person), {"id": person})
        self._connection.execute(insert(t.summary), {"person_id": person, **caseload.BLANK})
        self._append("label", person, label, once=once)
        return person

    def rename(self, person: str, label: str, expected_version: int | None = None) -> Saved:
        """Give a person another label; the old ones are kept."""
        self.allow("add")
        return self._append("label", person, self._label(label), expected_version)

    def archive(self, person: str, away: bool = True) -> Saved:
        """Put a person away, or take the person out again."""
        self.allow("add", *(() if away else ("handover",)))
        return self._append("state", person, "archived" if away else "present")

    def set_look(self, person: str, on: date | None, why: str) -> Saved:
        """Say when a person needs a look, and why in one line; None = nothing is due.

        Who was put away is taken out again: nobody else would see what is due.
        """
        self.allow("add", "handover")
        away = select(t.summary.c.archived).where(t.summary.c.person_id == person)
        if on is not None and self._connection.scalar(away):
            self.archive(person, away=False)
        return self._append("look", person, why, on=on)

    # -------------------------------------------------------------- what is known of a person

    def add_exam(
        self,
        person: str,
        text: str,
        on: date,
        expected_version: int | None = None,
        corrects: int | None = None,
        once: str | None = None,
    ) -> Saved:
        """Add an examination: the TOML text as it was entered, and its day."""
        self.allow("add")
        return self._append("exam", person, text, expected_version, corrects, once, on=on)

    def add_plan(
        self,
        person: str,
        text: str,
        *,
        code: str,
        number: bytes,
        exam_version: int,
        starts: date,
        review: date,
        ends: date,
        expected_version: int | None = None,
        corrects: int | None = None,
        once: str | None = None,
    ) -> Saved:
        """Add a plan: its JSON text, plan code, 8-byte number, and the days that it holds for."""
        self.allow("add")
        facts = {"code": code, "number": number.hex(), "exam_version": exam_version}
        facts |= {"starts": starts, "review": review, "ends": ends}
        return self._append("plan", person, text, expected_version, corrects, once, **facts)

    def add_handover(
        self, person: str, text: str, on: date, plan_version: int | None = None
    ) -> Saved:
        """Add a hand-over of the diary, as JSON; the very same one again writes nothing."""
        self.allow("handover")
        same = hashlib.sha256(f"{person}\0{text}".encode()).hexdigest()
        return self._append(
            "handover", person, text, once=f"handover:{same}", on=on, plan_version=plan_version
        )

    def add_decision(
        self,
        person: str,
        text: str,
        plan_version: int,
        expected_version: int | None = None,
        once: str | None = None,
    ) -> Saved:
        """Add a decision with the therapist's answers, as JSON, and the plan that it led to."""
        self.allow("add")
        facts = {"plan_version": plan_version}
        return self._append("decision", person, text, expected_version, None, once, **facts)

    def add_note(
        self,
        person: str,
        sort: str,
        text: str,
        follows: int | None = None,
        expected_version: int | None = None,
        corrects: int | None = None,
        once: str | None = None,
    ) -> Saved:
        """Add a note of some sort (``first``, ``progress`` …) and the note that it follows."""
        self.allow("add")
        facts = {"sort": sort, "follows": follows}
        return self._append("note", person, text, expected_version, corrects, once, **facts)

    def add_document(self, person: str, name: str, media: str, data: bytes) -> Saved:
        """Keep a document whole, with the name it came with and its media type."""
        self.allow("document")
        return self._append("document", person, name[: LONGEST["document"]], media=media, data=data)

    def latest(self, person: str, kind: str) -> Record | None:
        """The newest version of a kind; None when there is none."""
        self.allow("read")
        self._known(person)
        found = self._newest(kind, person)
        self.note_deed("read", person, f"{kind} {found.version if found else 0}")
        return found

    def history(self, person: str, *kinds: str) -> tuple[Record, ...]:
        """All that is known of a person, or some kinds of it, in the order of writing."""
        self.allow("read")
        self._known(person)
        found: list[Record] = []
        for kind in kinds or tuple(t.KINDS):
            found += self._records(kind, t.KINDS[kind].c.person_id == person)
        self.note_deed("read", person, " ".join(kinds) or "all")
        return tuple(sorted(found, key=lambda record: record.seq))

    def document(self, person: str, version: int) -> bytes:
        """A document's data."""
        self.allow("read")
        c = t.KINDS["document"].c
        ask = select(c.data).where(c.person_id == person, c.version == version)
        data = self._connection.scalar(ask)
        if data is None:
            raise UnknownError(f"There is no document {version} of this person.")
        self.note_deed("read", person, f"document {version}")
        return bytes(data)

    def person_of_plan(self, number: bytes) -> str | None:
        """Whose plan a number is, as a log code names it; None when nobody's."""
        self.allow("handover")
        c = t.KINDS["plan"].c
        found = self._connection.scalar(select(c.person_id).where(c.number == number.hex()))
        return None if found is None else str(found)

    # -------------------------------------------------------------- the clinic's settings

    def setting(self, name: str) -> Record | None:
        """A setting, such as ``overrides``: the clinic's own rows of the book."""
        self.allow("book")
        rows = self._settings(name)
        return rows[-1] if rows else None

    def setting_history(self, name: str) -> tuple[Record, ...]:
        """Every version of a setting."""
        self.allow("book")
        return tuple(self._settings(name))

    def set_setting(
        self, name: str, body: str, expected_version: int | None = None, deed: str = "settings"
    ) -> Saved:
        """Change a setting, which asks for a deed of the role; the old ones are kept."""
        self.allow(deed)
        rows = self._settings(name)
        version = rows[-1].version if rows else 0
        if expected_version not in (None, version):
            raise ConflictError("setting", expected_version or 0, body, rows[-1] if rows else None)
        row = {"name": name, "version": version + 1, "made_utc": self._now, "by": self._who.id}
        self.put(t.setting, {**row, "body": body}, f"setting {name} {version + 1}")
        return Saved("setting", name, version + 1)

    def audit_rows(self, person: str | None = None, last: int = 0) -> list[audit.Audited]:
        """Who saw and changed what, of one person or all; itself audited."""
        self.allow("audit")
        self.note_deed("audit", person, "")
        return audit.rows_of(self._connection, person, last)

    def audit_page(
        self, person: str = "", day: str = "", start: int = 0, count: int = 100
    ) -> tuple[list[audit.Audited], int]:
        """Part of the audit, as :func:`audit.page_of` gives it; itself audited."""
        self.allow("audit")
        self.note_deed("audit", person if len(person) == ID_LENGTH else None, "")
        return audit.page_of(self._connection, person, day, start, count)

    # -------------------------------------------------------------- what the other modules use

    def allow(self, *deeds: str) -> None:
        """Refuse unless a role covers one of the deeds."""
        if not any(self._who.may(deed) for deed in deeds):
            roles = ", ".join(role for role in ROLES if set(deeds) & MAY[role])
            raise NotAllowedError(f"{deeds[0]}: only for {roles}.")

    def note_deed(
        self, did: str, person: str | None, detail: str, digest: str = "", outcome: str = "done"
    ) -> int:
        """Append to the audit; returns the row's number [1]."""
        self._seq += 1
        row = audit.Audited(
            self._seq, self._now, self._who.id, did, person, detail[:200], digest, outcome
        )
        self._head = audit.write_row(self._connection, row, self._head)
        return self._seq

    def note_added(self, added: Sequence[tuple[str, str, str]]) -> None:
        """Append to the audit, in one go, what was added: person, detail and digest of each."""
        rows = [
            audit.Audited(self._seq + n, self._now, self._who.id, "add", *told, "done")
            for n, told in enumerate(added, 1)
        ]
        self._head = audit.write_rows(self._connection, rows, self._head)
        self._seq += len(rows)

    def put(self, table: Any, row: dict[str, Any], detail: str, person: str | None = None) -> int:
        """Append a row and its audit row with the digest of it; returns their number [1]."""
        row = {column.name: row.get(column.name) for column in table.columns}
        row["seq"] = self._seq + 1
        self._connection.execute(insert(table), row)
        return self.note_deed("add", person, detail, audit.digest_of_row(table.name, row))

    # -------------------------------------------------------------- inside

    def _append(
        self,
        kind: str,
        person: str,
        body: str,
        expected_version: int | None = None,
        corrects: int | None = None,
        once: str | None = None,
        **facts: Any,
    ) -> Saved:
        if (done := self._done(once)) is not None:
            return done
        self._known(person)
        table = t.KINDS[kind]
        ask = select(func.max(table.c.version)).where(table.c.person_id == person)
        version = self._connection.scalar(ask) or 0
        if expected_version not in (None, version):
            raise ConflictError(kind, expected_version or 0, body, self._newest(kind, person))
        if corrects is not None and not 1 <= corrects <= version:
            raise UnknownError(f"There is no {kind} {corrects} of this person to correct.")
        row = {
            "person_id": person,
            "version": version + 1,
            "made_utc": self._now,
            "by": self._who.id,
            "corrects": corrects,
            "body": body,
            "salt": secrets.token_hex(16),
            **facts,
        }
        row["seq"] = self.put(table, row, f"{kind} {version + 1}", person)
        caseload.renew_summary(self._connection, kind, row)
        if once is not None:
            values = {"key": once, "of": person, "kind": kind, "version": version + 1}
            self._connection.execute(insert(t.once), values)
        return Saved(kind, person, version + 1)

    def _done(self, once: str | None) -> Saved | None:
        if once is None:
            return None
        found = self._connection.execute(select(t.once).where(t.once.c.key == once)).first()
        return Saved(found.kind, found.of, found.version, fresh=False) if found else None

    def _known(self, person: str) -> None:
        ask = select(t.person.c.id).where(t.person.c.id == person)
        if self._connection.scalar(ask) is None:
            raise UnknownError("There is no such person.")

    def _newest(self, kind: str, person: str) -> Record | None:
        rows = self._records(kind, t.KINDS[kind].c.person_id == person, newest=True)
        return rows[0] if rows else None

    def _records(self, kind: str, where: Any, newest: bool = False) -> list[Record]:
        table = t.KINDS[kind]
        names = [c for c in table.c if c.name not in ("body", "data", "salt")]
        packed = type_coerce(table.c.body, LargeBinary).label("body")  # unpacked when asked for
        ask = select(*names, packed).where(where).order_by(table.c.version.desc())
        rows = self._connection.execute(ask.limit(1) if newest else ask).mappings()
        return [_record(kind, dict(row), row["person_id"]) for row in rows][::-1]

    def _settings(self, name: str) -> list[Record]:
        ask = select(t.setting).where(t.setting.c.name == name).order_by(t.setting.c.version)
        rows = self._connection.execute(ask).mappings()
        return [_record("setting", dict(row), name) for row in rows]

    @staticmethod
    def _label(label: str) -> str:
        label = " ".join(label.split())
        if not 1 <= len(label) <= LONGEST["label"] or not label.isprintable():
            allowed = f"1 to {LONGEST['label']} printable characters"
            fault = Fault("label", repr(label[:40]), allowed, "Use initials or a number.")
            raise InputError("person", (fault,))
        return label


def _record(kind: str, row: Mapping[str, Any], of: str) -> Record:
    own = ("seq", "version", "made_utc", "by", "body", "corrects", "person_id", "name")
    facts = {name: value for name, value in row.items() if name not in own}
    return Record(
        kind,
        of,
        row["version"],
        row["seq"],
        row["made_utc"],
        row["by"],
        row.get("corrects"),
        row["body"],
        facts,
    )
