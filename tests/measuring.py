"""
Ports, targets and images for the tests of measuring.

The images in tests/data/images were made by the build.sh beside them; what GNU ld said about them is in their .usage.
"""

from __future__ import annotations

import re
from pathlib import Path

from gatekeep.model.matrix import (
    Bits,
    ByteOrder,
    ImageFormat,
    Memory,
    Part,
    Place,
    Port,
    Recipe,
    Region,
    Target,
    Toolchain,
)

IMAGES = Path(__file__).parent / "data" / "images"
PLACE = Place(path="matrix.yml", line=1, column=1)
#: The part and memories of tests/data/images/beacon.ld.
BEACON_PART = Part(
    name="nor-64k",
    capacity_bytes=64 * 1024,
    regions=(
        Region(name="recovery", at_bytes=0, capacity_bytes=4096, write_protected=True),
        Region(name="main", at_bytes=4096, capacity_bytes=60 * 1024, reserve_bytes=1024),
    ),
)
BEACON_ADDRESS = 0x0800_0000
BEACON_MEMORIES = (
    Memory(name="coupled", address=0x1000_0000, capacity_bytes=4096),
    Memory(name="ram", address=0x2000_0000, capacity_bytes=8192),
)


def make_port(
    name: str = "arm", machine: str | None = None, bits: Bits | None = None, byte_order: ByteOrder | None = None
) -> Port:
    """A port that checks nothing unless told what."""
    return Port(name=name, maintainers=(), machine=machine, bits=bits, byte_order=byte_order, place=PLACE)


def make_target(
    part: Part | None = None,
    part_address: int | None = None,
    memories: tuple[Memory, ...] = (),
    image_format: ImageFormat = ImageFormat.RAW,
) -> Target:
    """A target with nothing but what is measured."""
    return Target(
        port="arm",
        board="beacon",
        configuration=None,
        toolchain=Toolchain(name="gcc", probe=("gcc", "--version")),
        recipe=Recipe(name="make", build=(("make",),), elf="{out}/beacon.elf", image_format=image_format),
        part=part,
        part_address=part_address,
        memories=memories,
        place=PLACE,
    )


def make_beacon(image_format: ImageFormat = ImageFormat.RAW) -> Target:
    """The target of tests/data/images."""
    return make_target(BEACON_PART, BEACON_ADDRESS, BEACON_MEMORIES, image_format)


def read_usage(text: str) -> dict[str, int]:
    """Read what `ld --print-memory-usage` printed: used bytes by region."""
    factors = {"B": 1, "KB": 1024, "MB": 1024**2}
    lines = re.findall(r"^ *(\S+): +(\d+) (B|KB|MB) ", text, re.MULTILINE)
    return {name: int(number) * factors[unit] for name, number, unit in lines}
