"""The serial link on a pty: what opens, what does not, and what is said when the port goes."""

from __future__ import annotations

import asyncio
import contextlib
import errno
import os
import pty
import subprocess
import sys
import termios
import threading
import tty
from collections.abc import AsyncIterator, Iterator
from pathlib import Path

import pytest
import serial

import protocol.wire.link
from protocol.errors import AnalyzerError, MachineError, PortLostError, RequestError
from protocol.profiles.profile import SerialSettings
from protocol.wire.link import Patience, SerialLink
from protocol.wire.port_errors import holder, translated_io, translated_opening
from protocol.wire.ports import list_ports

FILES = Path("/proc/self/fd")
HOLD = """
import fcntl, os, sys
fd = os.open(sys.argv[1], os.O_RDWR | os.O_NOCTTY)
fcntl.flock(fd, fcntl.LOCK_EX)
print("held", flush=True)
sys.stdin.read()
"""


class Pair:
    """Both ends of a pty; the far end is the device."""

    def __init__(self) -> None:
        self.far, self.near = pty.openpty()
        tty.setraw(self.near)
        os.set_blocking(self.far, False)
        self.node = os.ttyname(self.near)

    def unplug(self) -> None:
        for fd in (self.near, self.far):
            with contextlib.suppress(OSError):
                os.close(fd)
        self.near = self.far = -1


@pytest.fixture
def pair() -> Iterator[Pair]:
    pair = Pair()
    yield pair
    pair.unplug()


@pytest.fixture
async def link(pair: Pair) -> AsyncIterator[SerialLink]:
    link = await SerialLink.open(pair.node)
    yield link
    await link.close()


async def test_bytes_go_both_ways(pair: Pair, link: SerialLink) -> None:
    await link.send(b"who\r")
    assert os.read(pair.far, 100) == b"who\r"
    os.write(pair.far, b"\x00\x03\x04\x11\x13\x1a\xff\r\n")  # none of them may be taken for a control character
    assert await link.receive(1) == b"\x00\x03\x04\x11\x13\x1a\xff\r\n"
    with pytest.raises(TimeoutError):
        await link.receive(0.01)


async def test_a_cancelled_wait_loses_nothing(pair: Pair, link: SerialLink) -> None:
    waiting = asyncio.create_task(link.receive(5))
    await asyncio.sleep(0)
    waiting.cancel()
    with pytest.raises(asyncio.CancelledError):
        await waiting
    os.write(pair.far, b"late")
    assert await link.receive(1) == b"late"


async def test_more_than_the_kernel_takes_is_sent_in_pieces(pair: Pair, link: SerialLink) -> None:
    data = bytes(range(256)) * 1024
    sending = asyncio.create_task(link.send(data))
    came = b""
    while len(came) < len(data):
        await asyncio.sleep(0)
        with contextlib.suppress(BlockingIOError):
            came += os.read(pair.far, 65536)
    await sending
    assert came == data


async def test_a_port_that_takes_nothing_is_said_to_be_stuck(link: SerialLink, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protocol.wire.link, "WRITE_S", 0.05)
    with pytest.raises(AnalyzerError, match="takes no bytes"):
        await link.send(bytes(1 << 20))


async def test_unplug_is_reported_at_once_and_after_the_port_was_closed(pair: Pair, link: SerialLink) -> None:
    fds = len(list(FILES.iterdir()))
    waiting = asyncio.create_task(link.receive(30))
    await asyncio.sleep(0)
    pair.unplug()
    with pytest.raises(PortLostError, match=r"^/dev/pts/\d+ is gone"):
        await waiting
    assert len(list(FILES.iterdir())) < fds - 2, "the port must be given back before its loss is told"
    for _ in range(2):
        with pytest.raises(PortLostError):
            await link.send(b"x")
        with pytest.raises(PortLostError):
            await link.receive(1)


async def test_a_loss_is_not_told_before_the_port_is_given_back(
    pair: Pair, link: SerialLink, monkeypatch: pytest.MonkeyPatch
) -> None:
    """A held descriptor makes the device come back under another number."""
    release, real = threading.Event(), protocol.wire.link._close_port

    def slow(port: serial.Serial) -> None:
        release.wait(5)
        real(port)

    monkeypatch.setattr(protocol.wire.link, "_close_port", slow)
    pair.unplug()
    while link._open:
        await asyncio.sleep(0)
    calls = [asyncio.create_task(link.send(b"x")), asyncio.create_task(link.receive(5))]
    for _ in range(20):
        await asyncio.sleep(0)
    assert not any(call.done() for call in calls)
    release.set()
    results = await asyncio.gather(*calls, return_exceptions=True)
    assert all(isinstance(result, PortLostError) for result in results)


async def test_unplug_while_sending(pair: Pair, link: SerialLink) -> None:
    sending = asyncio.create_task(link.send(bytes(1 << 20)))
    await asyncio.sleep(0)
    pair.unplug()
    with pytest.raises(PortLostError):
        await sending


async def test_closing_ends_a_wait_with_its_cause(link: SerialLink) -> None:
    waiting = asyncio.create_task(link.receive(30))
    await asyncio.sleep(0)
    await link.close()
    with pytest.raises(AnalyzerError, match="was closed"):
        await waiting
    await link.close()
    with pytest.raises(AnalyzerError, match="was closed"):
        await link.send(b"x")


async def test_a_flood_is_cut_and_reported_once(pair: Pair, link: SerialLink, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(protocol.wire.link, "BUFFER_LIMIT", 2000)
    for _ in range(3):
        os.write(pair.far, bytes(1000))
        await asyncio.sleep(0.01)
    with pytest.raises(AnalyzerError, match="came unasked"):
        await link.receive(1)
    os.write(pair.far, b"ok")
    assert (await link.receive(1)).endswith(b"ok")


async def test_a_second_opening_is_refused_and_names_the_holder(pair: Pair, link: SerialLink) -> None:
    with pytest.raises(RequestError, match="in use by this program itself"):
        await SerialLink.open(pair.node)
    with pytest.raises(serial.SerialException):
        serial.Serial(pair.node, exclusive=True)
    await link.send(b"still mine")
    assert os.read(pair.far, 100) == b"still mine"


async def test_programs_that_ask_for_no_lock_are_kept_out(pair: Pair, link: SerialLink) -> None:
    """TIOCEXCL (tty_ioctl(4)) does not hold root back: the other program runs as somebody else when we are root."""
    os.chmod(pair.node, 0o666)  # noqa: PTH101 - a device node, not a file of ours
    somebody = 65534 if os.geteuid() == 0 else os.geteuid()
    command = ["/bin/sh", "-c", 'exec 3<>"$1"', "sh", pair.node]
    done = subprocess.run(command, stderr=subprocess.PIPE, text=True, user=somebody, check=False)
    assert done.returncode != 0 and "busy" in done.stderr


async def test_another_program_is_named(pair: Pair) -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", HOLD, pair.node], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None and process.stdout is not None
    try:
        process.stdout.readline()
        with pytest.raises(RequestError, match=rf"in use by python[\d.]* \(pid {process.pid}\); end that program"):
            await SerialLink.open(pair.node)
    finally:
        process.stdin.close()
        process.wait(5)
        process.stdout.close()
    await (await SerialLink.open(pair.node)).close()


async def test_exclusive_use_ends_with_closing(pair: Pair) -> None:
    for _ in range(2):
        await (await SerialLink.open(pair.node)).close()
    os.close(os.open(pair.node, os.O_RDWR | os.O_NOCTTY))


@pytest.mark.parametrize(
    ("port", "says"),
    [("/dev/no-such-port", "no such port"), ("/dev/null", "is not a serial port"), ("/tmp", "is not a serial port")],
)
async def test_what_is_no_port(port: str, says: str) -> None:
    with pytest.raises(RequestError, match=says):
        await SerialLink.open(port)


def test_no_permission_names_the_cure(tmp_path: Path) -> None:
    port = tmp_path / "tty"
    port.touch(mode=0o660)
    os.chown(port, -1, os.getgid())
    message = str(translated_opening(PermissionError(13, "Permission denied"), str(port)))
    assert "no permission for" in message and ("usermod -aG" in message or "root alone" in message)
    assert "\n" not in message


@pytest.mark.parametrize(
    "error",
    [
        OSError(5, "Input/output error"),
        termios.error(5, "Input/output error"),
        serial.SerialException("device reports readiness to read but returned no data"),
        OSError(19, "No such device"),
    ],
)
def test_the_three_families_of_an_unplug_are_one(error: Exception) -> None:
    """pyserial: SerialException from read and write, OSError from in_waiting, termios.error from the buffers."""
    assert isinstance(translated_io(error, "/dev/x"), PortLostError)


async def test_opening_that_hangs_is_given_up_and_its_port_closed(pair: Pair, monkeypatch: pytest.MonkeyPatch) -> None:
    release, real = threading.Event(), protocol.wire.link._open_port

    def slow(name: str, settings: SerialSettings) -> serial.Serial:
        release.wait(5)
        return real(name, settings)

    monkeypatch.setattr(protocol.wire.link, "_open_port", slow)
    monkeypatch.setattr(protocol.wire.link, "OPEN_S", 0.02)
    with pytest.raises(AnalyzerError, match="does not open within"):
        await SerialLink.open(pair.node)
    release.set()


def test_nobody_holds_a_port_that_is_not_there() -> None:
    assert holder("/dev/no-such-port") == "another program"


def test_ports_have_lasting_names(tmp_path: Path) -> None:
    (tmp_path / "usb-Nowhere_Box-if00").symlink_to("/dev/null")
    ports = {port.node: port for port in list_ports(tmp_path)}
    assert ports["/dev/null"].best == str(tmp_path / "usb-Nowhere_Box-if00")
    assert all(port.node.startswith("/dev/") and port.description.isascii() for port in ports.values())
    list_ports(tmp_path / "missing")


async def test_bytes_that_trickle_for_ever_are_given_up(pair: Pair, link: SerialLink) -> None:
    """Each comes within its patience; all together they may not take longer than a whole reply."""
    came = bytearray()
    loop = asyncio.get_running_loop()

    def trickle() -> None:
        os.write(pair.far, b"1")
        if len(came) < 60:
            loop.call_later(0.02, trickle)

    def sink(piece: bytes) -> bool:
        came.extend(piece)
        return len(came) >= 60

    trickle()
    with pytest.raises(TimeoutError):
        await link.feed(sink, Patience(0.5, 0.5, 0.6))
    assert 0 < len(came) < 60
    came.extend(bytes(60))  # ends the trickle


@pytest.mark.parametrize(
    ("number", "cure"),
    [(errno.EMFILE, "ulimit -n"), (errno.ENFILE, "close other programs"), (errno.ENOMEM, "close other programs")],
)
def test_a_limit_of_the_computer_is_lifted_where_it_stands(number: int, cure: str) -> None:
    told = translated_opening(OSError(number, "x"), "/dev/ttyX")
    assert isinstance(told, MachineError) and cure in str(told) and ("ulimit" in str(told)) is (number == errno.EMFILE)
