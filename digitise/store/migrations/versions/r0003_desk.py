"""Revision 0003: cells that somebody asks a colleague about, and strata of audits."""

import sqlalchemy as sa
from alembic import op

from digitise.store.guards import guard
from digitise.store.schema import BIG

revision, down_revision = "0003", "0002"


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
    guard(bind, {"asked_cells": "id", "audit_strata": "id"})
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=3")


def downgrade() -> None:
    """Take them away again; links of their rows stay in the chain, which is never changed."""
    op.drop_table("audit_strata")
    op.drop_table("asked_cells")
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA user_version=2")
