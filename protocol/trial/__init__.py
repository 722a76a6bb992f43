"""A profile tried line by line, at an analyzer or against a wire log.

Enters: `tui.commands`. Beside `protocol.learn`; sends only what the profile says.
"""
