"""The two words for fault. Anything else that leaves this room is a bug."""

from __future__ import annotations

import errno


class RequestError(Exception):
    """We asked for something impossible. The message is one line: what, whose fault, what to do next."""


class MachineError(RequestError):
    """What was asked is possible, but not on this computer as it is now: its disk is full, it does not let us write."""


def not_written(error: OSError) -> type[RequestError]:
    """Whose fault it is that a file could not be written: the disk's when it is full or fails, else the name's."""
    return MachineError if error.errno in (errno.ENOSPC, errno.EDQUOT, errno.EIO, errno.EFBIG) else RequestError


class AnalyzerError(Exception):
    """The instrument or the wire failed. The message is one line: what, whose fault, what to do next."""


class SettingsLostError(AnalyzerError):
    """The analyzer no longer holds what was set: it has restarted, and its own correction may be gone as well."""


class PortLostError(AnalyzerError):
    """The port is gone (unplugged, hung up, taken away). It was closed before this was raised."""
