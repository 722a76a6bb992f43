"""What a figure is: value, kind, interval and the word for it; decibels, verdicts, budgets of uncertainty.

Enters: every room. Imports nothing of this project outside itself.
"""
