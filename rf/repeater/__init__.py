"""The repeater around the duplexer: hook-up, path, pass band, keyed transmitter, feeder, desense.

Enters: `visit`. Imports the rooms of `rf` below it.
"""
