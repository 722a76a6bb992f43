"""Names that one text describes together, headings further out, points listed from one number to another."""

from __future__ import annotations

from protocol.learn.dialogue import Role, Word
from protocol.learn.sweeps.pieces import in_pieces
from protocol.learn.sweeps.shapes import shapes_of
from protocol.learn.words.allow import SENT, words_of
from protocol.learn.words.general import general_entries

LISTING = """\
INSTRUCTIONS
  ASSIGN item TO value   SETS AN ITEM
  DISPLAY ITEMS          LIST ALL FIELDS
  DO SWEEP               RUN ONE SWEEP
  LIST REFLECTION FROM i TO j
  LIST TRANSMISSION FROM i TO j  MAX 40 LINES
  CLEAN                  REMOVES ALL
ITEMS
  LOWHZ  HIGHHZ          HERTZ
  POINTS                 POINTS PER SWEEP
  WIDTH                  FILTER, HERTZ: 100 1000
""".splitlines()


def _words(lines: list[str]) -> dict[str, Word]:
    return {word.name: word for word in words_of(general_entries(lines))}


def test_two_names_before_one_text_are_both_what_it_says() -> None:
    words = _words(LISTING)
    assert words["ASSIGN LOWHZ"].role is Role.START and words["ASSIGN HIGHHZ"].role is Role.STOP
    assert words["ASSIGN HIGHHZ"].form == "ASSIGN HIGHHZ TO {v}"
    assert words["DISPLAY ITEMS"].role is Role.SETTINGS
    assert "ITEMS" not in words and "INSTRUCTIONS" not in words  # headings
    assert words["CLEAN"].role not in SENT


def test_two_oscillators_told_together_are_no_ends() -> None:
    words = _words([line.replace("LOWHZ  HIGHHZ ", "LOA  LOB       ") for line in LISTING])
    assert not any(word.role in (Role.START, Role.STOP) for word in words.values())


def test_points_are_listed_from_one_number_to_another() -> None:
    words = _words(LISTING)
    assert in_pieces(words["LIST REFLECTION"]) == ("LIST REFLECTION FROM {first} TO {last}", 0)
    assert in_pieces(words["LIST TRANSMISSION"]) == ("LIST TRANSMISSION FROM {first} TO {last}", 40)
    assert {words[name].role for name in ("LIST REFLECTION", "LIST TRANSMISSION")} == {Role.DATA}


def test_numbers_of_points_with_leading_noughts_are_no_hexadecimal() -> None:
    (shape,) = shapes_of([f"{at:06d} {45.5 + at / 2:08.3f} +0.{at:02d}1 -0.5" for at in range(1, 31)], 30)
    assert shape.values.shape == (30, 4)
    assert shape.values[11, 0] == 12 and shape.values[0, 1] == 46.0
