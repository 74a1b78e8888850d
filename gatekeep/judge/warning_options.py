"""
Which options of a command ask a tool for warnings, and which silence them.

Source: GCC manual, "Options to Request or Suppress Warnings" and "Passing Options to the Assembler" (`-Wa,`, `-Wl,` and
`-Wp,` hand something on and ask for nothing themselves); GNU ld manual, "Command-line Options" (`--warn-common`,
`--fatal-warnings`, `--no-warn-…`); GNU make manual, "Summary of Options" (`--warn-undefined-variables`). Clang, lld and
GNU as take the same.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Iterable

# After a quote, a blank, a comma (`-Wl,--fatal-warnings`) or a `=` (`CFLAGS=-Wall`), but not within a word or a path.
_OPTION = re.compile(
    r"(?<![^\s'\"=,;:(])"
    r"(-W(?![alp],)[A-Za-z][\w+=.-]*|-w|-pedantic(?:-errors)?|--?(?:no-)?warn[\w=-]*|--?(?:no-)?fatal-warnings)"
    r"(?![\w-])",
    re.ASCII,
)
_SILENCING = re.compile(r"-w|-Wno-.*|--?no-.*")


def count_options(texts: Iterable[str]) -> Counter[str]:
    """Say of each warning option, silencing ones included, how many of these texts hold it."""
    return Counter(option for text in texts for option in dict.fromkeys(_OPTION.findall(text)))


def is_silencing(option: str) -> bool:
    """Tell options that take warnings away (`-w`, `-Wno-unused`) from those that ask for them."""
    return _SILENCING.fullmatch(option) is not None
