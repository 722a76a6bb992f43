"""Coupled resonators and single cavities: equivalent circuits fitted to what was swept.

Refuses: what stands on a page, and any bench.
"""
