"""The first tables, as they were released."""

from __future__ import annotations

from typing import Any

import sqlalchemy as sa
from alembic import op

revision = "0001"
down_revision = None

CHANGE_REFUSED = (
    "create function keep_rows() returns trigger language plpgsql as "
    "$$ begin raise exception '%: rows are kept as they are', tg_table_name; end $$"
)
KEPT = """
    account audit decision document erased exam handover label look note once person plan setting
    state
""".split()


def _kind(name: str, *extra: sa.Column[Any]) -> None:
    op.create_table(
        name,
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("made_utc", sa.String(length=27), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("corrects", sa.Integer()),
        sa.Column("body", sa.LargeBinary(), nullable=False),
        sa.Column("salt", sa.String(length=32), nullable=False),
        *extra,
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name=f"fk_{name}_person_id"),
        sa.PrimaryKeyConstraint("seq", name=f"pk_{name}"),
        sa.UniqueConstraint("person_id", "version", name=f"uq_{name}_person_id_version"),
    )


def _protect(table: str) -> None:
    if op.get_bind().dialect.name == "postgresql":
        op.execute(
            f"create trigger keep_rows before update or delete on {table} "
            "for each row execute function keep_rows()"
        )
        op.execute(
            f"create trigger keep_all before truncate on {table} "
            "for each statement execute function keep_rows()"
        )
        return
    for change in ("update", "delete"):
        op.execute(
            f"create trigger keep_{table}_{change} before {change} on {table} "
            f"begin select raise(abort, '{table}: rows are kept as they are'); end"
        )


def upgrade() -> None:
    """Make the tables, and let the database itself refuse to change what is kept."""
    op.create_table(
        "person",
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.PrimaryKeyConstraint("id", name="pk_person"),
    )
    op.create_table(
        "account",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("id", sa.String(length=32), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("name", sa.String(length=100), nullable=False),
        sa.Column("folded", sa.String(length=200), nullable=False),
        sa.Column("role", sa.String(length=20), nullable=False),
        sa.Column("password", sa.Text(), nullable=False),
        sa.Column("totp", sa.String(length=64), nullable=False),
        sa.Column("codes", sa.Text(), nullable=False),
        sa.Column("disabled", sa.Boolean(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_account"),
        sa.UniqueConstraint("id", "version", name="uq_account_id_version"),
    )
    op.create_index("ix_account_folded", "account", ["folded"], unique=False)
    op.create_table(
        "audit",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("made_utc", sa.String(length=27), nullable=False),
        sa.Column("who", sa.String(length=32), nullable=False),
        sa.Column("did", sa.String(length=40), nullable=False),
        sa.Column("person_id", sa.String(length=32)),
        sa.Column("detail", sa.String(length=200), nullable=False),
        sa.Column("digest", sa.String(length=64), nullable=False),
        sa.Column("outcome", sa.String(length=20), nullable=False),
        sa.Column("prev", sa.String(length=64), nullable=False),
        sa.Column("hash", sa.String(length=64), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_audit"),
    )
    op.create_index("ix_audit_person_id", "audit", ["person_id"], unique=False)
    op.create_table(
        "erased",
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("person_id", name="pk_erased"),
    )
    op.create_table(
        "once",
        sa.Column("key", sa.String(length=100), nullable=False),
        sa.Column("of", sa.String(length=80), nullable=False),
        sa.Column("kind", sa.String(length=20), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_once"),
    )
    op.create_index("ix_once_of", "once", ["of"], unique=False)
    op.create_table(
        "setting",
        sa.Column("seq", sa.Integer(), autoincrement=False, nullable=False),
        sa.Column("name", sa.String(length=80), nullable=False),
        sa.Column("version", sa.Integer(), nullable=False),
        sa.Column("made_utc", sa.String(length=27), nullable=False),
        sa.Column("by", sa.String(length=32), nullable=False),
        sa.Column("body", sa.Text(), nullable=False),
        sa.PrimaryKeyConstraint("seq", name="pk_setting"),
        sa.UniqueConstraint("name", "version", name="uq_setting_name_version"),
    )
    op.create_table(
        "signed_in",
        sa.Column("token", sa.String(length=64), nullable=False),
        sa.Column("account_id", sa.String(length=32), nullable=False),
        sa.Column("made_s", sa.Integer(), nullable=False),
        sa.Column("seen_s", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("token", name="pk_signed_in"),
    )
    op.create_index("ix_signed_in_account_id", "signed_in", ["account_id"], unique=False)
    op.create_table(
        "throttle",
        sa.Column("key", sa.String(length=64), nullable=False),
        sa.Column("failures", sa.Integer(), nullable=False),
        sa.Column("until_s", sa.Integer(), nullable=False),
        sa.Column("totp_step", sa.Integer(), nullable=False),
        sa.PrimaryKeyConstraint("key", name="pk_throttle"),
    )
    _kind(
        "decision",
        sa.Column("plan_version", sa.Integer()),
    )
    _kind(
        "document",
        sa.Column("media", sa.String(length=100), nullable=False),
        sa.Column("data", sa.LargeBinary()),
    )
    _kind(
        "exam",
        sa.Column("on", sa.Date(), nullable=False),
    )
    _kind(
        "handover",
        sa.Column("on", sa.Date(), nullable=False),
        sa.Column("plan_version", sa.Integer()),
    )
    _kind(
        "label",
    )
    _kind(
        "look",
        sa.Column("on", sa.Date()),
    )
    _kind(
        "note",
        sa.Column("sort", sa.String(length=40), nullable=False),
        sa.Column("follows", sa.Integer()),
    )
    _kind(
        "plan",
        sa.Column("code", sa.Text(), nullable=False),
        sa.Column("number", sa.String(length=16), nullable=False),
        sa.Column("exam_version", sa.Integer(), nullable=False),
        sa.Column("starts", sa.Date(), nullable=False),
        sa.Column("review", sa.Date(), nullable=False),
        sa.Column("ends", sa.Date(), nullable=False),
    )
    op.create_index("ix_plan_number", "plan", ["number"], unique=False)
    _kind(
        "state",
    )
    op.create_table(
        "summary",
        sa.Column("person_id", sa.String(length=32), nullable=False),
        sa.Column("label", sa.Text(), nullable=False),
        sa.Column("folded", sa.Text(), nullable=False),
        sa.Column("archived", sa.Boolean(), nullable=False),
        sa.Column("look_on", sa.Date()),
        sa.Column("look_why", sa.Text(), nullable=False),
        sa.Column("exam_version", sa.Integer(), nullable=False),
        sa.Column("exam_on", sa.Date()),
        sa.Column("plan_version", sa.Integer(), nullable=False),
        sa.Column("plan_review", sa.Date()),
        sa.Column("plan_ends", sa.Date()),
        sa.Column("handover_version", sa.Integer(), nullable=False),
        sa.Column("handover_on", sa.Date()),
        sa.Column("decision_version", sa.Integer(), nullable=False),
        sa.Column("note_version", sa.Integer(), nullable=False),
        sa.Column("seq", sa.Integer(), nullable=False),
        sa.ForeignKeyConstraint(["person_id"], ["person.id"], name="fk_summary_person_id"),
        sa.PrimaryKeyConstraint("person_id", name="pk_summary"),
    )
    op.create_index(
        "ix_summary_archived_look_on_folded",
        "summary",
        ["archived", "look_on", "folded"],
        unique=False,
    )
    if op.get_bind().dialect.name == "postgresql":
        op.execute(CHANGE_REFUSED)
    for table in KEPT:
        _protect(table)
