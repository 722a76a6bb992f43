"""Measuring: the analyzer, runs, the gate before the file, the live picture, watching, the instrument card.

Enters: `tui`. Top of `visit`, beside `visit.report`.
"""
