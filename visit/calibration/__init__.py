"""Calibrating on this computer: standards taken and judged, terms stored, sweeps corrected on reading.

Enters: figures, runs, day and report. Imports `visit.record` and `visit.site`.
"""
