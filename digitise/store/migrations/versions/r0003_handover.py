"""Revision 0003: what was handed over to whom, and which photographs are kept no longer by the policy."""

import sqlalchemy as sa
from alembic import op

from digitise.store.guards import guard
from digitise.store.schema import BIG

revision, down_revision = "0003", "0002"

KEYS = {"handovers": "id", "thinned": "id"}


def _texts(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _id() -> sa.Column:
    return sa.Column("id", BIG, primary_key=True)


def upgrade() -> None:
    """Add the two tables, append-only like the rest."""
    op.create_table(
        "handovers",
        _id(),
        sa.Column("number", BIG, nullable=False),
        *_texts("kind"),
        sa.Column("corrects", BIG),
        *_texts("recipient", "reason", "by", "at", "digest", "content"),
        sa.UniqueConstraint("number", name="handovers_once"),
    )
    op.create_table(
        "thinned",
        _id(),
        sa.Column("sha256", sa.Text, sa.ForeignKey("photos.sha256"), nullable=False),
        *_texts("policy", "by", "at"),
        sa.UniqueConstraint("sha256", name="thinned_once"),
    )
    bind = op.get_bind()
    guard(bind, KEYS)
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=3")


def downgrade() -> None:
    """Take the two tables away while they are empty; what was handed over or thinned cannot be forgotten.

    Raises
    ------
    ValueError
        One of them holds a row, which the audit trail vouches for.
    """
    bind = op.get_bind()
    for name in ("thinned", "handovers"):
        if bind.execute(sa.text(f"SELECT count(*) FROM {name}")).scalar():  # noqa: S608  # nosec B608 - our own names
            raise ValueError(f"the store has rows in {name} that earlier versions cannot keep; it stays as it is")
        op.drop_table(name)
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=2")
