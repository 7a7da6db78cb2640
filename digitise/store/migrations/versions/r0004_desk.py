"""Revision 0004: cells that somebody asks a colleague about, and strata of audits."""

import sqlalchemy as sa
from alembic import op

from digitise.store.guards import guard
from digitise.store.schema import BIG

revision, down_revision = "0004", "0003"

KEYS = {"asked_cells": "id", "audit_strata": "id"}


def _texts(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the tables."""
    op.create_table(
        "asked_cells",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("page_id", BIG, sa.ForeignKey("pages.id"), nullable=False),
        *_texts("cell", "state", "remark", "by", "at", "client"),
        sa.Column("seq", BIG, nullable=False),
    )
    op.create_table(
        "audit_strata",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("audit_id", BIG, sa.ForeignKey("audits.id"), nullable=False),
        *_texts("stratum"),
        sa.Column("population", BIG, nullable=False),
        sa.UniqueConstraint("audit_id", "stratum", name="audit_strata_once"),
    )
    bind = op.get_bind()
    guard(bind, KEYS)
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=4")


def downgrade() -> None:
    """Take the two tables away while they are empty; what was asked or drawn cannot be forgotten.

    Raises
    ------
    ValueError
        One of them holds a row, which the audit trail vouches for.
    """
    bind = op.get_bind()
    for name in ("audit_strata", "asked_cells"):
        if bind.execute(sa.text(f"SELECT count(*) FROM {name}")).scalar():  # noqa: S608  # nosec B608 - our own names
            raise ValueError(f"the store has rows in {name} that earlier versions cannot keep; it stays as it is")
        op.drop_table(name)
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=3")
