"""Lines, digits, plots and marks: text that stays text, rows that repaint only what changed.

Enters: screens and commands.
"""
