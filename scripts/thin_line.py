"""The live screen over `ssh -C` through a real sshd on loopback, the link shaped to a few kbit/s: bytes and key times.

Run by hand: .venv/bin/python scripts/thin_line.py [KBIT_S ...]     (64 and 4 when none is given; two minutes each)
Needs `apt install openssh-server`. The sshd is its own: high port, fresh keys, nothing of the system's configuration;
it ends with the script. A relay between client and server paces the bytes of both directions and delays them by 100 ms.
"""

from __future__ import annotations

import asyncio
import contextlib
import getpass
import os
import shutil
import socket
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parents[1]))
from tests.tui.terminal import ROOT, Terminal
from tui.terminal.thin_driver import ASK

DELAY_S = 0.1
CHUNK = 256
KEYS = 7
WATCHED_S = 20.0
PATIENCE_S = 120.0


class Relay:
    """A link of so many bytes a second, DELAY_S long, on a port of its own; counts what passes."""

    def __init__(self, bytes_s: float, target: int) -> None:
        self.down = self.up = 0
        self._bytes_s, self._target = bytes_s, target
        self._loop = asyncio.new_event_loop()
        ready: threading.Event = threading.Event()
        self.port = 0

        async def serve() -> None:
            server = await asyncio.start_server(self._joined, "127.0.0.1", 0)
            self.port = server.sockets[0].getsockname()[1]
            ready.set()

        def run() -> None:
            self._loop.run_until_complete(serve())
            self._loop.run_forever()

        threading.Thread(target=run, daemon=True).start()
        ready.wait()

    async def _joined(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter) -> None:
        far_reader, far_writer = await asyncio.open_connection("127.0.0.1", self._target)
        await asyncio.gather(self._pace(reader, far_writer, "up"), self._pace(far_reader, writer, "down"))

    async def _pace(self, reader: asyncio.StreamReader, writer: asyncio.StreamWriter, name: str) -> None:
        """One byte leaves every 1/rate seconds and arrives DELAY_S later."""
        free = self._loop.time()
        with contextlib.suppress(ConnectionError):
            while data := await reader.read(CHUNK):
                setattr(self, name, getattr(self, name) + len(data))
                free = max(free, self._loop.time()) + len(data) / self._bytes_s
                self._loop.call_at(free + DELAY_S, writer.write, data)
                await asyncio.sleep(free - self._loop.time())
        self._loop.call_at(free + DELAY_S, writer.close)


@contextlib.contextmanager
def server() -> Iterator[tuple[int, Path]]:
    """An sshd of our own: its port, and the folder with the keys."""
    sshd = shutil.which("sshd", path=f"{os.environ.get('PATH', '')}:/usr/sbin:/usr/local/sbin")
    if sshd is None or shutil.which("ssh") is None:
        sys.exit("thin_line: sshd or ssh is missing; apt install openssh-server openssh-client")
    separation = Path("/run/sshd")
    made = os.geteuid() == 0 and not separation.exists()
    if made:
        separation.mkdir()
    with tempfile.TemporaryDirectory() as name, socket.socket() as free:
        folder = Path(name)
        for key in ("host", "user"):
            subprocess.run(["ssh-keygen", "-q", "-t", "ed25519", "-N", "", "-f", folder / key], check=True)
        shutil.copy(folder / "user.pub", folder / "allowed")
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
        free.close()
        settings = folder / "sshd_config"
        settings.write_text(
            f"Port {port}\nListenAddress 127.0.0.1\nHostKey {folder}/host\nAuthorizedKeysFile {folder}/allowed\n"
            f"PidFile {folder}/pid\nStrictModes no\nUsePAM no\nPasswordAuthentication no\nPermitRootLogin yes\n"
            "PrintMotd no\nPrintLastLog no\n",
            encoding="utf-8",
        )
        running = subprocess.Popen([sshd, "-D", "-f", settings, "-E", folder / "log"])
        try:
            until = time.monotonic() + 10
            while True:
                with contextlib.suppress(OSError), socket.create_connection(("127.0.0.1", port), 1):
                    break
                if running.poll() is not None or time.monotonic() > until:
                    sys.exit(f"thin_line: sshd does not start: {(folder / 'log').read_text()[-300:]}")
                time.sleep(0.05)
            yield port, folder
        finally:
            running.terminate()
            running.wait()
            if made:
                separation.rmdir()


@dataclass(frozen=True, slots=True)
class Measured:
    """What one link showed; seconds, bytes a second from the analyzer's side to the reader's, and back."""

    first_s: float
    keys_s: tuple[float, ...]
    live_down: float
    live_up: float
    pictures_s: float
    idle_down: float
    idle_up: float


def until(screen: Terminal, text: str) -> float:
    began = time.monotonic()
    screen.wait_for(text, PATIENCE_S)
    return time.monotonic() - began


def watched(screen: Terminal, relay: Relay) -> tuple[float, float, float]:
    """Bytes a second down and up, and pictures a second."""
    down, up, before, began = relay.down, relay.up, len(screen.raw), time.monotonic()
    while time.monotonic() - began < WATCHED_S:
        screen.read(0.05)
    took = time.monotonic() - began
    pictures = screen.raw[before:].count(ASK.encode())
    return (relay.down - down) / took, (relay.up - up) / took, pictures / took


def measure(kbit_s: float) -> Measured:
    """One session over one link."""
    with server() as (port, folder):
        relay = Relay(kbit_s * 1000 / 8, port)
        ssh = [
            "ssh", "-F", "none", "-C", "-tt", "-q", "-p", str(relay.port), "-i", str(folder / "user"),
            "-o", "StrictHostKeyChecking=no", "-o", "UserKnownHostsFile=/dev/null", "-o", "IdentitiesOnly=yes",
            f"{getpass.getuser()}@127.0.0.1",
        ]  # fmt: skip
        remote = f"cd {ROOT} && LANG=C.UTF-8 {sys.executable} -m tui demo --visit {folder}/a.visit --sweeps"
        screen = Terminal([f"{remote} 100000"], command=ssh)
        try:
            first_s = until(screen, "SWEEPS  ")
            screen.wait_for("FLOOR   one sweep READING", PATIENCE_S)
            live = watched(screen, relay)
            keys = []
            for _ in range(KEYS):
                screen.type("?")
                keys.append(until(screen, "Esc"))
                screen.type("\x1b")
                began = time.monotonic()
                screen.wait_for(lambda text: "SAFETY" in text and "Esc" not in text, PATIENCE_S)
                keys.append(time.monotonic() - began)
            screen.type(" ")
            screen.wait_for("stopped", PATIENCE_S)
            settled = time.monotonic() + 3
            while time.monotonic() < settled:
                screen.read()
            idle = watched(screen, relay)
            screen.type("q")
            screen.wait_for_end(PATIENCE_S)
        finally:
            screen.close()
    return Measured(first_s, tuple(keys), *live, *idle[:2])


def main() -> None:
    for kbit_s in [float(word) for word in sys.argv[1:]] or [64.0, 4.0]:
        found = measure(kbit_s)
        print(
            f"{kbit_s:g} kbit/s: screen {found.first_s:.1f} s after login began; live {found.live_down:.0f} bytes/s"
            f" down, {found.live_up:.0f} up, {found.pictures_s:.2f} pictures/s; key to effect median"
            f" {statistics.median(found.keys_s):.2f} s, longest {max(found.keys_s):.2f} s; idle {found.idle_down:.0f}"
            f" bytes/s down, {found.idle_up:.0f} up",
            flush=True,
        )


if __name__ == "__main__":
    main()
