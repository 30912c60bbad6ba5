"""What is known of each plant: hand tallies, diary, and photo counts as one table."""
