"""
Options that mean the same in every command that has them.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import click

FILE = click.Path(dir_okay=False, path_type=Path)
FOLDER = click.Path(file_okay=False, path_type=Path)

# What click puts around a command: it takes the function and gives it back.
Decorator = Callable[[Callable[..., Any]], Callable[..., Any]]

repository_option = click.option(
    "--repository", type=FOLDER, default=Path(), help="Any folder of the repository. [default: this one]"
)
store_option = click.option(
    "--store",
    type=FOLDER,
    help="Where evidence, logs and worker trees are kept. [default: gatekeep/ in the git folder]",
)
workers_option = click.option(
    "--workers",
    type=click.IntRange(1, 512),
    help="How many builds run at once. [default: the cores that this process may use]",
)
colour_option = click.option(
    "--colour",
    type=click.Choice(["auto", "always", "never"]),
    default="auto",
    help="Colours; auto means on a terminal only. [default: auto]",
)
verbose_option = click.option(
    "--verbose", is_flag=True, help="Log every event to gatekeep.log in the store, not only builds."
)


def matrix_option(about: str = "The matrix file. [default: matrix.yml at the root of the tree]") -> Decorator:
    """Give `--matrix`; `about` is its help."""
    return click.option("--matrix", type=FILE, help=about)


def json_option(about: str = "Write everything as JSON; - for standard output.") -> Decorator:
    """Give `--json`, which the command gets as `json_file`; `about` is its help."""
    return click.option("--json", "json_file", type=FILE, help=about)
