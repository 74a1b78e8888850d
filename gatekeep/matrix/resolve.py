"""
Entries to a `Matrix`: what levels inherit, what names refer to, and every fault that takes two places to tell.

Levels run every, port, board, configuration. The nearest one that says a key wins; `settings` and `memories` are merged
by name, with null taking one away; `configurations` is replaced whole.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from typing import Any

from gatekeep.matrix.entries import (
    BoardEntry,
    BootEntry,
    CompileCacheEntry,
    ConfigurationEntry,
    Entry,
    EveryEntry,
    MatrixEntry,
    PortEntry,
    RecipeEntry,
    ToolchainEntry,
)
from gatekeep.matrix.faults import Faults, Mark, quote, suggest
from gatekeep.matrix.filling import Filler, fill_boot, fill_recipe, way_out_of
from gatekeep.matrix.machines import ANY_FORM, MACHINE_FORMS
from gatekeep.matrix.scalars import LOAD_TIME_NAMES
from gatekeep.matrix.storage import list_clashes, resolve_memory, resolve_part
from gatekeep.model.matrix import (
    WAIVER_DAYS,
    Approver,
    CacheWish,
    Claim,
    Matrix,
    Memory,
    Part,
    Place,
    Port,
    Rules,
    RuleStrength,
    Target,
    Toolchain,
)
from gatekeep.model.placeholders import RUN_TIME_NAMES, Placeholder, Template, list_names
from gatekeep.model.quantity import render_bytes

Levels = tuple[ConfigurationEntry, ...]
"""From every down to the target's own."""

_MIN_CACHE_BYTES = 1024**2
"""Less holds a handful of objects; and 0 would mean no limit to the program."""


def resolve(entry: MatrixEntry, faults: Faults) -> Matrix:
    """
    Entries to a matrix.

    Raises:
        MatrixError: Everything that does not fit together, at once.
    """
    return _Resolver(entry=entry, faults=faults).resolve()


@dataclass(slots=True, kw_only=True)
class _Resolver:
    """One run of resolving; faults that several targets share are kept together until the end."""

    entry: MatrixEntry
    faults: Faults
    toolchains: dict[str, Toolchain] = field(default_factory=dict)
    parts: dict[str, Part | None] = field(default_factory=dict)
    shared: dict[tuple[Mark | None, str, str], tuple[str, list[tuple[Mark, str]]]] = field(default_factory=dict)
    #: Every name that a recipe or a boot of the matrix has filled.
    asked_for: frozenset[str] = frozenset()

    def resolve(self) -> Matrix:
        entry = self.entry
        self.asked_for = frozenset(_iter_placeholders((entry.recipes, _iter_boots(entry))))
        for name, toolchain in entry.toolchains.items():
            self.toolchains[name] = self._resolve_toolchain(name, toolchain)
        for name, recipe in entry.recipes.items():
            self._check_recipe(name, recipe)
        for name, part in entry.parts.items():
            self.parts[name] = resolve_part(name, part, self.faults)
        every = entry.every or EveryEntry()
        self._check_references(every)
        self._check_case(entry, "ports", entry.ports)
        targets: list[Target] = []
        ports: list[Port] = []
        for name, port in entry.ports.items():
            ports.append(self._resolve_port(name, port))
            targets.extend(self._resolve_targets(name, port, every))
        matrix = Matrix(
            path=self.faults.path,
            tree=entry.tree,
            source_date=entry.source_date,
            ports=tuple(ports),
            targets=tuple(targets),
            claims=self._resolve_claims(),
            rules=self._resolve_rules(targets),
            approvers=self._resolve_approvers(),
        )
        self._flush_shared()
        self.faults.raise_if_any()
        return matrix

    # What stands by itself

    def _resolve_toolchain(self, name: str, entry: ToolchainEntry) -> Toolchain:
        return Toolchain(
            name=name,
            probe=self._resolve_command(entry.probe, entry, "probe"),
            allow=entry.allow or "",
            install=entry.install,
            programs=tuple(
                self._resolve_command(program, entry, "programs", index)
                if isinstance(program, list)
                else self._literal(program, entry.value_at("programs", index))
                for index, program in enumerate(entry.programs)
            ),
            compile_cache=self._resolve_cache(entry.compile_cache),
        )

    def _resolve_cache(self, entry: CompileCacheEntry | None) -> CacheWish | None:
        if entry is None:
            return None
        names = list(entry.in_front_of)
        for index, name in enumerate(names):
            if name in names[:index]:
                self.faults.add(entry.value_at("in_front_of", index), f"compiler {name} stands twice; write it once")
        if entry.limit is not None and entry.limit < _MIN_CACHE_BYTES:
            problem = f"a compile cache needs 1 MiB or more, got {render_bytes(entry.limit)}; write for instance 2 GiB"
            self.faults.add(entry.value_at("limit"), problem)
        wish = CacheWish(in_front_of=tuple(names))
        if entry.program is not None:
            if "/" in entry.program and not entry.program.startswith("/"):
                problem = (
                    f"a compile cache is found by its name or its whole path, got {quote(entry.program)}; write ccache"
                )
                self.faults.add(entry.value_at("program"), problem)
            wish = replace(wish, program=entry.program)
        return wish if entry.limit is None else replace(wish, limit_bytes=entry.limit)

    def _resolve_command(self, words: list[Template], entry: ToolchainEntry, *at: str | int) -> tuple[str, ...]:
        command = tuple(self._literal(word, entry.value_at(*at, i)) for i, word in enumerate(words))
        if not words[0]:
            self.faults.add(entry.value_at(*at, 0), "a command begins with an empty word; write the program's name")
        return command

    def _literal(self, template: Template, mark: Mark) -> str:
        """Text of a toolchain, which no target fills."""
        for name in list_names(template):
            problem = (
                f"a toolchain is one for all targets, so nothing fills {{{name}}}; write {{{{{name}}}}} for braces"
            )
            self.faults.add(mark, problem)
        return "".join(piece for piece in template if isinstance(piece, str))

    def _check_recipe(self, name: str, entry: RecipeEntry) -> None:
        mark = self.entry.name_at("recipes", name)
        if not (entry.elf or entry.image or entry.archives):
            problem = (
                f'recipe {name} says no file that it leaves; write elf: "{{out}}/{{board}}.elf", image: or archives:'
            )
            self.faults.add(mark, problem)
        if entry.image_format is not None and entry.image is None:
            self.faults.add(
                entry.key_at("image_format"), f"recipe {name} has an image_format and no image; write image:"
            )
        for index, variable in enumerate(entry.keep_environment):
            if variable in entry.environment:
                problem = f"{variable} is set in environment: already; remove it here or there"
                self.faults.add(entry.value_at("keep_environment", index), problem)
            elif variable in entry.keep_environment[:index]:
                self.faults.add(entry.value_at("keep_environment", index), f"{variable} stands here twice; remove one")

    def _resolve_port(self, name: str, entry: PortEntry) -> Port:
        if entry.machine is not None:
            widths, orders = MACHINE_FORMS.get(entry.machine, ANY_FORM)
            if entry.bits is not None and entry.bits not in widths:
                problem = f"machine {entry.machine} has {widths[0]} bits, got {entry.bits}; correct bits: or machine:"
                self.faults.add(entry.value_at("bits"), problem)
            if entry.byte_order is not None and entry.byte_order not in orders:
                problem = (
                    f"machine {entry.machine} is {orders[0]}-endian, got {entry.byte_order}; "
                    "correct byte_order: or machine:"
                )
                self.faults.add(entry.value_at("byte_order"), problem)
        return Port(
            name=name,
            maintainers=tuple(entry.maintainers),
            machine=entry.machine,
            bits=entry.bits,
            byte_order=entry.byte_order,
            since=entry.since,
            place=self._place(self.entry.name_at("ports", name)),
        )

    # Levels and targets

    def _resolve_targets(self, port_name: str, port: PortEntry, every: EveryEntry) -> Iterable[Target]:
        self._check_references(port)
        self._check_case(port, "boards", port.boards)
        for board_name, said in port.boards.items():
            board = said or BoardEntry()
            self._check_references(board)
            board_mark = port.name_at("boards", board_name)
            levels: Levels = (every, port, board)
            owner = next((level for level in reversed(levels) if level.has("configurations")), None)
            configurations = owner.configurations if isinstance(owner, EveryEntry) else None
            if owner is None or configurations is None:
                target = self._resolve_target(port_name, port, board_name, None, levels, board_mark)
                if target is not None:
                    yield target
                continue
            self._check_case(owner, "configurations", configurations)
            for name, own in configurations.items():
                configuration = own or ConfigurationEntry()
                self._check_references(configuration)
                mark = owner.name_at("configurations", name) if owner is board else board_mark
                target = self._resolve_target(port_name, port, board_name, name, (*levels, configuration), mark)
                if target is not None:
                    yield target

    def _resolve_target(
        self, port_name: str, port: PortEntry, board: str, configuration: str | None, levels: Levels, mark: Mark
    ) -> Target | None:
        tail = "" if configuration is None else f"/{configuration}"
        whom = (mark, f"{port_name}/{board}{tail}")
        toolchain = self.toolchains.get(self._nearest(levels, "toolchain", whom) or "")
        recipe_name = self._nearest(levels, "recipe", whom) or ""
        recipe_entry = self.entry.recipes.get(recipe_name)
        part_name = self._said(levels, "part")
        part = self.parts.get(part_name) if part_name is not None else None
        part_address = self._said(levels, "part_address")
        if part_address is not None and part_name is None:
            self._share(None, "part_address: says where a part is seen, and there is no part for", _NO_PART, whom)
        memories = self._merge_memories(levels)
        clashes = list_clashes(part=part, part_address=part_address, memories=memories, bits=port.bits)
        for problem in clashes:
            self._share(None, f"{problem}, in", "correct the address, the size or the name", whom)
        fixed = {"port": port_name, "board": board, "target": whom[1], "tree_name": self.entry.tree}
        if configuration is not None:
            fixed["configuration"] = configuration
        settings = self._merge_settings(levels, fixed, whom)
        if toolchain is None or recipe_entry is None:
            return None
        self._check_files(recipe_name, recipe_entry, part_name, part, whom)
        if not (recipe_entry.elf or recipe_entry.image or recipe_entry.archives):
            return None
        filler = Filler(
            values=fixed | settings, report=lambda place, problem, way_out: self._share(place, problem, way_out, whom)
        )
        recipe = fill_recipe(recipe_name, recipe_entry, filler)
        boot = self._said(levels, "boot")
        return Target(
            port=port_name,
            board=board,
            configuration=configuration,
            toolchain=toolchain,
            recipe=recipe,
            part=part,
            part_address=part_address,
            memories=memories,
            settings=tuple(settings.items()),
            boot=fill_boot(boot, recipe, filler) if boot is not None else None,
            place=self._place(mark),
        )

    def _check_files(
        self, name: str, recipe: RecipeEntry, part_name: str | None, part: Part | None, whom: tuple[Mark, str]
    ) -> None:
        if recipe.image and part_name is None:
            self._share(None, f"recipe {name} leaves an image, and there is no part for", _NO_PART, whom)
        if recipe.archives and part is not None and len(part.regions) > 1:
            self._share(
                None,
                f"recipe {name} leaves archives, which have no addresses, and part {part.name} has several regions for",
                "take a part with one region, or no part",
                whom,
            )

    def _said(self, levels: Levels, key: str) -> Any:  # noqa: ANN401 - the type follows the key
        """Give what the nearest level says; None when no level says the key, or the nearest takes it away."""
        return next((getattr(level, key) for level in reversed(levels) if level.has(key)), None)

    def _nearest(self, levels: Levels, key: str, whom: tuple[Mark, str]) -> str | None:
        name: str | None = self._said(levels, key)
        if name is None:
            known = ", ".join(getattr(self.entry, f"{key}s"))
            self._share(
                None, f"no {key} is named for", f"write {key}: in it, its port or every: (there is {known})", whom
            )
        return name

    def _merge_memories(self, levels: Levels) -> tuple[Memory, ...]:
        merged: dict[str, Memory] = {}
        for level in levels:
            for name, entry in level.memories.items():
                if entry is None:
                    self._take_away(merged, "memory", name, level.name_at("memories", name))
                elif memory := resolve_memory(name, entry, self.faults):
                    merged[name] = memory
        return tuple(merged.values())

    def _merge_settings(self, levels: Levels, fixed: dict[str, str], whom: tuple[Mark, str]) -> dict[str, str]:
        merged: dict[str, str] = {}
        for level in levels:
            for name, template in level.settings.items():
                mark = level.value_at("settings", name)
                if template is None:
                    self._take_away(merged, "setting", name, level.name_at("settings", name))
                else:
                    merged[name] = self._fill_setting(template, mark, fixed, whom)
        return merged

    def _fill_setting(self, template: Template, mark: Mark, fixed: dict[str, str], whom: tuple[Mark, str]) -> str:
        """Settings may use what names the target, not each other and not what only run time knows: no cycles."""
        pieces = []
        for piece in template:
            if isinstance(piece, str):
                pieces.append(piece)
            elif piece.name in fixed:
                pieces.append(fixed[piece.name])
            elif piece.name == "configuration":
                self._share(mark, "nothing fills {configuration} for", way_out_of(piece.name, ()), whom)
            else:
                known = ", ".join(f"{{{name}}}" for name in LOAD_TIME_NAMES)
                problem = f"a setting may use {known} only, got {{{piece.name}}}; use that one in the recipe"
                self.faults.add(mark, problem)
        return "".join(pieces)

    def _take_away(self, merged: dict[str, Any], what: str, name: str, mark: Mark) -> None:
        if merged.pop(name, None) is None:
            way_out = suggest(name, merged, none="remove the line")
            self.faults.add(mark, f"no {what} {quote(name)} comes from the levels above to be taken away; {way_out}")

    # References, claims, rules

    def _check_references(self, level: ConfigurationEntry) -> None:
        for key, known in (
            ("toolchain", self.entry.toolchains),
            ("recipe", self.entry.recipes),
            ("part", self.entry.parts),
        ):
            name = getattr(level, key)
            if name is not None and name not in known:
                way_out = suggest(name, known, none=f"write it under {key}s:")
                self.faults.add(level.value_at(key), f"there is no {key} {quote(name)}; {way_out}")
        for name, words in level.settings.items():
            # It would do nothing: a debug image that is built as any other, for instance.
            if name not in self.asked_for and words is not None:
                way_out = suggest(name, sorted(self.asked_for - _GIVEN), none="remove it")
                self.faults.add(level.name_at("settings", name), f"no recipe uses {{{name}}}; {way_out}")

    def _check_case(self, owner: Any, key: str, names: Iterable[str]) -> None:  # noqa: ANN401 - any entry with names
        seen: dict[str, str] = {}
        for name in names:
            other = seen.setdefault(name.casefold(), name)
            if other != name:
                problem = f"{name} and {other} differ only in letter case, and names become file names; rename one"
                self.faults.add(owner.name_at(key, name), problem)

    def _resolve_claims(self) -> tuple[Claim, ...]:
        claims: list[Claim] = []
        for index, template in enumerate(self.entry.claims):
            mark = self.entry.value_at("claims", index)
            pattern = "".join(f"{{{piece.name}}}" if isinstance(piece, Placeholder) else piece for piece in template)
            if problem := _find_claim_fault(template):
                self.faults.add(mark, f"claim {quote(pattern)} {problem}")
            if any(claim.pattern == pattern for claim in claims):
                self.faults.add(mark, f"claim {quote(pattern)} stands here twice; remove one")
            claims.append(Claim(pattern=pattern, place=self._place(mark)))
        return tuple(claims)

    def _resolve_rules(self, targets: list[Target]) -> Rules:
        entry = self.entry.rules
        if entry is None:
            return Rules()
        known = {region.name: None for part in self.parts.values() if part for region in part.regions}
        known |= {memory.name: None for target in targets for memory in target.memories}
        for name in entry.growth_per_change:
            # While other faults stand, the list of regions may be short of some.
            if name not in known and None not in self.parts.values():
                way_out = suggest(name, known, none="remove it")
                mark = entry.name_at("growth_per_change", name)
                self.faults.add(mark, f"no part or memory has a region {quote(name)}; {way_out}")
        return Rules(
            new_warnings=entry.new_warnings or RuleStrength.REPORT,
            growth_per_change=tuple(entry.growth_per_change.items()),
            waiver_days=entry.waiver_days or WAIVER_DAYS,
        )

    def _resolve_approvers(self) -> tuple[Approver, ...]:
        known: dict[str, str] = {}
        approvers: list[Approver] = []
        for name, entry in self.entry.approvers.items():
            if (other := known.setdefault(entry.key, name)) != name:
                self.faults.add(entry.value_at("key"), f"{name} has the key of {other}; give each key one name")
            place = self._place(self.entry.name_at("approvers", name))
            approvers.append(Approver(name=name, key=entry.key, until=entry.until, place=place))
        return tuple(approvers)

    # Faults that many targets share

    def _share(self, place: Mark | None, problem: str, way_out: str, whom: tuple[Mark, str]) -> None:
        """
        Keep a fault of a target.

        At one place with one way out it is one fault, whatever the targets' names make of its wording: the first is
        shown. Without a place of its own it stands at the first such target.
        """
        kept = self.shared.setdefault((place, problem if place is None else "", way_out), (problem, []))
        kept[1].append(whom)

    def _flush_shared(self) -> None:
        for (place, _, way_out), (problem, targets) in self.shared.items():
            mark, name = targets[0]
            more = f" and {len(targets) - 1} more" if len(targets) > 1 else ""
            self.faults.add(place or mark, f"{problem} {name}{more}; {way_out}")

    def _place(self, mark: Mark) -> Place:
        return Place(path=self.faults.path, line=mark[0], column=mark[1])


#: What a recipe may use that is no setting.
_GIVEN = frozenset((*RUN_TIME_NAMES, "port", "board", "target", "tree_name", "configuration", "elf", "image"))
_NO_PART = "write part: in it, its port or every:"


def _iter_boots(entry: MatrixEntry) -> Iterator[BootEntry]:
    ports = entry.ports.values()
    boards = [board for port in ports for board in port.boards.values()]
    for level in (entry.every, *ports, *boards):
        if level is not None:
            own = (level, *(level.configurations or {}).values())
            yield from (one.boot for one in own if one is not None and one.boot is not None)


def _iter_placeholders(value: object) -> Iterator[str]:
    """Give the names of all placeholders in entries, however deep."""
    if isinstance(value, Placeholder):
        yield value.name
    elif isinstance(value, Entry):
        yield from _iter_placeholders(vars(value))
    elif isinstance(value, Mapping):
        yield from _iter_placeholders(value.values())
    elif isinstance(value, Iterable) and not isinstance(value, str):
        for piece in value:
            yield from _iter_placeholders(piece)


def _find_claim_fault(template: Template) -> str | None:
    """Say what is wrong with a claim and what to write; None when it is sound."""
    names = [piece.name for piece in template if isinstance(piece, Placeholder)]
    text = "".join(piece if isinstance(piece, str) else "x" for piece in template)
    for name in names:
        if name not in ("board", "port"):
            return f"holds {{{name}}}; {suggest(name, ('board', 'port'), none='')}"
    if names.count("board") != 1:
        return "needs {board} once; write for instance boards/{board}/board.mk"
    if names.count("port") > 1:
        return "holds {port} twice; keep one"
    if "{" in text or "}" in text:
        return "holds a brace of its own; no path that names a board has one, write a * for it"
    if "**" in text:
        return "holds **; a * stands for text within one segment, write one a segment"
    segments = text.split("/")
    if ".." in segments or "." in segments or "" in segments:
        return "is not a path within the tree; write it from the tree's top, without . and .."
    if "\n" in text:
        return "holds a line break; write one pattern an item"
    return None
