"""Owns the package `strangers`: invented text consoles of two-port RF analyzers, served behind a pty."""
