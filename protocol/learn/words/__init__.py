"""What a console says of itself and what may be sent to it: careful talk, listings, the lexicon, the permission.

Enters: `protocol.learn`. Imports dialects, profiles and wire; knows no sweep.
"""
