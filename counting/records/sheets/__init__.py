"""Spreadsheets as people write them, understood as tallies."""
