"""Revision 0001: the tables of digitise 0.1.0."""

import sqlalchemy as sa
from alembic import op

from digitise.store.guards import guard
from digitise.store.rows import StoreError
from digitise.store.schema import APPLICATION_ID, BIG

revision, down_revision = "0001", None

KEYS = {
    "layouts": "digest",
    "photos": "sha256",
    "protocols": "digest",
    "pages": "id",
    "verdicts": "id",
    "assignments": "id",
    "readings": "id",
    "entries": "id",
}


def _text(name: str, *refers) -> sa.Column:
    return sa.Column(name, sa.Text, *refers, nullable=False)


def _big(name: str, *refers, nullable: bool = False) -> sa.Column:
    return sa.Column(name, BIG, *refers, nullable=nullable)


def _id() -> sa.Column:
    return sa.Column("id", BIG, primary_key=True)


def _float(name: str) -> sa.Column:
    return sa.Column(name, sa.Float, nullable=False)


def upgrade() -> None:
    """Make the tables, their indexes and their guards."""
    key = {"primary_key": True}
    op.create_table("protocols", sa.Column("digest", sa.Text, **key), _text("name"), _text("version"), _text("content"))
    op.create_table("layouts", sa.Column("digest", sa.Text, **key), _text("content"))
    op.create_table(
        "photos", sa.Column("sha256", sa.Text, **key), _text("name"), _text("file"), _big("bytes"), _text("kept_at")
    )
    op.create_table(
        "verdicts",
        _id(),
        _text("sha256", sa.ForeignKey("photos.sha256")),
        *(_text(name) for name in ("reader_version", "layout_digest", "status", "reasons", "at")),
        sa.UniqueConstraint("sha256", "reader_version", "layout_digest", "status", name="verdicts_once"),
    )
    op.create_table(
        "pages",
        _id(),
        _text("sha256", sa.ForeignKey("photos.sha256")),
        _text("reader_version"),
        _text("acceptance_basis"),
        _text("layout_digest", sa.ForeignKey("layouts.digest")),
        _text("protocol_digest", sa.ForeignKey("protocols.digest")),
        sa.Column("pack", sa.Text),
        _big("transect", nullable=True),
        *(_float(name) for name in ("mean_confidence", "residual_mm", "px_per_mm")),
        _text("image"),
        _text("recorded_at"),
        sa.UniqueConstraint("sha256", "reader_version", "layout_digest", name="pages_once"),
    )
    page = sa.ForeignKey("pages.id")
    op.create_table(
        "assignments", _id(), _big("page_id", page), _text("pack"), _big("transect"), _text("by"), _text("at")
    )
    _cells()
    guard(op.get_bind(), KEYS)
    if op.get_bind().dialect.name == "sqlite":
        op.execute(f"PRAGMA application_id={APPLICATION_ID}")
        op.execute("PRAGMA user_version=1")


def _cells() -> None:
    op.create_table(
        "readings",
        _id(),
        _big("page_id", sa.ForeignKey("pages.id")),
        *(_text(name) for name in ("cell", "kind", "value")),
        _float("confidence"),
        _big("flagged"),
        *(_text(name) for name in ("candidates", "reasons")),
        _float("score"),
        _text("photo_px"),
        sa.UniqueConstraint("page_id", "cell", name="readings_once"),
    )
    op.create_table(
        "entries",
        _id(),
        _big("page_id", sa.ForeignKey("pages.id")),
        *(_text(name) for name in ("cell", "value", "state", "by", "decided_by", "at", "why")),
        _big("reading_id", sa.ForeignKey("readings.id")),
        _big("undoes", sa.ForeignKey("entries.id"), nullable=True),
        _text("client"),
        _big("seq"),
    )
    flagged, sent = sa.text("flagged = 1"), sa.text("client != ''")
    op.create_index("readings_flagged", "readings", ["page_id"], sqlite_where=flagged, postgresql_where=flagged)
    op.create_index("entries_of_cell", "entries", ["page_id", "cell", "id"])
    op.create_index(
        "entries_resent", "entries", ["client", "seq"], unique=True, sqlite_where=sent, postgresql_where=sent
    )


def downgrade() -> None:
    """`StoreError`: there is no form of a store before its first tables, and without those everything would be lost."""
    raise StoreError("a store has no earlier form than revision 0001; it was left as it is")
