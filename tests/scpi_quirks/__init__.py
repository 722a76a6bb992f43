"""Emulated two-port analyzers that speak SCPI-1999 / IEEE 488.2 imperfectly; every identity is invented."""
