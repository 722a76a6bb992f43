"""The day's steps, as found and as left, turning screws, the plan of a proof.

Enters: runs and report. Imports figures and below.
"""
