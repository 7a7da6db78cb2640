"""Revision 0003: cells that somebody asks a colleague about."""

import sqlalchemy as sa
from alembic import op

from digitise.store.guards import guard
from digitise.store.schema import BIG

revision, down_revision = "0003", "0002"


def _texts(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def upgrade() -> None:
    """Add the table."""
    op.create_table(
        "asked_cells",
        sa.Column("id", BIG, primary_key=True),
        sa.Column("page_id", BIG, sa.ForeignKey("pages.id"), nullable=False),
        *_texts("cell", "state", "remark", "by", "at", "client"),
        sa.Column("seq", BIG, nullable=False),
    )
    bind = op.get_bind()
    guard(bind, {"asked_cells": "id"})
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=3")


def downgrade() -> None:
    """Take it away again; links of its rows stay in the chain, which is never changed."""
    op.drop_table("asked_cells")
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA user_version=2")
