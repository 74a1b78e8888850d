"""
Which commands of a recipe may lose warnings that its commands at the base show.

Options that stand somewhere in a recipe reach a compiler only by way of what runs: a shell may leave them lying, or
throw away all that is printed. So where new warnings block, a command counts as no looser only where it is one of the
base's, or runs the same plain program and still hands it the base's options, as words or by the same variables. A
program that runs others by words of its own (a shell, an interpreter, `env`) is never plain. What a makefile does with
what it is handed no matrix says.

Source: GNU make manual, "Overriding Variables": of several assignments on the command line the last one counts.
"""

from __future__ import annotations

import re
from collections.abc import Collection, Iterable, Iterator
from pathlib import PurePosixPath

from gatekeep.judge.storage_limits import Looser
from gatekeep.judge.warning_options import count_options, is_silencing
from gatekeep.model.matrix import Recipe

#: By name, without a version: `python3.11` is python. Common practice, no source.
_RUNS_OTHERS = re.compile(
    r"(?:ba|da|a|k|mk|pdk|z|c|tc|fi|r)?sh|busybox|env|eval|exec|nice|nohup|setsid|stdbuf|script|time(?:out)?|xargs|"
    r"python|pypy|perl|ruby|lua|node|tclsh|awk|[gmn]awk|sed|ssh|sudo|su|chroot|unshare|docker|podman"
)
_VERSION = re.compile(r"[0-9.-]*$")
_VARIABLE = re.compile(r"([A-Za-z_][\w.-]*)[:+?]?=(.*)", re.ASCII | re.DOTALL)
_Command = tuple[str, ...]
_Lost = tuple[tuple[str, tuple[str, ...]], ...]


def compare_builds(base: Recipe, head: Recipe, told: Collection[str]) -> Iterator[Looser]:
    """
    Compare what a target is built by.

    Args:
        base: The recipe that judges.
        head: The change's.
        told: Warning options whose loss is told already.

    Returns:
        Aspect and message, each once; the same for all boards that differ in their own words alone.
    """
    found: dict[str, None] = {}
    known, programs = frozenset(base.build), frozenset(command[0] for command in base.build)
    for command in head.build:
        if command in known:
            continue
        program = command[0]
        if program not in programs:
            found[f"{program} runs in its build now, where warnings may be lost"] = None
        elif _runs_others(program):
            found[f"what {program} runs in its build is changed, and warnings may be lost there"] = None
        else:
            found.update(_list_lost(program, [_find_lost(before, command, told) for before in base.build]))
    for command in base.build:
        same = [after for after in head.build if after[0] == command[0]]
        if not same:
            found[f"{command[0]} no longer runs in its build"] = None
        elif command not in same and not _runs_others(command[0]):
            found.update(_list_lost(command[0], [_find_lost(command, after, told) for after in same]))
    after = dict(head.environment)
    for name, value in base.environment:
        if lost := _options(value) - _options(after.get(name, "")) - set(told):
            found[f"{name} no longer holds {' '.join(sorted(lost))}"] = None
    for message in found:
        yield ("build", message), message


def _list_lost(program: str, losses: Iterable[_Lost | None]) -> Iterator[tuple[str, None]]:
    """Word what the command loses against the one that it is most like."""
    fewest = min((loss for loss in losses if loss is not None), key=len)
    for name, options in fewest:
        where = f"by {name}" if name else "as words of their own"
        yield f"{program} is no longer handed {' '.join(options)} {where}", None


def _find_lost(before: _Command, after: _Command, told: Collection[str]) -> _Lost | None:
    """Give the options that a plain program is handed no longer, by the variable; None for two programs."""
    if before[0] != after[0]:
        return None
    was, now = _hand_over(before), _hand_over(after)
    lost = {name: options - now.get(name, frozenset()) - set(told) for name, options in was.items()}
    return tuple((name, tuple(sorted(options))) for name, options in sorted(lost.items()) if options)


def _runs_others(program: str) -> bool:
    return _RUNS_OTHERS.fullmatch(_VERSION.sub("", PurePosixPath(program).name)) is not None


def _hand_over(command: _Command) -> dict[str, frozenset[str]]:
    """Give the options by the variable that holds them, "" for words of their own."""
    found: dict[str, frozenset[str]] = {}
    for word in command[1:]:
        if (match := _VARIABLE.fullmatch(word)) is not None:
            found[match[1]] = _options(match[2])
        else:
            found[""] = found.get("", frozenset()) | _options(word)
    return found


def _options(text: str) -> frozenset[str]:
    return frozenset(option for option in count_options([text]) if not is_silencing(option))
