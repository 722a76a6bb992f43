"""Small harmless settings and sweeps: which way of writing takes effect, how data come, what each column is.

Enters: `protocol.learn`. Imports `protocol.learn.words` and below.
"""
