"""The comparison: dispersion, ratios, shares, calibration, and the answer in plain words."""
