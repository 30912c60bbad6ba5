"""The estimators: arrays or typed results in, typed results out."""
