"""The groups compared, and photo counts held against true counts."""
