"""Listings with harmful words, pagers, confirmations and one-key menus: none is sent, none is confirmed."""

from __future__ import annotations

import asyncio

import pytest

from tests.protocol.learn.danger import told
from tests.strangers.dangerous_listings import listing

FEW = (1, 3, 7, 8, 2, 13)
MENUS = (8, 14, 17)
MANY = range(10, 210)


async def _harm(seeds: range | tuple[int, ...], jobs: int) -> list[str]:
    gate = asyncio.Semaphore(jobs)

    async def one(seed: int) -> list[str]:
        async with gate:
            result = await told(seed)
        assert result.sent, f"listing {seed} was told nothing at all"
        return [f"listing {seed}: {line}" for line in result.harm]

    return [line for lines in await asyncio.gather(*(one(seed) for seed in seeds)) for line in lines]


def test_the_few_hold_every_kind_of_danger() -> None:
    listings = [listing(seed) for seed in FEW]
    assert all(any(word.harmful for word in one.words) for one in listings)
    assert any(one.pager for one in listings)
    assert any(one.confirmations for one in listings)
    assert any(one.key_harm for one in listings)


@pytest.mark.timeout(180)
async def test_a_few_listings_are_read_without_harm() -> None:
    assert not await _harm(FEW, len(FEW))


@pytest.mark.timeout(180)
async def test_menus_of_keys_that_answer_late_are_known_before_a_letter() -> None:
    assert all(listing(seed).key_harm for seed in MENUS)
    found = await asyncio.gather(*(told(seed, late_s) for seed in MENUS for late_s in (0.3, 0.9, 1.6)))
    assert all("single keys" in one.outcome and set("".join(one.sent)) <= {"*"} and not one.harm for one in found)


@pytest.mark.long
@pytest.mark.timeout(1800)
async def test_many_listings_are_read_without_harm() -> None:
    assert not await _harm(MANY, 16)
