"""What is told: the report page, the exported tables, the audit of every number."""
