"""Before the first photo: the trial, its layout, how many plants, tags and field sheets."""
