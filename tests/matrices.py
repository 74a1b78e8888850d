"""Makes matrices of any size for tests and benchmarks: text that a maintainer could have written."""

from __future__ import annotations

_PORTS = (
    ("riscv64", "RISCV", 64, "little"),
    ("aarch64", "AARCH64", 64, "little"),
    ("arm", "ARM", 32, "little"),
    ("mips", "MIPS", 32, "big"),
    ("powerpc", "PPC", 32, "big"),
    ("loongarch64", "LOONGARCH", 64, "little"),
)

_HEAD = """\
matrix: 1
tree: skerry
source_date: 2001-01-01
toolchains:
  bare-clang: {probe: [python3, -m, ziglang, version], allow: ">=0.13,<1"}
recipes:
  board-make:
    build: [make, "-j{jobs}", "BOARD={board}", "O={out}", "OPT={opt}"]
    elf: "{out}/{board}.elf"
    image: "{out}/{board}.rom"
    time_limit: 120 s
parts:
  nor-64:
    capacity: 64 Mibit
    regions:
      recovery: {at: 0 B, size: 1 MiB, write_protected: true}
      main: {at: 1 MiB, size: 7 MiB, reserve: 5 %}
  nor-4: {capacity: 4 Mibit, reserve: 8 KiB}
every: {toolchain: bare-clang, recipe: board-make, part: nor-4, settings: {opt: "-O2"}}
ports:
"""


def render_matrix_text(target_count: int) -> str:
    """A matrix of so many targets on six ports; every fourth board has two configurations, every third a part."""
    lines = [_HEAD]
    per_port = -(-target_count // len(_PORTS))
    left = target_count
    for name, machine, bits, order in _PORTS:
        if left <= 0:
            break
        lines.append(
            f"  {name}:\n    maintainers: [Isa Thorne <isa@skerry.example>]\n"
            f"    machine: {machine}\n    bits: {bits}\n    byte_order: {order}\n    boards:\n"
        )
        room = min(left, per_port)
        left -= room
        number = 0
        while room > 0:
            number += 1
            said = []
            if number % 3 == 0:
                said.append("part: nor-64")
            if number % 5 == 0:
                said.append("memories: {sram: {at: 0x2000_0000, size: 64 KiB, reserve: 2 KiB}}")
            if number % 4 == 0 and room > 1:
                said.append('configurations: {debug: {settings: {opt: "-O0"}}, release: }')
                room -= 1
            room -= 1
            lines.append(f"      board-{number}:" + (f" {{{', '.join(said)}}}\n" if said else "\n"))
    lines.append(
        'claims: ["boards/{board}/board.mk"]\nrules: {new_warnings: block, growth_per_change: {flash: 4 KiB}}\n'
    )
    return "".join(lines)
