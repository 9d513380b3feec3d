"""Migrations of the store, run when a store is opened; Alembic's folder layout."""
