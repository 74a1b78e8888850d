"""
The shape of a matrix file: which keys may stand where, and of which kind their values are.

These models serve three readers: the loader, the JSON Schema that editors use (descriptions and examples come from
here), and the messages (`examples` is what a message says to write). They check one key at a time; whatever takes two
places of the file to tell is left to `resolve`.
"""

from __future__ import annotations

from typing import Annotated, Any, ClassVar, TypeVar

from pydantic import (
    BaseModel,
    ConfigDict,
    Discriminator,
    Field,
    GetCoreSchemaHandler,
    ModelWrapValidatorHandler,
    PrivateAttr,
    Tag,
    ValidationInfo,
    model_validator,
)
from pydantic_core import CoreSchema

from gatekeep.matrix.faults import Mark
from gatekeep.matrix.nodes import Mapping
from gatekeep.matrix.scalars import (
    Address,
    Amount,
    Capacity,
    ConsoleText,
    Day,
    DayCount,
    Flag,
    Format,
    FormatVersion,
    FullWord,
    Line,
    Machine,
    Name,
    Order,
    Person,
    PublicKey,
    Reserve,
    SettingName,
    SourceDate,
    Strength,
    TimeLimit,
    Variable,
    VersionRange,
    Word,
    WordLength,
)
from gatekeep.model.placeholders import Template

ONE, MANY = "<one>", "<many>"
"""Tags that pydantic puts into the place of an error; no key of the format looks like them."""

T = TypeVar("T")


class _NotNull:
    """Makes None the value of an absent key only: an empty value in the file is refused."""

    def __get_pydantic_core_schema__(self, source: Any, handler: GetCoreSchemaHandler) -> CoreSchema:  # noqa: ANN401 - pydantic's signature
        nullable = handler(source)
        return nullable["schema"] if nullable["type"] == "nullable" else nullable


Maybe = Annotated[T | None, _NotNull()]


class Entry(BaseModel):
    """
    A mapping with fixed keys.

    `KIND` names it in messages; `NAMED` says that the key it stands under is its name.
    """

    KIND: ClassVar[str] = "entry"
    NAMED: ClassVar[bool] = True
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True)
    _node: Mapping = PrivateAttr(default_factory=Mapping)

    @model_validator(mode="wrap")
    @classmethod
    def _remember(cls, data: Any, handler: ModelWrapValidatorHandler[Entry], info: ValidationInfo) -> Entry:  # noqa: ANN401 - pydantic hands in whatever stands there
        """Keep the node for `key_at` and `value_at`, and tell the reader of faults which model read it."""
        if not isinstance(data, Mapping):
            return handler(data)
        if info.context is not None:
            info.context[id(data)] = cls
        entry = handler(data)
        entry._node = data
        return entry

    def has(self, key: str) -> bool:
        """Whether the key stands in the file, even with nothing after it."""
        return key in self.model_fields_set

    def key_at(self, key: str) -> Mark:
        """Where a key of this entry stands in the file."""
        return self._node.key_at[key]

    def value_at(self, *path: str | int) -> Mark:
        """Where a value stands, by keys and indices from this entry on."""
        return find_value(self._node, path)

    def name_at(self, key: str, name: str) -> Mark:
        """Where a free name stands in the mapping under `key`."""
        inner = self._node[key]
        return inner.key_at[name] if isinstance(inner, Mapping) else self._node.value_at[key]


def find_value(node: object, path: tuple[str | int, ...]) -> Mark:
    """Give where the value at `path` begins; (1, 1) for the root itself."""
    mark = (1, 1)
    for step in path:
        mark = node.value_at[step]  # type: ignore[attr-defined]  # only nodes that have such a step come here
        node = node[step]  # type: ignore[index]
    return mark


Command = Annotated[list[Word], Field(min_length=1)]


def _tell_list(value: Any) -> str:  # noqa: ANN401 - pydantic hands in whatever stands there
    return MANY if isinstance(value, list) else ONE


Program = Annotated[Annotated[Word, Tag(ONE)] | Annotated[Command, Tag(MANY)], Discriminator(_tell_list)]
"""A name or path, or a command that prints one."""


class CompileCacheEntry(Entry):
    """A compiler cache in front of compilers."""

    KIND = "compile_cache"
    NAMED = False
    program: Maybe[Line] = Field(
        None, description="ccache, 4.6 or newer: its name or path; absent: ccache.", examples=["ccache"]
    )
    in_front_of: list[Name] = Field(
        min_length=1,
        description="The compilers whose work it keeps, by the names under which the build finds them on PATH.",
        examples=["[arm-none-eabi-gcc, arm-none-eabi-g++]"],
    )
    limit: Maybe[Capacity] = Field(
        None, description="How much it may hold, in the store's folder; absent: 2 GiB.", examples=["2 GiB"]
    )


class ToolchainEntry(Entry):
    """A compiler set."""

    KIND = "toolchain"
    probe: list[Word] = Field(
        min_length=1,
        description="Command whose output holds the version.",
        examples=["[cc, --version]"],
    )
    allow: Maybe[VersionRange] = Field(
        None,
        description="Versions that may build, by PEP 440; absent: every version.",
        examples=['">=13,<16"'],
    )
    install: Maybe[Line] = Field(
        None, description="What to do where it is missing; shown to people.", examples=['"pip install ziglang"']
    )
    programs: list[Program] = Field(
        [],
        description="The files that make the toolchain what it is: programs, looked up on PATH, and commands (lists of "
        "words) that each print the path of one.",
        examples=["[cc, ld, [cc, -print-prog-name=cc1]]"],
    )
    compile_cache: Maybe[CompileCacheEntry] = Field(
        None,
        description="A compiler cache that the gate may take objects from; audits and --rebuild do not.",
        examples=["{in_front_of: [arm-none-eabi-gcc], limit: 2 GiB}"],
    )


def _one_or_many(value: Any) -> str:  # noqa: ANN401 - pydantic hands in whatever stands there
    return MANY if isinstance(value, list) and any(isinstance(item, list) for item in value) else ONE


class RecipeEntry(Entry):
    """The commands that build a target and the files that they leave."""

    KIND = "recipe"
    build: Annotated[
        Annotated[Command, Tag(ONE)] | Annotated[list[Command], Field(min_length=1), Tag(MANY)],
        Discriminator(_one_or_many),
    ] = Field(
        description="One command (a list of words), or a list of commands that run in turn. No shell is involved.",
        examples=['[make, "BOARD={board}", "O={out}"]'],
    )
    directory: Maybe[FullWord] = Field(
        None, description="Where commands run, within the tree; absent: its top.", examples=["firmware"]
    )
    elf: Maybe[FullWord] = Field(None, description="The linked ELF file.", examples=['"{out}/{board}.elf"'])
    image: Maybe[FullWord] = Field(
        None, description="The file that is written to the part.", examples=['"{out}/{board}.rom"']
    )
    image_format: Maybe[Format] = Field(None, description="How `image` is written; absent: raw.", examples=["raw"])
    archives: list[FullWord] = Field(
        [], description="Libraries, for a target that links nothing.", examples=['["{out}/libx.a"]']
    )
    environment: dict[Variable, Word] = Field(
        {}, description="Variables of the commands' environment.", examples=['{CROSS: "{cross}"}']
    )
    keep_environment: list[Variable] = Field(
        [], description="Variables passed through from gatekeep's own environment.", examples=["[LICENSE_SERVER]"]
    )
    time_limit: Maybe[TimeLimit] = Field(
        None, description="How long one build may take; absent: 600 s.", examples=["120 s"]
    )
    log_limit: Maybe[Capacity] = Field(
        None,
        description="How much of a build's output is kept; as much, and 16 MiB at least, is read; absent: 4 MiB.",
        examples=["4 MiB"],
    )
    memory_limit: Maybe[Capacity] = Field(
        None, description="How much memory one build may use, in the sandbox; absent: 8 GiB.", examples=["2 GiB"]
    )
    disk_limit: Maybe[Capacity] = Field(
        None,
        description="How much one build may write, in the sandbox; a third of it in one file; absent: 12 GiB.",
        examples=["3 GiB"],
    )
    builds_in_tree: Flag = Field(
        False, description="Whether the build writes its outputs among the sources.", examples=["true"]
    )

    def list_commands(self) -> list[tuple[tuple[str | int, ...], list[Template]]]:
        """Give each command with its place from this entry on, whichever of the two ways `build` was written."""
        if isinstance(self.build[0], list):
            return [(("build", index), command) for index, command in enumerate(self.build)]
        return [(("build",), self.build)]


class RegionEntry(Entry):
    """A named range of a flash part."""

    KIND = "region"
    at: Amount = Field(description="Where it begins, from the start of the part.", examples=["1 MiB"])
    size: Capacity = Field(description="How much it holds.", examples=["7 MiB"])
    reserve: Maybe[Reserve] = Field(None, description="How much must stay free.", examples=["5 %"])
    write_protected: Flag = Field(False, description="Whether the hardware keeps it as it is.", examples=["true"])


class PartEntry(Entry):
    """A flash part; without regions it is one region, named flash."""

    KIND = "part"
    capacity: Capacity = Field(description="How much it holds.", examples=["64 Mibit"])
    regions: Maybe[dict[Name, RegionEntry]] = Field(
        None,
        min_length=1,
        description="Ranges with a capacity of their own; they may not overlap.",
        examples=["{main: {at: 0 B, size: 8 MiB}}"],
    )
    reserve: Maybe[Reserve] = Field(
        None, description="How much must stay free, where the part has no regions.", examples=["5 %"]
    )


class MemoryEntry(Entry):
    """Memory that is not the flash part."""

    KIND = "memory"
    at: Address = Field(description="Where the processor sees it.", examples=["0x8000_0000"])
    size: Capacity = Field(description="How much it holds.", examples=["64 KiB"])
    reserve: Maybe[Reserve] = Field(None, description="How much must stay free.", examples=["2 KiB"])


class BootEntry(Entry):
    """How an image is booted; an emulator is not the board."""

    KIND = "boot"
    NAMED = False
    command: Command = Field(
        description="The emulator, its console on standard output; {elf} and {image} are the recipe's files.",
        examples=['[emulate-board, --console, "{image}"]'],
    )
    expect: list[ConsoleText] = Field(
        min_length=1,
        description="What the console has to say: parts of lines, byte for byte, each after the one before it.",
        examples=['["clock ok", handover]'],
    )
    time_limit: Maybe[TimeLimit] = Field(
        None, description="How long it may take to say it; absent: 10 s.", examples=["10 s"]
    )


class ConfigurationEntry(Entry):
    """What one configuration of a board has of its own."""

    KIND = "configuration"
    toolchain: Maybe[Name] = Field(
        None, description="Name of the toolchain; nearest level wins.", examples=["bare-clang"]
    )
    recipe: Maybe[Name] = Field(None, description="Name of the recipe; nearest level wins.", examples=["board-make"])
    part: Name | None = Field(
        None, description="Name of the flash part; nearest level wins, null for none.", examples=["nor-64"]
    )
    part_address: Address | None = Field(
        None,
        description="Where the processor sees the part's first byte; absent: addresses count from the part's start.",
        examples=["0x2000_0000"],
    )
    memories: dict[Name, MemoryEntry | None] = Field(
        {},
        description="Memories by name, added to those of the levels above; null removes one.",
        examples=["{sram: {at: 0x8000_0000, size: 64 KiB}}"],
    )
    settings: dict[SettingName, Word | None] = Field(
        {},
        description="Words that fill placeholders, added to those of the levels above; null removes one.",
        examples=["{cross: riscv64-}"],
    )
    boot: BootEntry | None = Field(
        None,
        description="How the image is booted after it was built; nearest level wins, null for not at all.",
        examples=['{command: [emulate, "{image}"], expect: [handover]}'],
    )


class EveryEntry(ConfigurationEntry):
    """What all targets share."""

    KIND = "every"
    NAMED = False
    configurations: dict[Name, ConfigurationEntry | None] | None = Field(
        None,
        min_length=1,
        description="Configurations of each board, each a target; the nearest level's replace others', null for none.",
        examples=["{debug: , release: }"],
    )


class BoardEntry(EveryEntry):
    """A board of a port; nothing where the port says all."""

    KIND = "board"
    NAMED = True


class PortEntry(EveryEntry):
    """All targets of one CPU architecture."""

    KIND = "port"
    NAMED = True
    maintainers: list[Person] = Field(
        min_length=1, description="Who cares for the port.", examples=['["Isa Thorne <isa@skerry.example>"]']
    )
    since: Maybe[Day] = Field(
        None, description="The day the port joined the tree; absent: from its founding.", examples=["2026-03-01"]
    )
    machine: Maybe[Machine] = Field(
        None, description="The ELF machine, as the System V gABI names it, without EM_.", examples=["RISCV"]
    )
    bits: Maybe[WordLength] = Field(None, description="Width of an address.", examples=["64"])
    byte_order: Maybe[Order] = Field(None, description="Byte order of the ELF files.", examples=["little"])
    boards: dict[Name, BoardEntry | None] = Field(
        min_length=1, description="The port's boards by name.", examples=["{vale: {part: nor-64}}"]
    )


class RulesEntry(Entry):
    """What blocks beyond broken, outgrown and undecided."""

    KIND = "rules"
    NAMED = False
    new_warnings: Maybe[Strength] = Field(
        None, description="Whether a new warning blocks or is only reported; absent: report.", examples=["block"]
    )
    growth_per_change: dict[Name, Amount] = Field(
        {},
        description="How much a region or memory may grow over one change, by its name.",
        examples=["{flash: 4 KiB}"],
    )
    waiver_days: Maybe[DayCount] = Field(
        None, description="How long a waiver may last, in days; absent: 90.", examples=["120"]
    )


class ApproverEntry(Entry):
    """Somebody who may approve what a change loosens."""

    KIND = "approver"
    key: PublicKey = Field(
        description="OpenSSH public key, the line of its .pub file.",
        examples=['"ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI… isa"'],
    )
    until: Maybe[Day] = Field(
        None, description="The last day on which it counts, in UTC; absent: always.", examples=["2027-06-30"]
    )


class MatrixEntry(Entry):
    """The list of every target of a firmware tree, and its rules."""

    KIND = "matrix"
    NAMED = False
    matrix: FormatVersion = Field(description="Version of this format.", examples=["1"])
    tree: Name = Field(description="Name of the firmware tree.", examples=["skerry"])
    source_date: SourceDate = Field(
        description="Becomes SOURCE_DATE_EPOCH of every build: a day, or an instant by RFC 3339.",
        examples=["2001-01-01"],
    )
    toolchains: dict[Name, ToolchainEntry] = Field(
        min_length=1, description="Compiler sets by name.", examples=["{bare-clang: {probe: [cc, --version]}}"]
    )
    recipes: dict[Name, RecipeEntry] = Field(
        min_length=1,
        description="Ways to build by name.",
        examples=['{board-make: {build: [make, "O={out}"], elf: "{out}/{board}.elf"}}'],
    )
    parts: dict[Name, PartEntry] = Field(
        {}, description="Flash parts by name.", examples=["{nor-64: {capacity: 64 Mibit}}"]
    )
    every: Maybe[EveryEntry] = Field(
        None, description="What all targets share.", examples=["{toolchain: bare-clang, recipe: board-make}"]
    )
    ports: dict[Name, PortEntry] = Field(
        min_length=1,
        description="CPU architectures by name.",
        examples=['{riscv64: {maintainers: ["Isa Thorne"], boards: {vale: }}}'],
    )
    claims: list[FullWord] = Field(
        [],
        description="Patterns of paths that say: here is a board. {board} once, {port} at most once, * in a segment.",
        examples=['["boards/{board}/board.mk"]'],
    )
    approvers: dict[Name, ApproverEntry] = Field(
        {},
        description="Who may approve what a change loosens, by name; the base's list counts.",
        examples=["{isa: {key: ssh-ed25519 AAAAC3NzaC1lZDI1NTE5AAAAI…}}"],
    )
    rules: Maybe[RulesEntry] = Field(
        None, description="What blocks a change beyond a broken target.", examples=["{new_warnings: block}"]
    )
