"""The learned scorer: its weights, their card, and their making (extra `train`)."""
