"""Tables of the store as they are now; `digitise/store/migrations/` leads there from every earlier state.

All tables but the last four are only ever added to (see `digitise.store.guards`). Values are JSON text, so that 7,
7.0, "7", true and null stay what they are. Times are text, UTC, ISO 8601.
"""

from __future__ import annotations

from sqlalchemy import (
    BigInteger,
    Column,
    Float,
    ForeignKey,
    Index,
    Integer,
    MetaData,
    Table,
    Text,
    UniqueConstraint,
)

REVISION = "0005"
APPLICATION_ID = 0x64696769  # "digi": tells our file from any other SQLite file
BIG = BigInteger().with_variant(Integer, "sqlite")

metadata = MetaData()


def _text(name: str) -> Column:
    return Column(name, Text, nullable=False)


def _big(name: str, *refers, nullable: bool = False) -> Column:
    return Column(name, BIG, *refers, nullable=nullable)


def _id() -> Column:
    return Column("id", BIG, primary_key=True)


protocols = Table(
    "protocols",
    metadata,
    Column("digest", Text, primary_key=True),
    _text("name"),
    _text("version"),
    _text("content"),
)
layouts = Table("layouts", metadata, Column("digest", Text, primary_key=True), _text("content"))
photos = Table(
    "photos",
    metadata,
    Column("sha256", Text, primary_key=True),
    _text("name"),
    _text("file"),  # below originals/
    _big("bytes"),
    _text("kept_at"),
)
verdicts = Table(
    "verdicts",
    metadata,
    _id(),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    _text("reader_version"),
    _text("layout_digest"),  # "" when no sheet was recognised
    _text("status"),
    _text("reasons"),
    _text("at"),
    UniqueConstraint("sha256", "reader_version", "layout_digest", "status", name="verdicts_once"),
)
pages = Table(
    "pages",
    metadata,
    _id(),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    _text("reader_version"),
    _text("acceptance_basis"),
    Column("layout_digest", Text, ForeignKey("layouts.digest"), nullable=False),
    Column("protocol_digest", Text, ForeignKey("protocols.digest"), nullable=False),
    Column("pack", Text),
    Column("transect", BIG),
    Column("mean_confidence", Float, nullable=False),
    Column("residual_mm", Float, nullable=False),
    Column("px_per_mm", Float, nullable=False),
    _text("image"),  # below pages/
    _text("recorded_at"),
    Column("image_sha256", Text),  # None for pages from before revision 2
    UniqueConstraint("sha256", "reader_version", "layout_digest", name="pages_once"),
)
assignments = Table(
    "assignments",
    metadata,
    _id(),
    _big("page_id", ForeignKey("pages.id")),
    _text("pack"),
    _big("transect"),
    _text("by"),
    _text("at"),
)
readings = Table(
    "readings",
    metadata,
    _id(),
    _big("page_id", ForeignKey("pages.id")),
    _text("cell"),
    _text("kind"),
    _text("value"),
    Column("confidence", Float, nullable=False),
    _big("flagged"),
    _text("candidates"),
    _text("reasons"),
    Column("score", Float, nullable=False),
    _text("photo_px"),
    UniqueConstraint("page_id", "cell", name="readings_once"),
)
entries = Table(
    "entries",
    metadata,
    _id(),
    _big("page_id", ForeignKey("pages.id")),
    _text("cell"),
    _text("value"),
    _text("state"),
    _text("by"),
    _text("decided_by"),
    _text("at"),
    _text("why"),
    _big("reading_id", ForeignKey("readings.id")),
    _big("undoes", ForeignKey("entries.id"), nullable=True),
    _text("client"),
    _big("seq"),
)
Index("entries_of_cell", entries.c.page_id, entries.c.cell, entries.c.id)
_SENT = entries.c.client != ""
Index("entries_resent", entries.c.client, entries.c.seq, unique=True, sqlite_where=_SENT, postgresql_where=_SENT)
Index("pages_of_pack", pages.c.pack)

# Who may do what, and what people vouched for

people = Table(
    "people",
    metadata,
    _id(),  # the last row of a name is in force
    _text("name"),
    _text("role"),
    _text("passphrase"),  # an argon2 hash; "" for nobody may log in by this name
    _text("by"),
    _text("at"),
)
audits = Table(
    "audits",
    metadata,
    _id(),
    Column("pack", Text),  # None: over every pack
    _big("population"),
    _text("by"),
    _text("at"),
)
audit_cells = Table(
    "audit_cells",
    metadata,
    _id(),
    _big("audit_id", ForeignKey("audits.id")),
    _big("page_id", ForeignKey("pages.id")),
    _text("cell"),
    _big("entry_id", ForeignKey("entries.id")),  # the accepted entry on trial
    UniqueConstraint("audit_id", "page_id", "cell", name="audit_cells_once"),
)
audit_answers = Table(
    "audit_answers",
    metadata,
    _id(),
    _big("audit_cell_id", ForeignKey("audit_cells.id")),
    _text("value"),
    _text("state"),
    _text("by"),
    _text("at"),
    UniqueConstraint("audit_cell_id", name="audit_answers_once"),
)
audit_strata = Table(
    "audit_strata",
    metadata,
    _id(),
    _big("audit_id", ForeignKey("audits.id")),
    _text("stratum"),  # see `digitise.store.audits`
    _big("population"),
    UniqueConstraint("audit_id", "stratum", name="audit_strata_once"),
)
signoffs = Table(
    "signoffs",
    metadata,
    _id(),
    _text("pack"),
    _big("version"),  # 1, 2, … of the pack
    _text("by"),
    _text("at"),
    _text("statement"),
    _text("digest"),  # SHA-256 of content
    _text("content"),  # the frozen cells, canonical JSON
    UniqueConstraint("pack", "version", name="signoffs_once"),
)
finding_decisions = Table(
    "finding_decisions",
    metadata,
    _id(),  # the last row of a finding is in force
    _text("pack"),
    _text("finding"),
    _text("state"),  # accepted | open
    _text("reason"),
    _text("by"),
    _text("at"),
)
Index("findings_of_pack", finding_decisions.c.pack, finding_decisions.c.finding, finding_decisions.c.id)

# What left, and which photographs are kept no longer

handovers = Table(
    "handovers",
    metadata,
    _id(),
    _big("number"),  # 1, 2, … of the store
    _text("kind"),  # whole | correction
    _big("corrects", nullable=True),  # the number of the hand-over that a correction corrects
    _text("recipient"),
    _text("reason"),  # in the words of who handed over; "" for none
    _text("by"),
    _text("at"),
    _text("digest"),  # SHA-256 of the package's list of checksums
    _text("content"),  # what it said of each survey, canonical JSON
    UniqueConstraint("number", name="handovers_once"),
)
thinned = Table(
    "thinned",
    metadata,
    _id(),
    Column("sha256", Text, ForeignKey("photos.sha256"), nullable=False),
    _text("policy"),  # the sentence of the policy that it was done by
    _text("by"),
    _text("at"),
    UniqueConstraint("sha256", name="thinned_once"),
)

# What colleagues are asked

asked_cells = Table(
    "asked_cells",
    metadata,
    _id(),
    _big("page_id", ForeignKey("pages.id")),
    _text("cell"),
    _text("state"),  # asked | taken back
    _text("remark"),
    _text("by"),
    _text("at"),
    _text("client"),
    _big("seq"),
)

# The chain over all of the above, and the store's own name

links = Table(
    "links",
    metadata,
    Column("id", BIG, primary_key=True, autoincrement=False),  # 1, 2, 3, … without a gap
    _text("kind"),  # the table
    _text("row"),  # its primary key
    _text("content"),  # SHA-256 of the row
    _text("at"),
    _text("previous"),
    _text("hash"),
    UniqueConstraint("kind", "row", name="links_once"),
)
about = Table("about", metadata, Column("key", Text, primary_key=True), _text("value"))

# Not history: who looks at what now, counts that can be made again from the tables above, who waits to log in

leases = Table(
    "leases",
    metadata,
    Column("page_id", BIG, ForeignKey("pages.id"), primary_key=True),
    Column("cell", Text, primary_key=True),
    _text("client"),
    _text("by"),
    _text("taken_at"),
    _text("expires_at"),
)
open_cells = Table(
    "open_cells",
    metadata,
    Column("reading_id", BIG, ForeignKey("readings.id"), primary_key=True, autoincrement=False),
    _big("page_id", ForeignKey("pages.id")),
    _big("last_entry"),  # 0 for none
)
Index("open_cells_of_page", open_cells.c.page_id)
page_counts = Table(
    "page_counts",
    metadata,
    Column("page_id", BIG, ForeignKey("pages.id"), primary_key=True, autoincrement=False),
    _big("flagged"),
    _big("open"),
    _big("decided"),
)
wrong_tries = Table(
    "wrong_tries",
    metadata,
    Column("key", Text, primary_key=True),  # SHA-256 of what was tried
    _big("wrong"),
    _text("last"),
)
_PASSING = ("leases", "open_cells", "page_counts", "wrong_tries")
HISTORY = tuple(t for t in metadata.sorted_tables if t.name not in _PASSING)
