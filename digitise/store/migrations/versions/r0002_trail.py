"""Revision 0002: the audit trail, people, leases, audits, sign-offs, accepted findings, and counts kept at hand.

What a store holds already gets its links now: they vouch for it from this moment on.
"""

import sqlalchemy as sa
from alembic import op

from digitise.store import chain, counts
from digitise.store.guards import guard
from digitise.store.schema import BIG

revision, down_revision = "0002", "0001"

KEYS = {
    "people": "id",
    "audits": "id",
    "audit_cells": "id",
    "audit_answers": "id",
    "signoffs": "id",
    "finding_decisions": "id",
    "links": "id",
    "about": "key",
}


def _texts(*names: str) -> list[sa.Column]:
    return [sa.Column(name, sa.Text, nullable=False) for name in names]


def _big(name: str, refers: str | None = None) -> sa.Column:
    return sa.Column(name, BIG, *([sa.ForeignKey(refers)] if refers else []), nullable=False)


def _id() -> sa.Column:
    return sa.Column("id", BIG, primary_key=True)


def upgrade() -> None:
    """Add the tables, link every row that is there, and count."""
    op.add_column("pages", sa.Column("image_sha256", sa.Text))
    op.drop_index("readings_flagged")
    op.create_index("pages_of_pack", "pages", ["pack"])
    op.create_table("people", _id(), *_texts("name", "role", "passphrase", "by", "at"))
    _audits()
    op.create_table(
        "signoffs",
        _id(),
        *_texts("pack"),
        _big("version"),
        *_texts("by", "at", "statement", "digest", "content"),
        sa.UniqueConstraint("pack", "version", name="signoffs_once"),
    )
    op.create_table("finding_decisions", _id(), *_texts("pack", "finding", "state", "reason", "by", "at"))
    op.create_index("findings_of_pack", "finding_decisions", ["pack", "finding", "id"])
    op.create_table(
        "links",
        sa.Column("id", BIG, primary_key=True, autoincrement=False),
        *_texts("kind", "row", "content", "at", "previous", "hash"),
        sa.UniqueConstraint("kind", "row", name="links_once"),
    )
    op.create_table("about", sa.Column("key", sa.Text, primary_key=True), *_texts("value"))
    _helpers()
    bind = op.get_bind()
    guard(bind, KEYS)
    counts.rebuild(bind)
    chain.seal_everything(bind, at=op.get_context().config.attributes["at"])
    if bind.dialect.name == "sqlite":
        op.execute("PRAGMA user_version=2")


def _audits() -> None:
    op.create_table("audits", _id(), sa.Column("pack", sa.Text), _big("population"), *_texts("by", "at"))
    op.create_table(
        "audit_cells",
        _id(),
        _big("audit_id", "audits.id"),
        _big("page_id", "pages.id"),
        *_texts("cell"),
        _big("entry_id", "entries.id"),
        sa.UniqueConstraint("audit_id", "page_id", "cell", name="audit_cells_once"),
    )
    op.create_table(
        "audit_answers",
        _id(),
        _big("audit_cell_id", "audit_cells.id"),
        *_texts("value", "state", "by", "at"),
        sa.UniqueConstraint("audit_cell_id", name="audit_answers_once"),
    )


def _helpers() -> None:
    op.create_table(
        "leases",
        sa.Column("page_id", BIG, sa.ForeignKey("pages.id"), primary_key=True),
        sa.Column("cell", sa.Text, primary_key=True),
        *_texts("client", "by", "taken_at", "expires_at"),
    )
    op.create_table(
        "open_cells",
        sa.Column("reading_id", BIG, sa.ForeignKey("readings.id"), primary_key=True, autoincrement=False),
        _big("page_id", "pages.id"),
        _big("last_entry"),
    )
    op.create_index("open_cells_of_page", "open_cells", ["page_id"])
    op.create_table(
        "page_counts",
        sa.Column("page_id", BIG, sa.ForeignKey("pages.id"), primary_key=True, autoincrement=False),
        *(_big(name) for name in ("flagged", "open", "decided")),
    )


def downgrade() -> None:
    """Take the additions away again; photographs, readings and entries stay as they are."""
    for name in ("page_counts", "open_cells", "leases", "about", "links", "finding_decisions", "signoffs"):
        op.drop_table(name)
    for name in ("audit_answers", "audit_cells", "audits", "people"):
        op.drop_table(name)
    op.drop_index("pages_of_pack")
    flagged = sa.text("flagged = 1")
    op.create_index("readings_flagged", "readings", ["page_id"], sqlite_where=flagged, postgresql_where=flagged)
    op.drop_column("pages", "image_sha256")
    if op.get_bind().dialect.name == "sqlite":
        op.execute("PRAGMA user_version=1")
