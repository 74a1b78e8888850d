"""How full the regions are: on images that GNU ld linked, and on layouts made by hand."""

from contextlib import suppress
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gatekeep.errors import ImageError
from gatekeep.measure.archive import Archive
from gatekeep.measure.elf import TYPE_EXECUTABLE, TYPE_RELOCATABLE, Elf, Section, read_elf
from gatekeep.measure.footprint import find_overflows, measure_archives, measure_elf, measure_runs
from gatekeep.measure.hexfile import Run
from gatekeep.measure.segments import Segment
from gatekeep.model.evidence import Artifact, Footprint, Overflow, RegionUse
from gatekeep.model.matrix import ImageFormat, Memory, Part, Region
from tests.measuring import IMAGES, make_beacon, make_target, read_usage

KIB = 1024


def make_section(
    name: str, address: int, size: int, load: int | None = None, *, stored: bool = True, **more
) -> Section:
    fields = {"alignment": 1, "allocated": True, "thread_local": False} | more
    return Section(
        name=name,
        address=address,
        load_address=address if load is None else load,
        size_bytes=size,
        stored=stored,
        **fields,
    )


def make_segment(address: int, load: int, file_bytes: int, memory_bytes: int, *, loaded: bool = True) -> Segment:
    return Segment(
        loaded=loaded,
        thread_local=False,
        offset=0,
        address=address,
        load_address=load,
        file_bytes=file_bytes,
        memory_bytes=memory_bytes,
        alignment=1,
    )


def make_image(*sections: Section, segments: tuple[Segment, ...] = (), file_type: int = TYPE_EXECUTABLE) -> Elf:
    return Elf(
        bits=32,
        byte_order="little",
        machine=40,
        file_type=file_type,
        sections=sections,
        segments=segments,
        symbols=(),
    )


#: 16 KiB of flash at 0x1000: `first` of 4 KiB, a hole of 4 KiB, `second` of 8 KiB; RAM of 4 KiB at 0x10000.
PART = Part(
    name="nor-16k",
    capacity_bytes=16 * KIB,
    regions=(
        Region(name="first", at_bytes=0, capacity_bytes=4 * KIB),
        Region(name="second", at_bytes=8 * KIB, capacity_bytes=8 * KIB, reserve_bytes=KIB),
    ),
)
RAM = Memory(name="ram", address=0x10000, capacity_bytes=4 * KIB, reserve_bytes=256)
TARGET = make_target(PART, 0x1000, (RAM,))


def measure(*sections: Section, target=TARGET) -> dict[str, int]:
    footprint = measure_elf(make_image(*sections), target, name="x.elf", measure_flash=True)
    return {use.name: use.used_bytes for use in footprint.regions}


def refuse(*sections: Section, target=TARGET) -> str:
    with pytest.raises(ImageError) as caught:
        measure(*sections, target=target)
    return str(caught.value)


@pytest.mark.parametrize("name", ["beacon-arm", "beacon-powerpc", "beacon-riscv64"])
def test_regions_equal_what_the_linker_says(name):
    """GNU ld --print-memory-usage, recorded when the images were linked."""
    elf = read_elf((IMAGES / f"{name}.elf").read_bytes(), name=name)
    footprint = measure_elf(elf, make_beacon(), name=name, measure_flash=True)
    usage = read_usage((IMAGES / f"{name}.usage").read_text())
    assert len(usage) == 4
    assert {use.name: use.used_bytes for use in footprint.regions} == usage


@settings(max_examples=300, deadline=None)
@given(
    st.sampled_from(["beacon-arm.elf", "beacon-powerpc.elf", "beacon-riscv64.elf"]),
    st.lists(st.tuples(st.integers(0, 4000), st.integers(1, 255)), min_size=1, max_size=4),
)
def test_a_bent_image_is_measured_or_refused(name, flips):
    """Whatever the addresses say, nothing but a footprint or an ImageError comes out."""
    data = bytearray((IMAGES / name).read_bytes())
    for at, bits in flips:
        data[at % len(data)] ^= bits
    with suppress(ImageError):
        elf = read_elf(bytes(data), name=name)
        footprint = measure_elf(elf, make_beacon(), name=name, measure_flash=True)
        find_overflows(footprint, target=make_beacon())
        assert all(use.used_bytes >= 0 for use in footprint.regions)


def test_regions_come_in_the_order_of_the_matrix_with_their_reserves():
    image = make_image(make_section(".text", 0x3000, 100))
    assert measure_elf(image, TARGET, name="x.elf", measure_flash=True) == Footprint(
        regions=(
            RegionUse(name="first", used_bytes=0, capacity_bytes=4 * KIB),
            RegionUse(name="second", used_bytes=100, capacity_bytes=8 * KIB, reserve_bytes=KIB),
            RegionUse(name="ram", used_bytes=0, capacity_bytes=4 * KIB, reserve_bytes=256, flash=False),
        ),
        sections=((".text", 100),),
    )


def test_initialised_data_counts_in_flash_and_in_memory():
    assert measure(
        make_section(".text", 0x1000, 100),
        make_section(".data", 0x10000, 50, 0x1064),
        make_section(".bss", 0x10032, 30, 0x1096, stored=False),
    ) == {"first": 150, "second": 0, "ram": 80}


def test_gaps_and_alignment_count():
    assert measure(make_section(".text", 0x1000, 4), make_section(".tail", 0x1800, 8))["first"] == 0x808


def test_space_kept_free_in_flash_counts_as_the_linker_counts_it():
    assert measure(make_section(".text", 0x1000, 4), make_section(".kept", 0x1100, 16, stored=False))["first"] == 0x110


def test_thread_local_space_and_empty_sections_take_nothing():
    assert measure(
        make_section(".text", 0x1000, 4),
        make_section(".tbss", 0x1004, 4000, stored=False, thread_local=True),
        make_section(".empty", 0x1FFF, 0),
        make_section(".comment", 0x1FF0, 8, allocated=False),
    ) == {"first": 4, "second": 0, "ram": 0}


def test_a_section_that_runs_past_its_region_is_its_overgrowth():
    assert measure(make_section(".text", 0x1000, 4 * KIB + 7))["first"] == 4 * KIB + 7


def test_sections_pushed_out_of_a_full_region_are_its_overgrowth():
    """A linker script without MEMORY goes on behind the region; .data begins past its end and must not be lost."""
    used = measure(
        make_section(".text", 0x1000, 4 * KIB + 7),
        make_section(".rodata", 0x2008, 100),
        make_section(".data", 0x10000, 4 * KIB, 0x206C),
        make_section(".bss", 0x11000, 64, stored=False),
    )
    assert used == {"first": 0x206C + 4 * KIB - 0x1000, "second": 0, "ram": 4 * KIB + 64}


def test_a_section_stored_nowhere_is_refused():
    text = make_section(".text", 0x3000, 4)
    advice = "correct the linker script, or the part's regions and address in the matrix"
    assert refuse(text, make_section(".hole", 0x2000, 4)) == (
        f"x.elf: section .hole at 0x2000, 4 B, lies in no region of part nor-16k and in no memory; {advice}"
    )
    assert refuse(text, make_section(".far", 0x0800_0000, 4), make_section(".farther", 0x0900_0000, 4)) == (
        "x.elf: section .far at 0x8000000, 4 B, lies in no region of part nor-16k and in no memory (and 1 more); "
        f"{advice}"
    )


def test_content_loaded_straight_into_a_memory_counts_there():
    assert measure(make_section(".text", 0x1000, 4), make_section(".debugger", 0x10000, 24))["ram"] == 24
    assert measure(make_section(".text", 0x1000, 4), make_section(".x", 0x900000, 24, 0x10000))["ram"] == 24


def test_space_in_no_memory_is_a_peripheral_and_takes_nothing():
    assert measure(make_section(".text", 0x1000, 4), make_section(".uart", 0x40000000, 64, stored=False)) == {
        "first": 4,
        "second": 0,
        "ram": 0,
    }


def test_load_addresses_are_offsets_where_the_part_has_no_address():
    """Code is copied from the part to RAM and runs there; its run addresses mean nothing in the part."""
    target = make_target(PART, None, (Memory(name="ram", address=0x2000, capacity_bytes=4 * KIB),))
    used = measure(
        make_section(".text", 0x2000, 100, 0),
        make_section(".bss", 0x2064, 10, 0x64, stored=False),
        target=target,
    )
    assert used == {"first": 100, "second": 0, "ram": 110}


def test_a_stripped_image_is_counted_by_its_segments():
    segments = (
        make_segment(0x1000, 0x1000, 100, 100),
        make_segment(0x10000, 0x1064, 20, 64),
        make_segment(0x3000, 0x3000, 9, 9, loaded=False),
    )
    footprint = measure_elf(make_image(segments=segments), TARGET, name="x.elf", measure_flash=True)
    assert [(use.name, use.used_bytes) for use in footprint.regions] == [("first", 120), ("second", 0), ("ram", 64)]
    strayed = (replace(segments[0], load_address=0x0900_0000),)
    with pytest.raises(ImageError, match=r"^x\.elf: segment 0 at 0x9000000, 100 B, lies in no region of part nor-16k"):
        measure_elf(make_image(segments=strayed), TARGET, name="x.elf", measure_flash=True)


def test_an_image_that_stores_nothing_is_refused():
    """Section garbage collection without an entry point leaves an empty image that links without a warning."""
    message = "x.elf: stores nothing that could go into part nor-16k"
    assert refuse(make_section(".bss", 0x10000, 4, stored=False)) == message
    assert refuse() == message


def test_an_object_file_has_no_addresses_to_measure():
    image = make_image(make_section(".text", 0, 4), file_type=TYPE_RELOCATABLE)
    with pytest.raises(ImageError) as caught:
        measure_elf(image, TARGET, name="x.o", measure_flash=True)
    assert str(caught.value) == "x.o: is an object file without addresses; name the linked image in the recipe"
    footprint = measure_elf(image, make_target(), name="x.o", measure_flash=True)
    assert footprint == Footprint(sections=((".text", 4),))


def test_memories_alone_are_measured_where_an_image_goes_into_the_part():
    """The ELF may then lie anywhere: the image may be packed."""
    image = make_image(make_section(".text", 0x0900_0000, 4), make_section(".bss", 0x10000, 8, stored=False))
    footprint = measure_elf(image, TARGET, name="x.elf", measure_flash=False)
    assert [(use.name, use.used_bytes) for use in footprint.regions] == [("ram", 8)]


def measure_hex(*pieces: tuple[int, bytes], target=TARGET) -> list[int]:
    runs = tuple(Run(start=start, content=content) for start, content in pieces)
    return [use.used_bytes for use in measure_runs(runs, target, name="x.hex")]


def refuse_hex(*pieces: tuple[int, bytes]) -> str:
    with pytest.raises(ImageError) as caught:
        measure_hex(*pieces)
    return str(caught.value)


def test_hex_data_fills_the_regions_that_it_runs_through():
    both = Part(
        name="nor",
        capacity_bytes=64,
        regions=(Region(name="a", at_bytes=0, capacity_bytes=16), Region(name="b", at_bytes=16, capacity_bytes=48)),
    )
    assert measure_hex((0, b"x" * 40), target=make_target(both)) == [16, 24]
    assert measure_hex((0, b"x" * 80), target=make_target(both)) == [16, 64]
    assert measure_hex((0x1000, b"x" * 16), (0x1800, b"x")) == [0x801, 0]
    assert measure_hex((0x1000, b"x" * 0x1010)) == [0x1010, 0]
    # Option bytes or fuses that the matrix declares as a memory.
    assert measure_hex((0x1000, b"x" * 16), (0x10000, b"fuse")) == [16, 0]
    assert measure_hex((0x900, b"anything"), target=make_target()) == []


def test_padding_in_a_hex_file_is_padding():
    whole = b"boot".ljust(16 * KIB, b"\xff")
    assert measure_hex((0x1000, whole)) == [4, 0]
    # What lies past the part cannot be written, erased or not.
    assert measure_hex((0x1000, whole + b"\xff" * 3)) == [4, 8 * KIB + 3]


def test_hex_data_outside_everything_is_refused():
    assert refuse_hex((0x1000, b"x" * 16), (0x2F00, b"x" * 0x110)) == (
        "x.hex: data at 0x2F00, 256 B, lies in no region of part nor-16k and in no memory; "
        "correct the linker script, or the part's regions and address in the matrix"
    )
    assert refuse_hex() == "x.hex: has no data records"


def test_hex_file_of_fuses_alone_is_no_image_of_no_bytes():
    assert refuse_hex((0x10000, b"fuse")) == "x.hex: writes nothing into part nor-16k"
    assert refuse_hex((0x1000, b"\xff" * 8)) == "x.hex: is erased from end to end: every byte that it writes is FF"


def test_libraries_count_in_a_part_of_one_region_only():
    archive = Archive(
        member_count=2, sections=((".text", 40), (".bss", 8)), symbols=(("b", 4), ("a", 4)), stored_bytes=40
    )
    one = replace(PART, regions=(Region(name="flash", at_bytes=0, capacity_bytes=64),))
    twice = measure_archives([archive, archive], make_target(one))
    assert twice == Footprint(
        regions=(RegionUse(name="flash", used_bytes=80, capacity_bytes=64),),
        sections=((".text", 80), (".bss", 16)),
        symbols=(("a", 8), ("b", 8)),
    )
    assert find_overflows(twice, target=make_target(one)) == (Overflow(region="flash", over_bytes=16),)
    assert measure_archives([archive], TARGET).regions == ()
    assert measure_archives([archive], make_target()).regions == ()


def make_artifact(size: int) -> Artifact:
    return Artifact(kind="image", name="x.rom", size_bytes=size, sha256="0" * 64)


def test_overflows_name_every_region_past_its_capacity():
    footprint = Footprint(
        regions=(
            RegionUse(name="first", used_bytes=4 * KIB, capacity_bytes=4 * KIB),
            RegionUse(name="second", used_bytes=8 * KIB + 3, capacity_bytes=8 * KIB),
            RegionUse(name="ram", used_bytes=4 * KIB + 1, capacity_bytes=4 * KIB, flash=False),
        )
    )
    found = (Overflow(region="second", over_bytes=3), Overflow(region="ram", over_bytes=1))
    assert find_overflows(footprint, target=TARGET) == found
    # The region at the end of the part says already that the image is too long.
    assert find_overflows(footprint, target=TARGET, artifacts=(make_artifact(16 * KIB + 3),)) == found


def test_a_raw_image_longer_than_the_part_is_an_overflow_whatever_it_holds():
    part = replace(PART, regions=PART.regions[:1])
    fits = Footprint(regions=(RegionUse(name="first", used_bytes=9, capacity_bytes=4 * KIB),))
    too_long = (make_artifact(16 * KIB + 5),)
    overflow = (Overflow(region="nor-16k", over_bytes=5),)
    assert find_overflows(fits, target=make_target(part), artifacts=too_long) == overflow
    assert find_overflows(fits, target=make_target(part), artifacts=(make_artifact(16 * KIB),)) == ()
    # The length of a hex file is that of its text.
    hex_target = make_target(part, image_format=ImageFormat.INTEL_HEX)
    assert find_overflows(fits, target=hex_target, artifacts=too_long) == ()
    assert find_overflows(fits, target=make_target(), artifacts=too_long) == ()
