"""The pictures of the report: beds, plots of values, and what both are drawn with."""
