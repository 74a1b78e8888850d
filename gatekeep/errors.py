"""
Everything that gatekeep raises on purpose.

GatekeepError
├── UsageError          the command line asks for what cannot be (exit 2)
├── MatrixError         a matrix file is wrong; carries file, line and column (exit 2)
├── RepositoryError     git cannot give what the change needs (exit 3)
├── RunnerError         a build could not be started or watched: the machine's fault (exit 3)
│   └── GitEndedError   git was killed or could not be started: of the repository that says nothing
├── ToolchainError      a compiler set is missing or of a version that the matrix does not allow
├── ImageError          an ELF, archive, hex or image file is damaged, or is not what the port says
└── StoreError          evidence cannot be read or written (exit 3)

A red build is a result, not an exception. Whatever is raised from here and stops the judging makes the verdict
undecided, never pass.

Form of every message: *place: what is wrong, got and wanted; what to do.*
"""

from __future__ import annotations


class GatekeepError(Exception):
    """The root. `str(error)` is the whole message, fit to be shown."""


class UsageError(GatekeepError):
    """The command line asks for something that cannot be."""


class MatrixError(GatekeepError):
    """
    A matrix file is wrong.

    Attributes:
        path: The file, as it was named.
        line: 1-based line.
        column: 1-based column.
        problem: The message without its place.
        others: Further faults of the same file, by line and column; their own `others` are empty.
    """

    def __init__(
        self, path: str, line: int, column: int, problem: str, *, others: tuple[MatrixError, ...] = ()
    ) -> None:
        super().__init__(f"{path}:{line}:{column}: {problem}")
        self.path = path
        self.line = line
        self.column = column
        self.problem = problem
        self.others = others


class RepositoryError(GatekeepError):
    """Git cannot give what the change needs: a missing commit, a shallow clone, an absent submodule."""


class RunnerError(GatekeepError):
    """A build could not be started or watched: the machine's fault, not the code's."""


class GitEndedError(RunnerError):
    """Git was ended from outside, or could not be started: the machine's fault, and next time it may answer."""


class ToolchainError(GatekeepError):
    """
    A toolchain is missing, or its version is not allowed.

    Attributes:
        toolchain: Its name in the matrix.
    """

    def __init__(self, toolchain: str, message: str) -> None:
        super().__init__(message)
        self.toolchain = toolchain


class ImageError(GatekeepError):
    """
    A file that a build left is damaged, or is not what its port says.

    Attributes:
        path: The file, as it was named; empty where only bytes were given.
        offset: Byte offset of the fault; None where the fault has none.
    """

    def __init__(self, path: str, message: str, *, offset: int | None = None) -> None:
        place = f"{path}: " if path else ""
        at = f" (at byte {offset})" if offset is not None else ""
        super().__init__(f"{place}{message}{at}")
        self.path = path
        self.offset = offset


class StoreError(GatekeepError):
    """Evidence cannot be read or written. Never answered with a fresh, empty store."""
