"""Revision 0005: wrong tries to log in, so that a restart forgets none of them."""

import sqlalchemy as sa
from alembic import op

from digitise.store.schema import BIG

revision, down_revision = "0005", "0004"


def upgrade() -> None:
    """Add the table; it is no history, so nothing guards it."""
    op.create_table(
        "wrong_tries",
        sa.Column("key", sa.Text, primary_key=True),
        sa.Column("wrong", BIG, nullable=False),
        sa.Column("last", sa.Text, nullable=False),
    )
    _version(5)


def downgrade() -> None:
    """Take the table away; all it held is who has to wait for some minutes."""
    op.drop_table("wrong_tries")
    _version(4)


def _version(number: int) -> None:
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"PRAGMA user_version={number}")
