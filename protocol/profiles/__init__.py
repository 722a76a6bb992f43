"""What is known of one kind of analyzer: the profile's types, its reading from TOML, command templates.

Enters: dialects, analyzer, learning. No I/O but reading the file.
"""
