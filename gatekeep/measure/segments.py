"""
Where the content of a linked image is stored: from the run address of a section to its load address.

The section table knows only run addresses; the program headers know where each piece of them is stored.
"""

from __future__ import annotations

from dataclasses import dataclass


@dataclass(frozen=True, slots=True, kw_only=True)
class Segment:
    """One program header; `loaded` for PT_LOAD. Sizes in bytes."""

    loaded: bool
    thread_local: bool
    offset: int
    address: int
    load_address: int
    file_bytes: int
    memory_bytes: int
    alignment: int


@dataclass(frozen=True, slots=True, kw_only=True)
class Placement:
    """What decides where an allocated section is stored; `offset` is the place of its content in the file."""

    address: int
    offset: int
    size_bytes: int
    stored: bool
    thread_local: bool


def list_movers(segments: tuple[Segment, ...]) -> tuple[Segment, ...]:
    """
    Give the segments that say where sections are stored.

    None of them when several are loaded and all physical addresses are 0: some linkers leave the field unset. So does
    GNU BFD (elf.c, _bfd_elf_make_section_from_shdr).
    """
    loaded = [segment for segment in segments if segment.loaded and segment.memory_bytes]
    if len(loaded) > 1 and not any(segment.load_address for segment in segments):
        return ()
    return tuple(segment for segment in segments if segment.memory_bytes and (segment.loaded or segment.thread_local))


def find_load_address(section: Placement, segments: tuple[Segment, ...]) -> int:
    """
    Give where a section's content is stored.

    Content is found by its offset in the file, space by its address: overlays share addresses and differ in content.

    Source: GNU BFD, include/elf/internal.h, ELF_SECTION_IN_SEGMENT, and elf.c, _bfd_elf_make_section_from_shdr.
    """
    for segment in segments:
        if segment.thread_local and not section.thread_local:
            continue
        into_memory = section.address - segment.address
        if into_memory < 0 or into_memory + section.size_bytes > segment.memory_bytes:
            continue
        if not section.stored:
            return segment.load_address + into_memory
        into_file = section.offset - segment.offset
        if into_file >= 0 and into_file + section.size_bytes <= segment.file_bytes:
            return segment.load_address + into_file
    return section.address
