"""The visit file: every sweep committed as it comes, its schema, its soundness, and which process measures into it.

Enters: every room of `visit` above it. Knows no figures.
"""
