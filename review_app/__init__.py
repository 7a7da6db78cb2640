"""Screens for people: review flagged cells, add photographs, see results. Nothing in `digitise` imports this."""
