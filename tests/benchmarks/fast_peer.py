"""The small analyzer of tests/protocol/peer.py without its computing: each reply is made once and kept, so that the pty
and the program are all that takes time. `SWEEP_S` is how long a sweep lasts; "lost" tells how long it stood idle.

Run: fast_peer.py DIALECT SWEEP_S; prints its node, then obeys "lost" on stdin: sweeps, seconds between a sweep's end
and the next one's beginning, seconds altogether.
"""

from __future__ import annotations

import os
import pty
import select
import sys
import time
import tty

from tests.protocol.peer import DIALECTS, Instrument

VARIANTS = 32
"""Sweeps that differ, as noise has it; after so many the first comes again. Until then the peer is slow itself, and
what is lost is not counted."""


def main() -> None:
    instrument, sweep_s = Instrument(), float(sys.argv[2])
    dialect = DIALECTS[sys.argv[1]](instrument)
    master, slave = pty.openpty()
    tty.setraw(slave)
    print(os.ttyname(slave), flush=True)
    kept: dict[tuple[bytes, int], bytes] = {}
    began = due = time.monotonic()
    lost = 0.0
    while True:
        ready, _, _ = select.select([0, master], [], [])
        if 0 in ready:
            if not os.read(0, 4096):
                return
            print(instrument.sweeps - VARIANTS - 1, lost, due - began, flush=True)
        if master in ready:
            data = os.read(master, 65536)
            before, key = instrument.sweeps, (data, instrument.sweeps % VARIANTS)
            reply = kept.get(key)
            if reply is None:
                reply = dialect.feed(data)
                now = time.monotonic()
                if instrument.sweeps != before:  # a sweep begins
                    if before > VARIANTS:
                        lost += now - due
                    else:
                        began = now
                    due = now + sweep_s
                elif len(reply) > 1000:
                    kept[key] = reply
            if due > time.monotonic():
                time.sleep(max(due - time.monotonic(), 0.0))
            while reply:
                reply = reply[os.write(master, reply) :]


if __name__ == "__main__":
    main()
