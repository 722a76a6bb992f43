"""The command line: what each command does, questions on a plain terminal, printing.

Enters: `tui.cli`. Imports screens only inside the commands that show one.
"""
