"""Composed images really boot: start code, decoder, byte orders and handover, in Unicorn."""

from __future__ import annotations

import pytest

from tests.integration.skerry_boot import EMULATED_PORTS, boot, load_board_facts
from tests.integration.skerry_build import MATRIX, TREE, build_all

BOARDS = [
    target.board
    for target in MATRIX.targets
    if target.port in EMULATED_PORTS and target.configuration in (None, "release")
]


@pytest.fixture(scope="module")
def images(tmp_path_factory: pytest.TempPathFactory) -> dict[str, bytes]:
    """The ROM of every board, by board, in its release."""
    built = build_all(tmp_path_factory.getbasetemp())
    return {
        target.board: (built[target.name][0] / f"{target.board}.rom").read_bytes()
        for target in MATRIX.targets
        if target.configuration in (None, "release")
    }


def test_boards_cover_every_port_that_can_be_emulated():
    assert {load_board_facts(TREE, board).port for board in BOARDS} == set(EMULATED_PORTS)


@pytest.mark.parametrize("board", BOARDS)
def test_image_boots_to_the_keeper(images, board):
    facts = load_board_facts(TREE, board)
    console = boot(facts, images[board]).splitlines()
    assert console[:2] == [f"skerry {board}", "clock ok"]
    at = console.index("handover")
    assert console[at - 1] == "main payload"
    assert console[at + 1] == f"keeper on {board} ({facts.port})"
    assert console[-1] == "keeper idle"


def test_whole_console_of_a_big_endian_lighthouse(images):
    """The sensor's label is little-endian and the container big-endian; both are read right on this machine."""
    assert boot(load_board_facts(TREE, "heugh"), images["heugh"]).splitlines() == [
        "skerry heugh",
        "clock ok",
        "tide 431 mm, sensor 2951",
        "main payload",
        "handover",
        "keeper on heugh (powerpc)",
        "events 7",
        "light every 15000 ms",
        "tide now 431 mm",
        "tide in 0 h 1963 mm",
        "tide in 6 h -2176 mm",
        "tide in 12 h 2101 mm",
        "tide in 18 h -2159 mm",
        "keeper idle",
    ]


@pytest.mark.parametrize("board", ["vale", "lough"])
def test_recovery_takes_over_when_main_is_damaged(images, board):
    """One flipped bit in the packed payload: either the decoder stops or the CRC differs, never a wrong handover."""
    facts = load_board_facts(TREE, board)
    image = bytearray(images[board])
    image[facts.regions["MAIN"][0] - facts.regions["PART"][0] + 300] ^= 0x10
    console = boot(facts, bytes(image)).splitlines()
    assert "main payload bad (4)" in console
    assert "recovery payload" in console
    assert console[-1] == "keeper idle"


def test_board_without_recovery_stops_and_says_why(images):
    facts = load_board_facts(TREE, "gill")
    image = bytearray(images["gill"])
    image[facts.regions["MAIN"][0] - facts.regions["PART"][0]] = 0xFF
    console = boot(facts, bytes(image)).splitlines()
    assert console[-2:] == ["main payload bad (1)", "stopped: no payload"]


@pytest.mark.parametrize("distance", [7, 40, 333, 900])
def test_no_flipped_bit_of_a_container_reaches_the_keeper(images, distance):
    facts = load_board_facts(TREE, "gill")
    image = bytearray(images["gill"])
    image[facts.regions["MAIN"][0] - facts.regions["PART"][0] + distance] ^= 1
    assert "handover" not in boot(facts, bytes(image))
