"""From the sweeps of the visit file to figures: the one way that screen, watch, report and exports use.

Enters: runs, day and report. Imports record, calibration and site.
"""
