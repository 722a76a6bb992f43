"""Owns the public names of the package: an independent model of antenna duplexers and of the bench around them."""

from . import bench, cases
from .bench import Bench
from .design import KINDS, make, plausible, tune
from .unit import Unit, load, names

__all__ = ["KINDS", "Bench", "Unit", "bench", "cases", "load", "make", "names", "plausible", "tune"]
