"""Text and small files from anywhere, untrusted: TOML, Touchstone, words that may hold control codes.

Enters: every room above `rf`. Imports `protocol.errors` only.
"""
