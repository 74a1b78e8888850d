"""
Composes the flash image of a board: the first stage at the start, the packed payload in MAIN and, where the board has
one, again in RECOVERY. Bytes that nothing fills stay 0xFF, as an erased part has them.

usage: compose.py BOARD MEMORY.LD STAGE1.ELF PAYLOAD.ELF OUT.ROM

One process a build, standard library only. The container's layout is told in include/container.h.
"""

import lzma
import re
import struct
import sys
import zlib

REGION = re.compile(r"^\s*([A-Z0-9]+)\s*\(\w+\)\s*:\s*ORIGIN = (0x[0-9a-f]+), LENGTH = ([0-9]+)(K?)\s*$", re.M)
PT_LOAD = 1
CONTAINER_VERSION = 1
# The decoder in core/lzma.c has these built in. The dictionary is the unpacked payload itself.
FILTER = {"id": lzma.FILTER_LZMA1, "lc": 0, "lp": 0, "pb": 0, "dict_size": 1 << 16, "nice_len": 273}


class ComposeError(Exception):
    """The parts do not make an image."""


def read_regions(path):
    """The MEMORY regions of a linker script: name to (origin, length)."""
    with open(path, encoding="utf-8") as script:
        return {
            name: (int(origin, 16), int(length) * (1024 if kilo else 1))
            for name, origin, length, kilo in REGION.findall(script.read())
        }


def read_segments(path):
    """The entry point of an ELF file and its loaded bytes, as (load address, bytes)."""
    with open(path, "rb") as file:
        image = file.read()
    if image[:4] != b"\x7fELF":
        raise ComposeError(f"{path}: not an ELF file")
    wide = image[4] == 2
    order = "<" if image[5] == 1 else ">"
    layout = order + ("HHIQQQIHHHHHH" if wide else "HHIIIIIHHHHHH")
    header = struct.unpack_from(layout, image, 16)
    entry, table, entry_bytes, count = header[3], header[4], header[8], header[9]
    segments = []
    for index in range(count):
        at = table + index * entry_bytes
        if wide:
            kind, _, offset, _, address, stored = struct.unpack_from(order + "IIQQQQ", image, at)
        else:
            kind, offset, _, address, stored = struct.unpack_from(order + "IIIII", image, at)
        if kind == PT_LOAD and stored:
            segments.append((address, image[offset : offset + stored]))
    return entry, segments


def place(image, base, region, regions, address, data, what):
    """Put bytes into the image, which starts at address `base`, if they lie inside a region."""
    origin, length = regions[region]
    if address < origin or address + len(data) > origin + length:
        over = address + len(data) - origin - length
        raise ComposeError(f"{what} does not fit {region}: {len(data)} bytes at {address:#x}, {over} too many")
    image[address - base : address - base + len(data)] = data


def pack_payload(path, regions):
    """The container of a payload: header and LZMA stream."""
    entry, segments = read_segments(path)
    load, room = regions["STAGE2"]
    end = max(address + len(data) for address, data in segments)
    if min(address for address, _ in segments) < load or end > load + room:
        raise ComposeError("the payload is not linked into STAGE2")
    raw = bytearray(end - load)
    for address, data in segments:
        raw[address - load : address - load + len(data)] = data
    packed = lzma.compress(bytes(raw), format=lzma.FORMAT_RAW, filters=[FILTER])
    header = struct.pack(
        ">4sIQQIII", b"SKST", CONTAINER_VERSION, load, entry, len(raw), len(packed), zlib.crc32(raw)
    )
    return header + struct.pack(">I", zlib.crc32(header)) + packed


def compose(memory_path, stage1_path, payload_path):
    """The bytes of the whole part."""
    regions = read_regions(memory_path)
    base, part_bytes = regions["PART"]
    image = bytearray(b"\xff" * part_bytes)
    for address, data in read_segments(stage1_path)[1]:
        place(image, base, "BOOT", regions, address, data, "the first stage")
    container = pack_payload(payload_path, regions)
    place(image, base, "MAIN", regions, regions["MAIN"][0], container, "the packed payload")
    if regions["RECOVERY"][1]:
        place(image, base, "RECOVERY", regions, regions["RECOVERY"][0], container, "the packed payload")
    return image


def main(arguments):
    """Write the image, or say why there is none."""
    if len(arguments) != 5:
        print(__doc__, file=sys.stderr)
        return 2
    board, memory_path, stage1_path, payload_path, out_path = arguments
    try:
        image = compose(memory_path, stage1_path, payload_path)
    except (ComposeError, KeyError) as error:
        print(f"{memory_path}: error: {board}: {error}", file=sys.stderr)
        return 1
    with open(out_path, "wb") as out:
        out.write(image)
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
