"""How full the regions are in a raw image."""

import random

import pytest

from gatekeep.errors import ImageError
from gatekeep.measure.rawimage import measure_raw_image
from gatekeep.model.matrix import Part, Region
from tests.measuring import BEACON_PART, IMAGES

#: 64 bytes: a gap of 8, `a` of 16, a gap of 8, `b` of 16 right before `c` of 16.
PART = Part(
    name="nor",
    capacity_bytes=64,
    regions=(
        Region(name="a", at_bytes=8, capacity_bytes=16),
        Region(name="b", at_bytes=32, capacity_bytes=16, reserve_bytes=2),
        Region(name="c", at_bytes=48, capacity_bytes=16),
    ),
)


def draw(*pieces: tuple[int, bytes], length: int = 64) -> bytes:
    image = bytearray(b"\xff" * length)
    for at, content in pieces:
        image[at : at + len(content)] = content
    return bytes(image)


def measure(data: bytes) -> list[int]:
    return [use.used_bytes for use in measure_raw_image(data, PART, name="x.rom")]


def refuse(data: bytes) -> str:
    with pytest.raises(ImageError) as caught:
        measure(data)
    return str(caught.value)


def test_a_region_is_used_up_to_its_last_byte_that_is_not_erased():
    assert measure(draw((8, b"boot"), (35, b"\0"), (48, b"\xff\xfe"))) == [4, 4, 2]
    assert measure(draw((8, b"x" * 16), (32, b"x" * 32))) == [16, 16, 16]


def test_an_image_shorter_than_the_part_leaves_the_rest_erased():
    assert measure(draw((8, b"boot"), length=20)) == [4, 0, 0]
    assert measure(draw((8, b"boot"), (32, b"more"))[:34]) == [4, 2, 0]


def test_content_that_runs_on_past_a_region_is_its_overgrowth():
    assert measure(draw((8, b"x" * 18))) == [18, 0, 0]


def test_content_between_the_regions_is_refused():
    place = "x.rom: has content that lies in no region of part nor (at byte"
    assert refuse(draw((8, b"boot"), (27, b"x"))) == f"{place} 27)"
    assert refuse(draw((8, b"boot"), (3, b"xx"))) == f"{place} 3)"
    # Not next to what fills the region: one erased byte lies between.
    assert refuse(draw((8, b"x" * 16), (25, b"x"))) == f"{place} 25)"


def test_what_is_longer_than_the_part_does_not_fit_even_when_erased():
    assert measure(draw((8, b"boot"), length=70)) == [4, 0, 22]


def test_an_erased_or_empty_image_is_refused():
    message = "x.rom: is erased from end to end: every byte of every region is FF"
    assert refuse(draw()) == message
    assert refuse(b"") == message
    assert refuse(draw(length=100)) == message


def test_regions_of_an_image_that_objcopy_made():
    """GNU objcopy -O binary --gap-fill 0xff of beacon-arm.elf: .kept is space and is not in it."""
    data = (IMAGES / "beacon-arm.bin").read_bytes()
    uses = measure_raw_image(data, BEACON_PART, name="beacon-arm.bin")
    assert [(use.name, use.used_bytes) for use in uses] == [("recovery", 64), ("main", len(data) - 4096)]


@pytest.mark.parametrize("seed", range(3))
def test_large_images_are_searched_like_small_ones(seed):
    """Steps of 1 MiB: the last written byte lies anywhere, also at a border of steps."""
    part = Part(
        name="nor", capacity_bytes=1 << 23, regions=(Region(name="flash", at_bytes=4096, capacity_bytes=7 << 20),)
    )
    at = random.Random(seed).choice([4096, 4096 + (1 << 20), (7 << 20) + 4095, 3_000_000])
    data = bytearray(b"\xff" * (1 << 23))
    data[at] = 0
    assert measure_raw_image(bytes(data), part, name="x.rom")[0].used_bytes == at + 1 - 4096
