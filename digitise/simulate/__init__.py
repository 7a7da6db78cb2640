"""Sheets filled in and photographed by program, so that the truth of every cell is known."""
