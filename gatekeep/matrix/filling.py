"""
A recipe for one target: every placeholder filled that the matrix knows, and every path checked to stay in its folder.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace

from gatekeep.matrix.entries import BootEntry, RecipeEntry
from gatekeep.matrix.faults import Mark, find_nearest, quote
from gatekeep.model.matrix import Boot, ImageFormat, Recipe
from gatekeep.model.placeholders import (
    RUN_TIME_NAMES,
    Placeholder,
    Template,
    fill_at_load,
    list_names,
    parse_template,
)

Report = Callable[[Mark, str, str], None]
"""Takes a place, what is wrong (the target's name follows it in the message), and what to do."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Filler:
    """Fills the texts of one target with `values` (literal text by name), and reports what it cannot."""

    values: Mapping[str, str]
    report: Report

    def fill(self, template: Template, mark: Mark) -> str:
        """Give the text for run time; what nothing fills is reported and left as it stands."""
        unknown = [name for name in list_names(template) if name not in self.values and name not in RUN_TIME_NAMES]
        for name in unknown:
            self.report(mark, f"nothing fills {{{name}}} for", way_out_of(name, (*self.values, *RUN_TIME_NAMES)))
        return fill_at_load(template, {**self.values, **dict.fromkeys(unknown, "")})


def way_out_of(name: str, known: tuple[str, ...]) -> str:
    """Word what to do about a placeholder that nothing fills."""
    if name == "configuration":
        return "give the board configurations, or do without the placeholder"
    if nearest := find_nearest(name, known):
        return f"did you mean {{{nearest}}}?"
    return f"write {name}: in settings:, or {{{{{name}}}}} where braces are meant"


def fill_recipe(name: str, entry: RecipeEntry, filler: Filler) -> Recipe:
    """Make the recipe of one target; what is wrong goes to the filler's report."""
    elf = _fill_path("elf", entry.elf, entry, filler)
    image = _fill_path("image", entry.image, entry, filler)
    archives = tuple(
        _check_path(filler.fill(template, mark), mark, entry, filler)
        for index, template in enumerate(entry.archives)
        for mark in (entry.value_at("archives", index),)
    )
    recipe = Recipe(
        name=name,
        build=_fill_commands(entry, filler),
        directory=_fill_directory(entry, filler),
        elf=elf,
        image=image,
        image_format=entry.image_format or ImageFormat.RAW,
        archives=archives,
        environment=tuple(
            (variable, filler.fill(template, entry.value_at("environment", variable)))
            for variable, template in entry.environment.items()
        ),
        keep_environment=tuple(entry.keep_environment),
        builds_in_tree=entry.builds_in_tree,
    )
    # The defaults of limits are the model's.
    if entry.time_limit is not None:
        recipe = replace(recipe, time_limit_s=entry.time_limit)
    if entry.log_limit is not None:
        recipe = replace(recipe, log_limit_bytes=entry.log_limit)
    if entry.memory_limit is not None:
        recipe = replace(recipe, memory_limit_bytes=entry.memory_limit)
    if entry.disk_limit is not None:
        recipe = replace(recipe, disk_limit_bytes=entry.disk_limit)
    return recipe


def fill_boot(entry: BootEntry, recipe: Recipe, filler: Filler) -> Boot:
    """Make the boot of one target; `{elf}` and `{image}` become what the recipe says of its files."""
    files = {"elf": recipe.elf, "image": recipe.image}
    words = []
    for index, template in enumerate(entry.command):
        mark = entry.value_at("command", index)
        pieces: list[str | Placeholder] = []
        for piece in template:
            name = piece.name if isinstance(piece, Placeholder) else None
            if name not in files or name in filler.values:
                pieces.append(piece)
            elif file := files[name]:
                pieces += parse_template(file)
            else:
                way_out = f"write {name}: in the recipe, or boot what it leaves"
                filler.report(mark, f"recipe {recipe.name} leaves no {{{name}}} to boot for", way_out)
        words.append(filler.fill(tuple(pieces), mark))
    if not words[0]:
        mark = entry.value_at("command", 0)
        filler.report(mark, "a boot begins with an empty word for", "write the emulator's name")
        words[0] = "-"  # goes nowhere: what is reported is no matrix
    boot = Boot(command=tuple(words), expect=tuple(entry.expect))
    return boot if entry.time_limit is None else replace(boot, time_limit_s=entry.time_limit)


def _fill_commands(entry: RecipeEntry, filler: Filler) -> tuple[tuple[str, ...], ...]:
    commands = []
    for at, command in entry.list_commands():
        words = tuple(filler.fill(word, entry.value_at(*at, i)) for i, word in enumerate(command))
        if not words[0]:
            filler.report(entry.value_at(*at, 0), "a command begins with an empty word for", "write the program's name")
        commands.append(words)
    return tuple(commands)


def _fill_directory(entry: RecipeEntry, filler: Filler) -> str:
    if entry.directory is None:
        return "."
    mark = entry.value_at("directory")
    names = [name for name in list_names(entry.directory) if name in RUN_TIME_NAMES]
    if names:
        filler.report(
            mark,
            f"directory: stands in the tree already and holds {{{names[0]}}} for",
            "write the path within the tree",
        )
        return "."
    text = filler.fill(entry.directory, mark)
    if text != "." and (problem := _find_path_fault(text)):
        filler.report(mark, f"directory: {quote(text)} {problem} for", "write the path within the tree")
    return text


def _fill_path(key: str, template: Template | None, entry: RecipeEntry, filler: Filler) -> str | None:
    if template is None:
        return None
    mark = entry.value_at(key)
    return _check_path(filler.fill(template, mark), mark, entry, filler)


def _check_path(text: str, mark: Mark, entry: RecipeEntry, filler: Filler) -> str:
    """Files that a build leaves stand in `{out}`, or in `{tree}` where the recipe builds there."""
    start, *rest = parse_template(text) or ("",)
    if not isinstance(start, Placeholder) or start.name not in ("out", "tree"):
        filler.report(mark, f"{quote(text)} does not begin with {{out}}/ for", "write {out}/ before the file's name")
    elif start.name == "tree" and not entry.builds_in_tree:
        filler.report(
            mark,
            f"{quote(text)} stands in the tree for",
            "write builds_in_tree: true in the recipe, or build to {out}/",
        )
    elif any(isinstance(piece, Placeholder) for piece in rest):
        filler.report(mark, f"{quote(text)} holds a second run-time placeholder for", "a path has one, at its start")
    else:
        tail = "".join(str(piece) for piece in rest)
        problem: str | None = "names no file in it"
        if tail.startswith("/"):
            problem = "has an empty or '.' segment" if tail.startswith("//") else _find_path_fault(tail[1:])
        if problem:
            filler.report(mark, f"{quote(text)} {problem} for", f"write {{{start.name}}}/ and the file's name")
    return text


def _find_path_fault(text: str) -> str | None:
    """Say what makes a relative path leave its folder or have a second spelling; None when nothing does."""
    segments = text.split("/")
    if text.startswith("/"):
        return "is an absolute path"
    if ".." in segments:
        return "leaves its folder by '..'"
    if "" in segments or "." in segments:
        return "has an empty or '.' segment"
    if "\n" in text:
        return "holds a line break"
    return None
