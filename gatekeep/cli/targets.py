"""
`gatekeep targets`: read a matrix, say everything that is wrong with it, or list what it holds.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from gatekeep.errors import GatekeepError, UsageError
from gatekeep.model.quantity import render_bytes
from gatekeep.report.plain import plain

if TYPE_CHECKING:
    from gatekeep.model.matrix import Matrix, Port, Target

MATRIX_FILE = "matrix.yml"


def find_matrix(folder: Path) -> Path:
    """Give the matrix of the folder that somebody stands in, or of the nearest above it in the same work tree."""
    found: Path | None = None
    for above, place in enumerate((folder, *folder.parents)):
        if found is None and (place / MATRIX_FILE).exists():
            # Named as from here: so it stands in messages.
            found = Path(*[".."] * above, MATRIX_FILE)
        if (place / ".git").exists():
            return found or Path(MATRIX_FILE)
    return Path(MATRIX_FILE)


def _complete_port(ctx: click.Context, _param: click.Parameter, incomplete: str) -> list[str]:
    """Names of ports for the shell; none while the matrix is wrong, since a prompt is no place for its faults."""
    from gatekeep.matrix.load import load_matrix

    try:
        matrix = load_matrix(Path(ctx.params.get("matrix") or find_matrix(Path.cwd())))
    except GatekeepError:
        return []
    return [port.name for port in matrix.ports if port.name.startswith(incomplete)]


@click.command
@click.option(
    "--matrix",
    type=click.Path(path_type=Path),
    show_default=f"{MATRIX_FILE} here or in the nearest folder above",
    metavar="FILE",
    help="The matrix to read.",
)
@click.option("--port", metavar="NAME", shell_complete=_complete_port, help="List the targets of this port only.")
@click.option("--reached-by", metavar="BASE..HEAD", help="List the targets that the difference of two trees reaches.")
@click.option("--why", metavar="TARGET", help="With --reached-by: by which file and rule, or why not.")
@click.option("--repository", type=click.Path(path_type=Path), default=Path(), help="With --reached-by: as for gate.")
@click.option("--store", type=click.Path(path_type=Path), help="With --reached-by: as for gate.")
@click.option("--json", "as_json", is_flag=True, help="Write JSON, with everything that builds each target.")
@click.option("--schema", is_flag=True, help="Write the JSON Schema of the format, for editors, and end.")
@click.option("--waivers-schema", is_flag=True, help="Write the JSON Schema of waivers.yml, and end.")
def targets(
    *,
    matrix: Path | None,
    port: str | None,
    reached_by: str | None,
    why: str | None,
    repository: Path,
    store: Path | None,
    as_json: bool,
    schema: bool,
    waivers_schema: bool,
) -> None:
    """
    Check a matrix and list its targets.

    A target is a board in one configuration, named port/board or port/board/configuration. The list shows each one's
    flash part and its capacity, its toolchain and its recipe, and to what its image boots in an emulator, where the
    matrix asks for that; an emulator is not the board. Waivers (waivers.yml beside the matrix) are checked and
    listed too. When a file is wrong, every fault is written to
    standard error with its line and column, and the exit code is 2.

    \b
    The smallest matrix, to begin with:
      matrix: 1
      tree: skerry
      source_date: 2001-01-01
      toolchains:
        bare-clang: {probe: [python3, -m, ziglang, version], allow: ">=0.13,<1"}
      recipes:
        board-make: {build: [make, "BOARD={board}", "O={out}"], elf: "{out}/{board}.elf"}
      parts:
        nor-64: {capacity: 64 Mibit, reserve: 5 %}
      every: {toolchain: bare-clang, recipe: board-make, part: nor-64}
      ports:
        riscv64:
          maintainers: ["Isa Thorne <isa@skerry.example>"]
          boards:
            vale:
            tarn: {configurations: {debug: , release: }}

    \b
    Examples:
      gatekeep targets                       is ./matrix.yml right, and what does it list?
      gatekeep targets --port riscv64        one port only
      gatekeep targets --json                for programs
      gatekeep targets --schema > matrix.schema.json
      gatekeep targets --reached-by main..HEAD
      gatekeep targets --reached-by main..HEAD --why riscv64/vale

    With --reached-by nothing is built: the answer rests on what builds of BASE's tree have read, or the newest builds
    of each target. What was never built is not known.
    """
    if schema:
        from gatekeep.matrix.schema import read_schema_text

        click.echo(read_schema_text(), nl=False)
        return
    if waivers_schema:
        from gatekeep.matrix.waivers import read_waivers_schema_text

        click.echo(read_waivers_schema_text(), nl=False)
        return
    if why is not None and reached_by is None:
        raise UsageError("--why: needs --reached-by BASE..HEAD; write for instance --reached-by main..HEAD")
    if reached_by is not None:
        _show_reach(reached_by, matrix, port, why, repository, store, as_json=as_json)
        return
    from gatekeep.cli.edges import parse_waivers
    from gatekeep.matrix.load import load_matrix
    from gatekeep.report.json_report import to_json
    from gatekeep.runner.waivers import read_waivers_beside

    loaded = load_matrix(find_matrix(Path.cwd()) if matrix is None else matrix)
    waivers = read_waivers_beside(loaded, parse_waivers)
    ports = _select_ports(loaded, port)
    chosen = {item.name: [target for target in loaded.targets if target.port == item.name] for item in ports}
    if as_json:
        click.echo(to_json(render_targets_json(loaded, ports, chosen)), nl=False)
        return
    for line in render_targets(loaded, ports, chosen):
        click.echo(plain(line))
    for waiver in waivers:
        names = [name for name in waiver.targets if name in {t.name for items in chosen.values() for t in items}]
        if names:
            days = f"from {waiver.since} to {waiver.until}"
            click.echo(plain(f"waived {days}, {waiver.name}: rule {waiver.rule.value} of {', '.join(names)}"))


def _show_reach(
    commits: str,
    matrix: Path | None,
    port: str | None,
    why: str | None,
    repository: Path,
    store: Path | None,
    *,
    as_json: bool,
) -> None:
    from gatekeep.cli.reached import ask_reach, narrow, render_reach, render_reach_json, render_why
    from gatekeep.report.json_report import to_json

    answer = narrow(ask_reach(commits, matrix=matrix, repository=repository, store=store), port=port, why=why)
    if as_json:
        click.echo(to_json(render_reach_json(answer)), nl=False)
        return
    for line in render_why(answer) if why is not None else render_reach(answer):
        click.echo(plain(line))


def _select_ports(matrix: Matrix, name: str | None) -> tuple[Port, ...]:
    if name is None:
        return matrix.ports
    port = matrix.get_port(name)
    if port is None:
        from gatekeep.matrix.faults import quote, suggest

        way_out = suggest(name, [known.name for known in matrix.ports], none="")
        raise UsageError(f"--port: {matrix.path} has no port {quote(name)}; {way_out}")
    return (port,)


def render_targets(matrix: Matrix, ports: Iterable[Port], chosen: dict[str, list[Target]]) -> list[str]:
    """
    Lines for people: each port, its targets in columns, and a summary at the end.

    Args:
        matrix: The whole matrix.
        ports: Those to show, in order.
        chosen: Targets by name of port.
    """
    lines: list[str] = []
    shown = [target for targets_of_port in chosen.values() for target in targets_of_port]
    cells = {target.name: _cells_of(target) for target in shown}
    widths = [max((len(row[column]) for row in cells.values()), default=0) for column in range(5)]
    for port in ports:
        lines.append(f"{port.name}: {_describe_port(port)}")
        for target in chosen[port.name]:
            row = "  ".join(cell.ljust(width) for cell, width in zip(cells[target.name], widths, strict=True))
            lines.append(f"  {row}".rstrip())
        lines.append("")
    lines += _list_bare_toolchains(shown)
    names = ", ".join(sorted({target.toolchain.name for target in shown}))
    ports_count = len(chosen)
    lines.append(
        f"{_count(len(shown), 'target')} in {_count(ports_count, 'port')} of {matrix.tree}, built with {names}"
    )
    return lines


def _list_bare_toolchains(shown: Iterable[Target]) -> list[str]:
    """Say which toolchains may be replaced behind their driver unseen."""
    bare = dict.fromkeys(target.toolchain for target in shown if not target.toolchain.programs)
    return [
        f"toolchain {toolchain.name}: only {toolchain.probe[0]} itself is held against its digest; name what stands "
        "behind it (compiler, assembler, linker) in its programs"
        for toolchain in sorted(bare, key=lambda toolchain: toolchain.name)
    ]


def _cells_of(target: Target) -> tuple[str, ...]:
    part = target.part
    flash = "no part" if part is None else f"{part.name} {render_bytes(part.capacity_bytes)}"
    boots = "" if target.boot is None else f"boots to '{target.boot.expect[-1]}'"
    return target.name, flash, target.toolchain.name, target.recipe.name, boots


def _describe_port(port: Port) -> str:
    facts = [port.machine or "any machine"]
    if port.bits is not None:
        facts.append(f"{port.bits} bits")
    if port.byte_order is not None:
        facts.append(f"{port.byte_order}-endian")
    if port.since is not None:
        facts.append(f"since {port.since.isoformat()}")
    return f"{', '.join(facts)}; {', '.join(person.name for person in port.maintainers)}"


def _count(number: int, noun: str) -> str:
    return f"{number} {noun}" if number == 1 else f"{number} {noun}s"


def render_targets_json(matrix: Matrix, ports: Iterable[Port], chosen: dict[str, list[Target]]) -> dict[str, Any]:
    """
    The same for programs.

    Returns:
        `format` 1, `matrix` (path), `tree`, `source_date` (seconds since 1970), `ports` and `targets`, in file order.
        Sizes are bytes, times seconds, addresses hexadecimal text; what does not apply is null.
    """
    return {
        "format": 1,
        "matrix": matrix.path,
        "tree": matrix.tree,
        "source_date": matrix.source_date,
        "ports": [
            {
                "name": port.name,
                "maintainers": [{"name": person.name, "email": person.email} for person in port.maintainers],
                "since": port.since.isoformat() if port.since else None,
                "machine": port.machine,
                "bits": port.bits,
                "byte_order": port.byte_order,
            }
            for port in ports
        ],
        "targets": [_target_json(target) for targets_of_port in chosen.values() for target in targets_of_port],
    }


def _target_json(target: Target) -> dict[str, Any]:
    part, recipe = target.part, target.recipe
    return {
        "name": target.name,
        "port": target.port,
        "board": target.board,
        "configuration": target.configuration,
        "line": target.place.line,
        "toolchain": {
            "name": target.toolchain.name,
            "probe": target.toolchain.probe,
            "allow": target.toolchain.allow,
        },
        "recipe": {
            "name": recipe.name,
            "build": recipe.build,
            "directory": recipe.directory,
            "elf": recipe.elf,
            "image": recipe.image,
            "image_format": recipe.image_format.value if recipe.image else None,
            "archives": recipe.archives,
            "environment": dict(recipe.environment),
            "keep_environment": recipe.keep_environment,
            "time_limit_s": recipe.time_limit_s,
            "log_limit_bytes": recipe.log_limit_bytes,
            "memory_limit_bytes": recipe.memory_limit_bytes,
            "disk_limit_bytes": recipe.disk_limit_bytes,
            "builds_in_tree": recipe.builds_in_tree,
        },
        "part": None
        if part is None
        else {
            "name": part.name,
            "capacity_bytes": part.capacity_bytes,
            "address": None if target.part_address is None else f"0x{target.part_address:x}",
            "regions": [
                {
                    "name": region.name,
                    "at_bytes": region.at_bytes,
                    "capacity_bytes": region.capacity_bytes,
                    "reserve_bytes": region.reserve_bytes,
                    "write_protected": region.write_protected,
                }
                for region in part.regions
            ],
        },
        "memories": [
            {
                "name": memory.name,
                "address": f"0x{memory.address:x}",
                "capacity_bytes": memory.capacity_bytes,
                "reserve_bytes": memory.reserve_bytes,
            }
            for memory in target.memories
        ],
        "settings": dict(target.settings),
        "boot": None
        if target.boot is None
        else {
            "command": target.boot.command,
            "expect": target.boot.expect,
            "time_limit_s": target.boot.time_limit_s,
        },
    }
