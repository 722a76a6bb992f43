"""The screens: live, tuning, day, calibration, watching, and their dialogs.

Enters: `tui.commands`. Computes nothing.
"""
