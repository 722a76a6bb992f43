"""Dialects without a port: each talk whole, byte by byte and with strange bytes behind; each damage is one Fault."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from protocol.dialects import make_dialect
from protocol.dialects.events import (
    Accepted,
    Apply,
    Dialect,
    Fault,
    Identify,
    IdentityReply,
    ReadHelp,
    ReadSettings,
    Request,
    Send,
    SettingsReply,
    Setup,
    SweepReply,
    TakeSweep,
    TextReply,
)
from protocol.dialects.exchange import PLAIN_LIMIT
from protocol.errors import RequestError
from protocol.profiles.profile import load_profile, parse_profile
from protocol.sweep import SweepSettings
from tests.protocol.feeding import Talk, check_talk

LINES = Path(load_profile("console-lines").source).read_text(encoding="utf-8")
TRACES = Path(load_profile("console-traces").source).read_text(encoding="utf-8")
SCPI = Path(load_profile("scpi").source).read_text(encoding="utf-8")
ASCII = SCPI.replace('format = "real64"', 'format = "ascii"')
SETTINGS = SweepSettings(450e6, 451e6, 3, 1000.0)
OK = b'0,"No error"\n'
YOURS = b"your turn: "
S11, S21 = np.array([0.5 - 0.25j, 0.125j, -1.0]), np.array([1e-5j, -2e-5 + 0j, 3e-5 - 1e-9j])
ROWS = (
    b"450000000 0.5 -0.25 0 1e-5\r\n"
    b"450500000 0 0.125 -2e-5 0\r\n"
    b"451000000 -1 0 3E-05 -1.0e-9\r\n"
)  # fmt: skip


def make(text: str) -> Dialect:
    return make_dialect(parse_profile(text))


def talk(text: str, request: Request, *pairs: tuple[bytes, bytes]) -> object:
    return check_talk(lambda: make(text), request, pairs)


def lines_talk(table: bytes) -> Talk:
    return ((b"measure\r", b"measure\r\n" + YOURS), (b"table\r", b"table\r\n" + table + YOURS))


def test_console_identity_help_and_settings() -> None:
    reply = talk(LINES, Identify(), (b"who\r", b"who\r\nBox \x1b[31m3\r\n" + YOURS))
    assert isinstance(reply, IdentityReply) and reply.identity.text == "Box 3"
    reply = talk(LINES, ReadHelp(), (b"words\r", b"words\r\nwho\r\n\r\nmeasure\r\n" + YOURS))
    assert reply == TextReply(("who", "measure"))
    answer = b"settings\r\nstart 450000000 Hz\r\nstop 451000000 Hz\r\npoints 3\r\nfilter 1000 Hz\r\ndrive -3 dBm\r\n"
    reply = talk(LINES, ReadSettings(), (b"settings\r", answer + YOURS))
    wanted = {"start_hz": 450e6, "stop_hz": 451e6, "points": 3, "bandwidth_hz": 1000, "level_dbm": -3}
    assert isinstance(reply, SettingsReply) and reply.values == wanted


def test_console_without_echo_identity_line_and_coded_bandwidth() -> None:
    reply = talk(TRACES, Identify(), (b"describe\n", b"made nowhere\ntype Box 4\n% "))
    assert isinstance(reply, IdentityReply) and reply.identity.text == "Box 4"
    steps = (
        (b"from?\n", b"450000.00 kHz\n% "),
        (b"to?\n", b"451000 kHz\n% "),
        (b"steps?\n", b"3\n% "),
        (b"selectivity?\n", b"wide\n% "),
    )
    reply = talk(TRACES, ReadSettings(), *steps)
    wanted = {"start_hz": 450e6, "stop_hz": 451e6, "points": 3, "bandwidth_hz": 4000}
    assert isinstance(reply, SettingsReply) and reply.values == wanted


def test_console_setting_order_follows_the_span_that_holds() -> None:
    box = make(TRACES)
    upwards = [b"to 451000 kHz\n", b"from 450000 kHz\n", b"steps 3\n", b"selectivity middle\n"]
    downwards = [b"from 150000 kHz\n", b"to 151000 kHz\n", b"steps 3\n", b"selectivity middle\n"]
    for settings_, expected in ((SETTINGS, upwards), (SweepSettings(150e6, 151e6, 3, 1000.0), downwards)):
        sent = [box.start(Apply(settings_))]
        while True:
            (event,) = box.receive(b"% ")
            if not isinstance(event, Send):
                break
            sent.append(event.data)
        assert sent == expected and event == Accepted()


@pytest.mark.parametrize("room", [True, False])
def test_console_says_a_refused_setting_again_behind_the_others(room: bool) -> None:
    """A start whose sweep would leave the range with the points that hold may fit with those to come."""
    box = make(TRACES.replace('stop = "to {stop_khz} kHz"', 'step = "by {step_khz} kHz"'))
    sent, event = [box.start(Apply(SETTINGS))], None
    while isinstance(event, Send | None):
        first = sent[-1].startswith(b"from") and not (room and b"steps 3\n" in sent)
        (event,) = box.receive(b"fault 3 out of range\n% " if first else b"% ")
        if isinstance(event, Send):
            sent.append(event.data)
    assert sent == [*[b"from 450000 kHz\n", b"steps 3\n", b"by 500 kHz\n", b"selectivity middle\n"], sent[0]]
    assert event == Accepted() if room else isinstance(event, Fault) and "out of range" in event.message


def test_console_sweep_lines() -> None:
    reply = check_talk(lambda: make(LINES), TakeSweep(SETTINGS), lines_talk(b"rows 3\r\n" + ROWS))
    assert isinstance(reply, SweepReply)
    np.testing.assert_array_equal(reply.s11, S11)
    np.testing.assert_array_equal(reply.s21, S21)
    assert reply.frequency_hz is not None
    np.testing.assert_array_equal(reply.frequency_hz, [450e6, 450.5e6, 451e6])


def test_console_sweep_traces() -> None:
    reply = talk(
        TRACES,
        TakeSweep(SETTINGS),
        (b"single\n", b"% "),
        (b"reflection\n", b"0.5,-0.25;0,0.125; -1,0\n% "),
        (b"transmission\n", b"0,1e-5;-2e-5,0;3E-05,-1.0e-9;\n% "),
    )
    assert isinstance(reply, SweepReply) and reply.frequency_hz is None
    np.testing.assert_array_equal(reply.s11, S11)
    np.testing.assert_array_equal(reply.s21, S21)


def variant(line: str, extra: str = "", words: str = 'sweep = "measure"', command: str = 'command = "table"') -> str:
    """The lines profile with another shape of data."""
    text = LINES.replace('heading = "rows {points}"', extra).replace('sweep = "measure"', words)
    old = 'line = "{frequency_hz} {s11_re} {s11_im} {s21_re} {s21_im}"'
    return text.replace(old, f'line = "{line}"').replace('command = "table"', command)


@pytest.mark.parametrize(
    ("line", "extra", "table"),
    [
        ("{s21_re}{s21_im}j {s11_re}{s11_im}j", "", b"0+1e-5j 0.5-0.25j\r\n-2e-5+0j 0+0.125j\r\n3e-5-1e-9j -1+0j\r\n"),
        ("{index} {s11_mag} {s11_deg} {s21_re} {s21_im}", "", None),
        ("{s11_db};{s11_rad} - {s21_re}/{s21_im} e", 'ending = "end {points}"', None),
        (
            "{reference_re} {reference_im} {reflected_re} {reflected_im} {through_re} {through_im}",
            "",
            b"2 0 1 -0.5 0 2e-5\r\n0 1 -0.125 0 0 -2e-5\r\n-1 0 1 0 -3e-5 1e-9\r\n",
        ),
        ("{frequency_mhz}\t{skip} {s11_re},{s11_im} {s21_re},{s21_im}".replace("\t", " "), "", None),
    ],
)
def test_console_shapes_of_data(line: str, extra: str, table: bytes | None) -> None:
    """Polar, raw receivers, an index, numbers to skip, an ending, complex numbers in one word."""
    if table is None:
        rows = []
        for k in range(3):
            a, b = S11[k], S21[k]
            values = {
                "index": k + 1, "skip": 99, "frequency_mhz": 450 + k / 2, "s11_re": a.real, "s11_im": a.imag,
                "s11_mag": abs(a), "s11_deg": np.degrees(np.angle(a)), "s11_db": 20 * np.log10(abs(a)),
                "s11_rad": np.angle(a), "s21_re": b.real, "s21_im": b.imag,
            }  # fmt: skip
            rows.append(line.format(**{name: f"{value:.17g}" for name, value in values.items()}) + "\r\n")
        table = "".join(rows).encode() + (b"end 3\r\n" if extra else b"")
    reply = check_talk(lambda: make(variant(line, extra)), TakeSweep(SETTINGS), lines_talk(table))
    assert isinstance(reply, SweepReply)
    np.testing.assert_allclose(reply.s11, S11, rtol=1e-14, atol=1e-15)
    np.testing.assert_allclose(reply.s21, S21, rtol=1e-14, atol=1e-18)


def test_console_data_in_the_sweeps_own_reply_with_settings_in_the_command() -> None:
    text = variant("{s11_re} {s11_im} {s21_re} {s21_im}", "", 'sweep = "go {start_hz} {stop_hz} {points}"', "")
    rows = b"0.5 -0.25 0 1e-5\r\n0 0.125 -2e-5 0\r\n-1 0 3E-05 -1.0e-9\r\n"
    sent = b"go 450000000 451000000 3\r"
    reply = talk(text, TakeSweep(SETTINGS), (sent, sent + b"\n" + rows + YOURS))
    assert isinstance(reply, SweepReply)
    np.testing.assert_array_equal(reply.s21, S21)


def test_console_whose_sweep_command_carries_the_level_needs_one() -> None:
    words = 'sweep = "go {start_hz} {stop_hz} {points} {level_dbm}"'
    text = variant("{s11_re} {s11_im} {s21_re} {s21_im}", "", words, "")
    with pytest.raises(RequestError, match="needs a level"):
        make(text).start(TakeSweep(SETTINGS))
    loud = SweepSettings(450e6, 451e6, 3, 1000.0, -7.5)
    assert make(text).start(TakeSweep(loud)) == b"go 450000000 451000000 3 -7.5\r"


def test_console_that_sweeps_by_itself_is_let_go_for_one_sweep_and_stopped() -> None:
    text = LINES.replace('sweep = "measure"', 'resume = "carry on"\npause = "hold still"')
    box = make(text)
    assert box.start(TakeSweep(SETTINGS)) == b"carry on\r"
    assert box.receive(b"carry on\r\n" + YOURS) == [Send(b"hold still\r", after_sweep=True)]
    assert box.receive(b"hold still\r\n" + YOURS) == [Send(b"table\r")]
    (reply,) = box.receive(b"table\r\nrows 3\r\n" + ROWS + YOURS)
    assert isinstance(reply, SweepReply)


def test_console_remarks_are_dropped_and_chatter_before_the_echo_is_passed_over() -> None:
    table = b"rows 3\r\n" + ROWS.replace(b"451000000", b"note: battery low\r\n451000000")
    chatter = b"AT\r\nnote: hello\r\n" + YOURS
    pairs = ((b"measure\r", b"measure\r\n" + YOURS), (b"table\r", chatter + b"table\r\n" + table + YOURS))
    reply = check_talk(lambda: make(LINES), TakeSweep(SETTINGS), pairs)
    assert isinstance(reply, SweepReply)


@pytest.mark.parametrize(
    ("table", "says"),
    [
        (b"rows 3\r\n" + ROWS.replace(b"0.125", b"0.1x5"), "line 2 of the reply to 'table' is damaged"),
        (b"rows 3\r\n" + ROWS.replace(b" 0.125", b""), "line 2 of the reply to 'table' is damaged"),
        (b"rows 3\r\n" + ROWS.replace(b"0.125", b"nan"), "line 2 of the reply to 'table' is damaged"),
        (b"rows 3\r\n" + ROWS.replace(b"0.125", b"9.91E37"), "no valid value at point 2"),
        (b"rows 3\r\n" + ROWS.replace(b"0.125", b"-9.9e+37"), "no valid value at point 2"),
        (b"rows 3\r\n" + ROWS[:-2], "before the prompt"),
        (b"rows 3\r\n" + ROWS + ROWS[:28], "4 points, but 3 were asked for"),
        (b"rows 3\r\n" + ROWS[28:], "2 points, but 3 were asked for"),
        (b"rows 2\r\n" + ROWS, "announces 2 points, but 3 were asked for"),
        (ROWS, "starts with '450000000 0.5 -0.25 0 1e-5' instead of 'rows {points}'"),
        (b"rows 3\r\n", "is empty"),
        (b"cannot: receiver unlocked\r\n", "refused 'table': cannot: receiver unlocked"),
    ],
)
def test_console_damage_is_one_clear_line(table: bytes, says: str) -> None:
    if says == "before the prompt":
        box = make(LINES)
        box.start(TakeSweep(SETTINGS))
        box.receive(b"measure\r\n" + YOURS)
        assert box.receive(b"table\r\n" + table) == []
        fault: object = box.silence()
    else:
        fault = check_talk(lambda: make(LINES), TakeSweep(SETTINGS), lines_talk(table))
    assert isinstance(fault, Fault) and says in fault.message and "\n" not in fault.message
    assert fault.refused == ("refused" in says)


@pytest.mark.parametrize(
    ("answer", "says"),
    [
        (b"0.5,-0.25;0,0.125;-1\n% ", "point 3 of the reply to 'reflection' is damaged"),
        (b"0.5,-0.25;0,0.125\n% ", "2 points"),
        (b"0.5,-0.25;;-1,0\n% ", "point 2"),
        (b"fault 9: unlocked\n% ", "fault 9"),
        (b"\n% ", "is empty"),
    ],
)
def test_one_line_traces_damage(answer: bytes, says: str) -> None:
    fault = talk(TRACES, TakeSweep(SETTINGS), (b"single\n", b"% "), (b"reflection\n", answer))
    assert isinstance(fault, Fault) and says in fault.message


@pytest.mark.parametrize("name", ["console-lines", "console-traces", "scpi"])
def test_a_reply_without_end_is_an_error_at_its_limit(name: str) -> None:
    box = make_dialect(load_profile(name))
    box.start(Identify())
    events = []
    for _ in range(PLAIN_LIMIT // 1000 + 2):
        events += box.receive(b"x" * 1000)
    (fault,) = events
    assert isinstance(fault, Fault) and f"longer than {PLAIN_LIMIT} bytes" in fault.message


def test_scpi_block_announced_too_long_is_refused_before_it_comes() -> None:
    box = make(SCPI)
    box.start(TakeSweep(SETTINGS))
    box.receive(b"1\n" + OK)
    (fault,) = box.receive(b"#9999999999")
    assert isinstance(fault, Fault) and "999999999 bytes is announced" in fault.message


ASK = b"".join(
    b'CALCulate:PARameter:SELect "%s"\nCALCulate:DATA? SDATA\nSYSTem:ERRor?\n' % name for name in (b"S11", b"S21")
)


def scpi_sweep(traces: bytes, text: str = ASCII) -> object:
    pairs = [(b"INITiate:IMMediate\n*OPC?\nSYSTem:ERRor?\n", b"1\n" + OK), (ASK, traces)]
    return check_talk(lambda: make(text), TakeSweep(SETTINGS), pairs)


def test_scpi_ascii_sweep() -> None:
    reply = scpi_sweep(b"5.0E-01,-.25, 0,0.125,-1,+0\n" + OK + b"0,1e-5,-2e-5,0,3e-5,-1E-9\r\n" + OK)
    assert isinstance(reply, SweepReply) and reply.frequency_hz is None
    np.testing.assert_array_equal(reply.s11, S11)
    np.testing.assert_array_equal(reply.s21, S21)


@pytest.mark.parametrize(
    ("answer", "number_format", "says"),
    [
        (b"5.0E-01,-.25,0,0.1x25,-1,+0\n" + OK, "ascii", "number 4 in the reply to S11 is damaged: '0.1x25'"),
        (b"0.5,-.25,0,0.125,-1\n" + OK, "ascii", "S11 came with 5 numbers, but 3 points have 6"),
        (b"0.5,-.25,0,9.91E37,-1,0\n" + OK, "ascii", "no valid value at point 2"),
        (b"hello\n" + OK, "real64", "a data block was expected, got 'hello"),
        (b"#x16" + OK, "real64", "header of the data block is damaged"),
        (b"#18" + bytes(8) + b"\n" + OK, "real64", "S11 came with 1 numbers"),
        (b"#19" + bytes(9) + b"\n" + OK, "real64", "does not hold whole numbers"),
        (b"#18" + bytes(8) + b"!\n" + OK, "real64", "block is short or damaged: 8 bytes"),
        (b"#248" + bytes(48) + b"\n" + b'garbage\n', "real64", "the reply to SYSTem:ERRor? after 'S11' is damaged"),
    ],
)  # fmt: skip
def test_scpi_damage_is_one_clear_line(answer: bytes, number_format: str, says: str) -> None:
    fault = scpi_sweep(answer, text=ASCII if number_format == "ascii" else SCPI)
    assert isinstance(fault, Fault) and says in fault.message and "\n" not in fault.message
    assert not fault.refused


def test_scpi_refused_queries_give_the_analyzers_words_at_once() -> None:
    box = make(SCPI)
    box.start(TakeSweep(SETTINGS))
    box.receive(b"1\n" + OK)
    (fault,) = box.receive(b'-230,"Data corrupt or stale;not swept"\n')
    assert isinstance(fault, Fault) and "refused to send S11: -230, Data corrupt or stale;not swept" in fault.message
    assert not fault.refused, "the reply for S21 is still to come"
    box.start(TakeSweep(SETTINGS))
    assert box.receive(b'1\n-200,"Execution error"\n') == [Send(b"SYSTem:ERRor?\n")]
    (fault,) = box.receive(OK)
    assert isinstance(fault, Fault) and fault.refused and "-200, Execution error" in fault.message


def test_scpi_fewer_points_are_tried_where_so_many_are_refused() -> None:
    dialect = make(SCPI)
    sent, refused = dialect.start(Apply(SweepSettings(450e6, 451e6, 401, 1000.0))), []
    for _ in range(20):
        word = sent.split(b"\n")[0]
        points = int(word.split()[1]) if b"POIN" in word else 0
        if points > 201 and b"SYST" in sent and points not in refused:
            refused.append(points)
            dialect.receive(b'-222,"Data out of range"\n')
            event = dialect.receive(OK)[0]
        else:
            event = dialect.receive(OK)[0]
        if not isinstance(event, Send):
            break
        sent = event.data
    assert isinstance(event, Accepted) and refused == [401, 301]


def test_scpi_settings_that_cannot_be_read_back_are_left_out() -> None:
    answers = [b"4.5E8\n" + OK, b"+4.51E+08\n" + OK, b"3\n" + OK, b'-113,"Undefined header"\n', OK, b"-10\n" + OK]
    box = make(SCPI)
    box.start(ReadSettings())
    for answer in answers:
        (event,) = box.receive(answer)
    assert isinstance(event, SettingsReply)
    assert event.values == {"start_hz": 450e6, "stop_hz": 451e6, "points": 3, "level_dbm": -10}


def test_scpi_error_queue_without_end() -> None:
    box = make(SCPI)
    box.start(Setup())
    event: object = None
    for _ in range(60):
        (event,) = box.receive(b'-100,"Command error"\n')
        if isinstance(event, Fault):
            break
    assert isinstance(event, Fault) and "has no end" in event.message


def test_requests_that_an_analyzer_cannot_do() -> None:
    with pytest.raises(RequestError, match="level cannot be set"):
        make(TRACES).start(Apply(SweepSettings(450e6, 451e6, 3, 1000.0, -10.0)))
    with pytest.raises(RequestError, match="not one of this analyzer's: 100, 1000, 4000"):
        make(TRACES).start(Apply(SweepSettings(450e6, 451e6, 3, 500.0)))
    with pytest.raises(RequestError, match="no list of its commands"):
        make(SCPI).start(ReadHelp())


def test_proofs_are_not_taken_from_late_replies() -> None:
    for text, identity, late in (
        (LINES, b"who\r\nBox 3\r\n" + YOURS, b"measure\r\n" + YOURS),
        (TRACES, b"made nowhere\ntype Box 4\n% ", b"% "),
        (SCPI, b"Nowhere,Box 3,0,1\n", b"1\n"),
    ):
        box = make(text)
        box.start(Identify())
        assert isinstance(box.receive(identity)[0], IdentityReply)
        box.start(TakeSweep(SETTINGS))
        box.abort()
        assert box.probe()
        assert not box.proven(late)
        assert not box.proven(identity[:-2])
        assert box.proven(late + identity)
        assert not box.proven(late + identity + b"more")


@settings(max_examples=150, deadline=None)
@given(st.sampled_from([LINES, TRACES, SCPI, ASCII]), st.lists(st.binary(max_size=80), max_size=8), st.data())
def test_no_bytes_make_a_dialect_raise(text: str, chunks: list[bytes], data: st.DataObject) -> None:
    """Whatever comes: events or nothing, one fault at most, never an exception (random bytes and cut-up true ones)."""
    true = [YOURS, b"% ", b"measure\r\n", b"rows 3\r\n", ROWS, b"1\n", OK, b"#248" + bytes(48), b"\n", b"0.5,1;"]
    box = make(text)
    box.start(TakeSweep(SETTINGS))
    for chunk in chunks:
        whole = data.draw(st.sampled_from([chunk, *true]))
        for event in box.receive(whole):
            if not isinstance(event, Send):
                assert isinstance(event, (Fault, SweepReply))
                return
    fault = box.silence()
    assert isinstance(fault, Fault) and "\n" not in fault.message
