"""
Options that mean the same in every command that has them.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from functools import wraps
from pathlib import Path
from typing import Any

import click

from gatekeep.build.sandbox import SandboxChoice, SandboxWish
from gatekeep.report.plain import plain

FILE = click.Path(dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)

# What click puts around a command: it takes the function and gives it back.
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

ABOUT_MATRIX = "The matrix file. [default: matrix.yml at the root of the tree]"

repository_option = click.option(
    "--repository", type=FOLDER, default=Path(), help="Any folder of the repository. [default: this one]"
)
store_option = click.option(
    "--store",
    type=FOLDER,
    help="Where evidence, logs and worker trees are kept. [default: gatekeep/ in the git folder]",
)

approval_option = click.option(
    "--approval",
    "approvals",
    type=FILE,
    multiple=True,
    help="A file of `gatekeep approve`, besides the approvals in the repository; may be given several times.",
)


def refuse_range(context: click.Context, _parameter: click.Parameter, value: str) -> str:
    """Tell whoever writes BASE..HEAD, as other commands have it, how two commits are named; no revision holds `..`."""
    if ".." in value:
        base, head = value.split("..", 1)
        words = f"{context.command_path} {base or 'BASE'} {head.lstrip('.') or 'HEAD'}"
        raise click.UsageError(
            f"two commits are named as two words, got '{plain(value)}'; write {plain(words)}", context
        )
    return value


sarif_option = click.option("--sarif", type=FILE, help="Write what is wrong as SARIF 2.1.0; - for standard output.")
junit_option = click.option("--junit", type=FILE, help="Write every result as JUnit XML; - for standard output.")


def matrix_option(about: str = ABOUT_MATRIX) -> Decorator:
    """Give `--matrix`; `about` is its help."""
    return click.option("--matrix", type=FILE, help=about)


def json_option(about: str = "Write everything as JSON; - for standard output.") -> Decorator:
    """Give `--json`, which the command gets as `json_file`; `about` is its help."""
    return click.option("--json", "json_file", type=FILE, help=about)


@dataclass(frozen=True, slots=True, kw_only=True)
class ReportFiles:
    """Where a judgement is to be written, in which form; None was not asked for, `-` is standard output."""

    json: Path | None = None
    markdown: Path | None = None
    sarif: Path | None = None
    junit: Path | None = None


def report_options(command: Callable[..., Any]) -> Callable[..., Any]:
    """Add a file option for each form of a judgement; the command gets them as one `files`, a `ReportFiles`."""

    @json_option("Write the whole judgement as JSON; - for standard output.")
    @click.option("--markdown", type=FILE, help="Write a review comment; - for standard output.")
    @sarif_option
    @junit_option
    @wraps(command)
    def with_files(
        *arguments: Any,  # noqa: ANN401 - as click hands them over
        json_file: Path | None,
        markdown: Path | None,
        sarif: Path | None,
        junit: Path | None,
        **options: Any,  # noqa: ANN401 - as above
    ) -> Any:  # noqa: ANN401 - as above
        files = ReportFiles(json=json_file, markdown=markdown, sarif=sarif, junit=junit)
        return command(*arguments, files=files, **options)

    return with_files


@dataclass(frozen=True, slots=True, kw_only=True)
class RunOptions:
    """
    What every command is told that builds.

    `matrix`, `store` and `workers` are None where the operator leaves them to us; `colour` is auto, always or never.
    """

    matrix: Path | None
    repository: Path
    store: Path | None
    workers: int | None
    sandbox: SandboxChoice
    colour: str
    verbose: bool


def run_options(about_matrix: str = ABOUT_MATRIX) -> Decorator:
    """Add the options of `RunOptions`, which the command gets as one `run`; `about_matrix` tells of `--matrix`."""

    def add(command: Callable[..., Any]) -> Callable[..., Any]:
        @matrix_option(about_matrix)
        @repository_option
        @store_option
        @click.option(
            "--workers",
            type=click.IntRange(1, 512),
            help="How many builds run at once. [default: the cores that this process may use]",
        )
        @click.option(
            "--sandbox",
            type=click.Choice([wish.value for wish in SandboxWish]),
            default=SandboxWish.AUTO.value,
            help="Builds in a sandbox: require ends undecided where there is none, auto says so and builds without, "
            "off does without. [default: auto]",
        )
        @click.option(
            "--sandbox-show",
            multiple=True,
            type=click.Path(path_type=Path),
            metavar="PATH",
            help="A file or folder that builds see, read-only, besides the system and the programs on PATH. "
            "Repeatable.",
        )
        @click.option(
            "--colour",
            type=click.Choice(["auto", "always", "never"]),
            default="auto",
            help="Colours; auto means on a terminal only. [default: auto]",
        )
        @click.option("--verbose", is_flag=True, help="Log every event to gatekeep.log in the store, not only builds.")
        @wraps(command)
        def with_run(
            *arguments: Any,  # noqa: ANN401 - as click hands them over
            sandbox: str,
            sandbox_show: tuple[Path, ...],
            **options: Any,  # noqa: ANN401 - as above
        ) -> Any:  # noqa: ANN401 - as above
            shared = {
                name: options.pop(name) for name in ("matrix", "repository", "store", "workers", "colour", "verbose")
            }
            choice = SandboxChoice(wish=SandboxWish(sandbox), show=sandbox_show)
            return command(*arguments, run=RunOptions(sandbox=choice, **shared), **options)

        return with_run

    return add
