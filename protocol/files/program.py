"""Which program this is, for files that outlive it.

Owns: its version in words. Refuses: to ask any network.
"""

from __future__ import annotations

from importlib.metadata import PackageNotFoundError, version


def program_version() -> str:
    """The installed version; "not installed" where it runs from a folder."""
    try:
        return version("deepnotch")
    except PackageNotFoundError:
        return "not installed"
