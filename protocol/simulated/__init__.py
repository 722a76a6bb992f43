"""A stand-in analyzer: honest physics in a process of its own behind a pty."""
