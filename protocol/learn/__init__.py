"""Learns the dialect of an unknown analyzer and writes a profile for it, with the evidence for every line.

Main path: `learner.learn` -> `talk` (what may be said) -> `opening` (prompt, echo, listing) -> `listing` and
`vocabulary` (what the words mean) -> `trial` (small sweeps) -> `shapes` (reply shapes) -> `writer` (the file). SCPI:
`scpi`.
"""
