"""Beyond one reviewed survey: looks, the course, a sample of reviews, trials put together."""
