"""The cautions that stand on every screen where a lead or a screw may be touched.

Owns: their words, long and short. Refuses: to be left out; no pop-up may hide them.
"""

from __future__ import annotations

SAFETY = "SAFETY  transmitter off, locked, proved dead before a connector opens; never key into the analyzer"
SAFETY_SHORT = "SAFETY  TX off, locked, proved dead first; never key into the analyzer"
"""For 80 columns."""
