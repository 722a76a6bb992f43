"""From sweeps to floor and bound: coherent average, random floor, leak, pool of a zoom, proof, forecast.

Enters: the figures of a visit and the rooms of `rf` above it. Imports `rf.values` only.
"""
