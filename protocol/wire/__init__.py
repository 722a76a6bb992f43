"""Bytes over a serial device: opening, reading in bulk, one family of errors, finding a port again, the serial thread.

Enters: analyzer, runs and learning. Knows no command of any analyzer.
"""
