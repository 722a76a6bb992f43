"""What is known before a lead is screwed on: site, goals, hook-ups, kit, sweep presets, where files are kept.

Enters: every room of `visit`, and `tui`. Imports no other room of `visit`.
"""
