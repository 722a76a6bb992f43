"""What may be sent: ten thousand listings with harmful words, texts that warn, pagers, single keys."""

from __future__ import annotations

import pytest

from protocol.errors import RequestError
from protocol.learn.corrections import parse_corrections
from protocol.learn.dialogue import Correction, Role
from protocol.learn.words.allow import SENT, Entry, words_of
from protocol.learn.words.general import general_entries
from protocol.learn.words.opening import _one_by_one, hinted
from protocol.learn.words.plans import ranked
from protocol.learn.words.talk import AsksError, asks, turnable
from protocol.learn.words.tokens import entries_of
from tests.strangers import dangerous_listings


def sent_harm(seed: int, *, every: bool = False) -> set[str]:
    """Harmful words of one listing that would be sent; `every`: in any reading of it."""
    listing = dangerous_listings.listing(seed)
    harmful = {word.name for word in listing.words if word.harmful}
    lines = listing.text.splitlines()
    words = words_of(entries_of(lines))
    words += [word for plan in ranked([entries_of(lines), general_entries(lines)]) for word in plan] if every else []
    sent = [word for word in words if word.role in SENT]
    return harmful & {text for word in sent for text in (word.name, word.name.split()[0])}


def test_no_harmful_word_of_five_hundred_listings_is_sent() -> None:
    assert {seed: found for seed in range(0, 10_000, 20) if (found := sent_harm(seed))} == {}


def test_no_harmful_word_is_sent_however_a_listing_is_read() -> None:
    assert {seed: found for seed in range(5, 10_000, 80) if (found := sent_harm(seed, every=True))} == {}


@pytest.mark.long
@pytest.mark.timeout(900)
def test_no_harmful_word_of_ten_thousand_listings_is_sent() -> None:
    assert {seed: found for seed in range(10_000) if (found := sent_harm(seed, every=seed % 10 == 0))} == {}


def test_words_for_a_sweep_are_sent_nonetheless() -> None:
    wanted = known = 0
    for seed in range(0, 10_000, 50):
        listing = dangerous_listings.listing(seed)
        roles = {word.name: word.role for word in words_of(entries_of(listing.text.splitlines()))}
        for word in listing.words:
            if word.kind in ("setting", "data") and word.description:
                wanted += 1
                known += roles.get(word.name) in SENT
    assert known > 0.97 * wanted


@pytest.mark.parametrize(
    ("line", "role"),
    [
        ("commit   make the current settings the power-on ones", Role.NEVER),
        ("txon     start sweep with the source on, stored", Role.NEVER),
        ("first    step of the procedure", Role.UNKNOWN),
        ("new      start over", Role.UNKNOWN),
        ("points!", Role.UNKNOWN),
        ("f0 <Hz>  start frequency", Role.START),
        ("n <n>    number of points", Role.POINTS),
        ("level    number of points, kept in flash", Role.NEVER),
    ],
)
def test_evidence_decides(line: str, role: Role) -> None:
    (word,) = words_of(entries_of([line]))
    assert word.role is role or (role is Role.UNKNOWN and word.role not in SENT)


@pytest.mark.parametrize("text", dangerous_listings.CONFIRMS)
def test_nothing_is_sent_after_a_text_that_asks(text: str) -> None:
    with pytest.raises(AsksError):
        asks(text.encode(), "")


def test_data_in_letters_ask_for_nothing() -> None:
    data = b"P4AAAL+y/Nmv6jVrz4Zy2q/jpGdPn8Qbr8eV6/xK3TPhzVYr/EAsI+y/N="
    asks(data, "")
    with pytest.raises(AsksError):
        asks(data + b" sure? y/n ", "")


@pytest.mark.parametrize("last", ["-- more --", "[any key]", "<space> for the next page", "(q leaves) more"])
def test_a_page_of_a_listing_is_turned_and_nothing_else(last: str) -> None:
    page = "".join(f"word{number}   does something\r\n" for number in range(6))
    assert turnable((page + last).encode())
    assert not turnable(last.encode())
    assert not turnable((page + "press any key to start").encode())
    assert not turnable((page + "WARNING: all will be lost\r\n" + last).encode())


def test_the_technician_corrects_by_number() -> None:
    words = words_of(entries_of(["alpha  does this", "beta  does that"]))
    said = parse_corrections("1 sets start,  2 never", words)
    assert said == (Correction(1, Role.START), Correction(2, Role.NEVER))
    for wrong in ("9 never", "1 jumps", "one never"):
        with pytest.raises(RequestError, match=r"there is no word|say one of|no word of the listing"):
            parse_corrections(wrong, words)


@pytest.mark.parametrize(
    ("refusal", "sent"),
    [
        ("verbs are dir see put", ["verbs", "dir"]),
        ("say blank", []), ("see clean", []), ("type doctor", []), ("try next", []),
        ("send y to go on", []), ('{"err":"x","try":{"op":"nuke"}}', []), ("e0 (nuke)", []),
        ("try (help)", ["(help)", "help"]), ("e0 (map)", ["map"]), ("'@' alone lists", ["@"]),
        ("zzz (say hello)", ["hello"]),
        ('{"err":"what","try":{"op":"ops"}}', ['{"op":"ops"}', "ops"]), ("wxy??? index lists", ["index"]),
    ],
)  # fmt: skip
def test_a_refusal_names_any_word_only_those_that_list_or_greet_are_sent(refusal: str, sent: list[str]) -> None:
    assert hinted([refusal]) == sent


@pytest.mark.parametrize(
    ("empty", "one", "two", "keys"),
    [
        (b"", b"?", b"??", True),
        (b"", b"?\r\n", b"?\r\n?\r\n", True),
        (b"?", b"??", b"???", True),
        (b"", b"*?", b"*?*?", True),
        (b"", b"", b"", False),
        (b"> ", b"> ", b"> ", False),
        (b"\r\n> ", b"*\r\n> ", b"**\r\n> ", False),
        (b"\r\n> ", b"* \x08\r\n> ", b"* \x08* \x08\r\n> ", False),
        (b"\r\n> ", b"*\r\n?\r\n> ", b"**\r\n?\r\n> ", False),
        (b": ", b"*?? index lists\r\n: ", b"**?? index lists\r\n: ", False),
    ],
)
def test_keys_are_known_by_each_sign_being_answered_however_late(
    empty: bytes, one: bytes, two: bytes, keys: bool
) -> None:
    assert _one_by_one(empty, one, two) is keys


def test_a_memory_without_number_is_where_sweeps_go_when_nothing_else_sweeps_or_gives_data() -> None:
    def roles(*more: Entry) -> dict[str, Role]:
        rows = [
            Entry("CATCH", "CATCH", "takes a sweep into the buffer"),
            Entry("TYPE", "TYPE", "type the buffer"),
            Entry("FILE", "FILE n", "buffer to card"),
            Entry("FETCH", "FETCH n", "a stored sweep into memory"),
            Entry("LOOP", "LOOP", "sweep for ever into memory"),
            *more,
        ]
        return {word.name: word.role for word in words_of(rows)}

    found = roles()
    assert (found["CATCH"], found["TYPE"]) == (Role.SWEEP, Role.DATA)
    assert not {found[name] for name in ("FILE", "FETCH", "LOOP")} & SENT
    other = roles(Entry("OUT", "OUT", "print the traces"))  # then the memory may be what somebody keeps
    assert other["TYPE"] is not Role.DATA
    for told in ("one scan to memory 3", "one scan to memory, as reference", "a stored scan to memory"):
        words = words_of([Entry("CATCH", "CATCH", told), Entry("TYPE", "TYPE", "print memory")])
        assert all(word.role not in SENT for word in words)
