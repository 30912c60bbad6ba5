"""What a trial's own reviews teach the finder: its lesson, and how well it did."""
