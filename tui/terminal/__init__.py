"""The terminal as a line that may be slow, stalled or gone: paced writing, cell differences, hang-up.

Enters: screens and commands. Knows nothing of measuring.
"""
