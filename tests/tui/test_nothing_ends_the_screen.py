"""No byte that a terminal sends ends the screen, and a screen that fails does not end the run."""

from __future__ import annotations

import re
import signal
import stat
import sys
import termios
import textwrap
import time
from collections.abc import Iterable, Iterator
from pathlib import Path
from unittest import mock

import pytest
from hypothesis import given
from hypothesis import strategies as st
from textual.events import Key, Paste
from textual.message import Message

from protocol.simulated.bench import Bench, start_bench
from tests.tui.terminal import PATIENCE_S, Terminal
from tests.tui.test_terminal_gone import SITE, outcomes, remarks, sequences, wait_until
from tui.commands.exit_status import ExitStatus
from tui.terminal.thin_line import QUICK_S, WHOLE_EVERY_S, ThinApp
from tui.terminal.typed_bytes import LONGEST_PASTE, PASTE_BEGINS, PASTE_PAUSE_S, TypedBytes

SWEEPS = 30
NOISE = [b"\xc3\x28", b"\xff", b"\xfc\xe4", b"\xc3", b"\x00\x80\xfe", b"\x1b[48;99999;99999;1;1t", b"\x1b[<0;1;1"]


def keys(messages: list[Message]) -> list[str]:
    return [message.key for message in messages if isinstance(message, Key)]


def key_after(pieces: Iterable[bytes]) -> list[str]:
    """The keys of a `q` that is typed when all that came before it has had its time."""
    typed, now_s = TypedBytes(), 0.0
    with mock.patch("textual._parser.get_time", lambda: now_s):
        for piece in pieces:
            typed.feed(piece, now_s)
            now_s += 0.5
            typed.tick(now_s)
        for _ in range(2):
            now_s += PASTE_PAUSE_S + 1.0
            typed.tick(now_s)
        return keys(typed.feed(b"q", now_s))


@pytest.mark.parametrize("noise", NOISE)
def test_after_any_noise_the_next_key_is_a_key(noise: bytes) -> None:
    assert key_after([noise])[-1:] == ["q"]


def test_a_paste_that_never_ends_is_given_up() -> None:
    typed = TypedBytes()
    assert keys(typed.feed(PASTE_BEGINS.encode() + b"abc", 0.0)) == []
    typed.tick(PASTE_PAUSE_S / 2)
    typed.feed(b"d", PASTE_PAUSE_S / 2)
    typed.tick(2 * PASTE_PAUSE_S)
    assert keys(typed.feed(b"q", 2 * PASTE_PAUSE_S)) == ["q"]
    typed.feed(PASTE_BEGINS.encode() + b"x" * LONGEST_PASTE, 20.0)
    typed.tick(21.0 + PASTE_PAUSE_S)
    assert keys(typed.feed(b"q", 21.0 + PASTE_PAUSE_S)) == ["q"]


def test_the_rest_of_a_paste_that_is_too_long_is_no_keys() -> None:
    typed = TypedBytes()
    typed.feed(PASTE_BEGINS.encode() + b"x" * LONGEST_PASTE, 0.0)
    assert typed.feed(b"wzq c\r" * 100 + b"\x1b[20", 0.1) == []
    assert keys(typed.feed(b"1~n", 0.2)) == ["n"]


def test_a_paste_without_marks_is_no_keys() -> None:
    """A page of text in pieces as they come; what is typed afterwards, and before, are keys."""
    typed = TypedBytes()
    assert keys(typed.feed(b"Af90@1000\r", 0.0)) == [*"Af90", "at", *"1000", "enter"]
    page = b"what was pasted here is no command: q w z\r" * 30
    pieces = [page[at : at + 500] for at in range(0, len(page), 500)]
    messages = [message for n, piece in enumerate(pieces) for message in typed.feed(piece, 1.0 + n / 10)]
    assert "".join(message.text for message in messages if isinstance(message, Paste)).encode() == page
    assert keys(messages) == []
    assert keys(typed.feed(b"q", 5.0)) == ["q"]
    assert keys(typed.feed(b"j" * 200, 6.0)) == ["j"] * 200  # a key that is held down on a line that stalled


@pytest.mark.parametrize("pieces", [[b"%s\r"], [b"%s", b"\r"]])
def test_a_long_line_that_comes_at_once_is_taken_by_its_enter(pieces: list[bytes]) -> None:
    """As a script types the name of a port."""
    name = "/dev/serial/by-id/analyzer-of-the-site-with-a-long-name-and-a-number-0123456789"
    typed = TypedBytes()
    messages = [
        one for n, piece in enumerate(pieces) for one in typed.feed(piece.replace(b"%s", name.encode()), n / 10)
    ]
    assert [one.text for one in messages if isinstance(one, Paste)] == [name] and keys(messages) == ["enter"]


def test_a_slow_line_breaks_no_paste() -> None:
    """Its end comes in two pieces with a pause that makes an escape a key: a lone `q` in a paste must not quit."""
    typed, now_s, messages = TypedBytes(), 0.0, []
    with mock.patch("textual._parser.get_time", lambda: now_s):
        for piece in (b"\x1b[20", b"0~q", b"\x1b", b"[201~", b"z"):
            messages += [*typed.feed(piece, now_s), *typed.tick(now_s + 0.3)]
            now_s += 0.3
    assert [message.text for message in messages if isinstance(message, Paste)] == ["q"] and keys(messages) == ["z"]


def test_a_whole_paste_is_taken_in_pieces() -> None:
    typed = TypedBytes()
    pieces = [b"\x1b[20", b"0~Gr\xc3", b"\xbc\xc3\x9fe\x1b[2", b"01~", b"q"]
    messages = [message for n, piece in enumerate(pieces) for message in typed.feed(piece, n / 10)]
    assert [message.text for message in messages if isinstance(message, Paste)] == ["Grüße"]
    assert keys(messages)[-1:] == ["q"] and typed.dropped == 0


@given(st.lists(st.one_of(st.binary(max_size=40), st.sampled_from(NOISE), st.just(PASTE_BEGINS.encode()))))
def test_any_bytes_are_taken(pieces: list[bytes]) -> None:
    assert key_after(pieces)[-1:] == ["q"]


@pytest.fixture
def bench() -> Iterator[Bench]:
    with start_bench(["--speed", "0.2", "--seed", "4"]) as bench:
        yield bench


def words(bench: Bench, path: Path) -> list[str]:
    return ["live", "--port", bench.node, "--site", SITE, "--visit", str(path), "--sweeps", str(SWEEPS)]


def sweeping(screen: Terminal) -> None:
    screen.wait_for(lambda text: bool(re.search(rf"SWEEPS +[1-9]\d* of {SWEEPS}", text)))


def test_what_others_do_to_the_terminal_is_undone(bench: Bench, tmp_path: Path) -> None:
    """A message to all terminals lies over a figure; somebody sets the terminal to lines and echo."""
    screen = Terminal(words(bench, tmp_path / "a.visit"))
    try:
        sweeping(screen)
        screen.draw_over(b"\x1b[2J\x1b[Hthe system goes down for maintenance")
        assert "REJECT" not in screen.text
        screen.type("\x0c")
        screen.wait_for(lambda text: "REJECT at" in text and "goes down" not in text)
        mine = screen.modes()
        cooked = [*mine]
        cooked[3] |= termios.ICANON | termios.ECHO
        screen.change_modes(cooked)
        screen.wait_for(lambda _: screen.modes()[3] == mine[3])
        screen.type("?")
        screen.wait_for("Keys (")
    finally:
        screen.close()


def test_a_screen_is_written_whole_now_and_then(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nobody presses a key, and what somebody wrote over it goes all the same; not on a line that is slow."""
    drawn: list[float] = []
    monkeypatch.setattr(ThinApp, "draw_anew", lambda app: drawn.append(app._whole_s))
    app: ThinApp[None] = ThinApp()
    app._whole_s = -2 * WHOLE_EVERY_S
    for took_s, whole in ((2 * QUICK_S, 0), (0.0, 1)):
        app._pace.wrote(time.monotonic() - took_s)
        app.on_cursor_position()
        assert len(drawn) == whole
    app._whole_s = time.monotonic()
    app._pace.wrote(time.monotonic())
    app.on_cursor_position()
    assert len(drawn) == 1


def test_bytes_that_are_no_text_change_nothing(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    screen = Terminal(words(bench, path))
    try:
        sweeping(screen)
        for noise in (b"\xc3\x28", b"\xff", b"\x80\xfe\xff" * 2000, b"\x1b[48;9999;9999;0;0t"):
            screen.send(noise)
        screen.wait_for(f"{SWEEPS} of {SWEEPS}")
        screen.type("q")
        assert screen.wait_for_end() == 0 and b"Traceback" not in screen.raw
    finally:
        screen.close()
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


def test_a_screen_that_fails_leaves_the_run_to_its_end(bench: Bench, tmp_path: Path) -> None:
    """A fault is put into the rows; it is told in one line, kept in a private file, and has its own status."""
    path, state = tmp_path / "a.visit", tmp_path / "state"
    broken = textwrap.dedent("""
        import sys
        import tui.screens.live_rows as rows
        from tui.cli import main
        sound = rows.sweeps_row
        def sweeps_row(state):
            if state.progress.done > 2:
                raise ZeroDivisionError("made for the test")
            return sound(state)
        rows.sweeps_row = sweeps_row
        sys.exit(main(sys.argv[1:]))
    """)
    screen = Terminal(words(bench, path), {"XDG_STATE_HOME": str(state)}, command=(sys.executable, "-c", broken))
    try:
        assert screen.wait_for_end() == ExitStatus.BUG
    finally:
        screen.close()
    said = screen.raw.rpartition(b"\x1b[?1049l")[2].decode()
    assert "ZeroDivisionError: made for the test" in said and "Traceback" not in said
    (kept,) = (state / "deepnotch/crashes").iterdir()
    assert str(kept) in said.replace("\r\n", "") and stat.S_IMODE(kept.stat().st_mode) == 0o600
    assert "sweeps_row" in kept.read_text()
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]
    assert ("terminal", "the screen failed; the run goes on without one") in remarks(path)


def test_after_a_crash_a_hang_up_still_leaves_the_run(bench: Bench, tmp_path: Path) -> None:
    path = tmp_path / "a.visit"
    broken = "import sys, tui.screens.live_rows as rows; from tui.cli import main\n"
    broken += "sound = rows.path_row\n"
    broken += "rows.path_row = lambda state, *more: 1 / (not state.progress.done) and sound(state, *more)\n"
    broken += "sys.exit(main(sys.argv[1:]))"
    screen = Terminal(words(bench, path), {"XDG_STATE_HOME": str(tmp_path)}, command=(sys.executable, "-c", broken))
    try:
        screen.wait_for("the run goes on")
        screen.process.send_signal(signal.SIGCONT)  # comes with every hang-up, but not always at once
        screen.hang_up()
        assert screen.process.wait(PATIENCE_S) == ExitStatus.BUG
    finally:
        screen.close()
    wait_until(lambda: outcomes(path) == ["complete"], "the run's end")
    assert sequences(path) == list(range(SWEEPS))
    assert len(list((tmp_path / "deepnotch/crashes").iterdir())) == 1


@pytest.mark.parametrize("stop", [signal.SIGSTOP, pytest.param(signal.SIGTSTP, marks=pytest.mark.long)])
def test_a_program_that_was_stopped_goes_on(bench: Bench, tmp_path: Path, stop: signal.Signals) -> None:
    """Meanwhile somebody else has used the terminal."""
    path = tmp_path / "a.visit"
    screen = Terminal(words(bench, path))
    try:
        plain = screen.modes()
        sweeping(screen)
        screen.process.send_signal(stop)
        wait_until(lambda: stopped(screen.process.pid), "the stop")
        while screen.read():
            pass
        screen.change_modes(plain)
        screen.clear()
        screen.process.send_signal(signal.SIGCONT)
        screen.wait_for(f"{SWEEPS} of {SWEEPS}")
        screen.wait_for("SAFETY")
        assert not screen.modes()[3] & termios.ECHO
        screen.type("q")
        assert screen.wait_for_end() == 0 and screen.modes() == plain
    finally:
        screen.close()
    assert sequences(path) == list(range(SWEEPS)) and outcomes(path) == ["complete"]


def stopped(pid: int) -> bool:
    """proc(5), stat field 3."""
    return Path(f"/proc/{pid}/stat").read_text().rpartition(")")[2].split()[0] == "T"
