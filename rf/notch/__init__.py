"""Where the notch lies although the floor hides it: the fit of a chain of cavities, and what a turned screw did.

Enters: the figures of a visit and tuning. Imports `rf.values` and `rf.floor`.
"""
