"""Steps between versions of the store's tables, for Alembic."""
