"""What is said of the figures: the sentence, its cautions, numbers as they are spoken."""
