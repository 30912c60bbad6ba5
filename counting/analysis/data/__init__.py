"""Observations brought to one line for each unit: selection, surveys, units, any table."""
