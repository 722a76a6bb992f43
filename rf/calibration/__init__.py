"""Error terms, standards and whether one looks like what it claims; three-port assembly, two-range stitching.

Enters: `visit.calibration`, `visit.figures`. Imports `rf.values` and `rf.floor`.
"""
