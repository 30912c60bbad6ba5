"""How fast and how heavy the work on many photos is: ``python -m counting.bench``.

All figures of a run come from the same machine in the same minutes, and the ones that matter are
ratios, so that they can be held against those of another machine. Photos are drawn, 12 megapixels
for the times and small ones for the large trials, unless ``--photo`` names one.
"""
