"""
The files that a build left: opened with care, read whole, measured.

A build's files are as strange as its commands. A name may lead out of its folder, be a device or a pipe that never
ends, or be a sparse file larger than the disk. Files are mapped, not copied: measure only after the last process of the
build has ended, since a file that shrinks while it is mapped kills its reader.
"""

from __future__ import annotations

import errno
import hashlib
import os
import stat
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from mmap import ACCESS_READ, mmap
from pathlib import Path

from gatekeep.errors import ImageError, RunnerError
from gatekeep.measure.archive import read_archive
from gatekeep.measure.elf import Bytes, check_port, read_elf
from gatekeep.measure.footprint import measure_archives, measure_elf, measure_runs
from gatekeep.measure.hexfile import read_intel_hex, read_s_record
from gatekeep.measure.rawimage import measure_raw_image
from gatekeep.model.evidence import Artifact, Footprint, RegionUse
from gatekeep.model.matrix import ImageFormat, Port, Target
from gatekeep.model.quantity import render_bytes

#: The largest image of firmware with all its debug information is some hundred MiB; a GiB is read in seconds.
MAX_FILE_BYTES = 1024**3

# What a strange file answers when it is opened. Anything else (no memory, a bad disk) is the machine's fault.
_MISSING = frozenset({errno.ENOENT, errno.ENOTDIR})
_STRANGE = frozenset(
    {errno.EACCES, errno.EPERM, errno.ELOOP, errno.ENAMETOOLONG, errno.ENXIO, errno.ENODEV, errno.EINVAL}
)


class MissingArtifact(ImageError):  # noqa: N818 - an ImageError by its base; the name says what is wrong
    """The recipe succeeded and left no such file; `path` is its name relative to the root."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ArtifactPaths:
    """
    The files that a recipe says it leaves.

    Absolute, or relative to the root that they are measured under. None or empty where the recipe leaves none.
    """

    elf: Path | None
    image: Path | None
    archives: tuple[Path, ...]


def measure_artifacts(
    paths: ArtifactPaths, *, target: Target, port: Port, root: Path
) -> tuple[Footprint, tuple[Artifact, ...]]:
    """
    Read and measure every file that a build left.

    Flash regions come from the image where there is one, since that is what goes into the part; else from the ELF; else
    from the archives. Memories, sections and symbols come from the ELF; without one, sections and symbols from the
    archives. Every file is read and checked, counted or not.

    Args:
        paths: The files.
        target: Whose part and memories are filled.
        port: What every ELF must be for.
        root: The folder that names are shown relative to, and that no file may leave, by a symbolic link either.

    Returns:
        The footprint, and the files in the order ELF, image, archives.

    Raises:
        MissingArtifact: A file is not there.
        ImageError: A file is damaged, for another machine, no regular file, too large, outside the root, or stores
            something where the target has neither flash nor memory.
        RunnerError: The machine could not read a file.
    """
    artifacts: list[Artifact] = []
    footprint: Footprint | None = None
    flash: tuple[RegionUse, ...] | None = None

    if paths.elf is not None:
        with _open_artifact(paths.elf, "elf", root) as (data, artifact):
            elf = read_elf(data, name=artifact.name)
            check_port(elf, port, name=artifact.name)
            footprint = measure_elf(elf, target, name=artifact.name, measure_flash=paths.image is None)
            artifacts.append(artifact)
    if paths.image is not None:
        with _open_artifact(paths.image, "image", root) as (data, artifact):
            flash = _measure_image(data, target, artifact.name)
            artifacts.append(artifact)
    archives = []
    for path in paths.archives:
        with _open_artifact(path, "archive", root) as (data, artifact):
            archives.append(read_archive(data, name=artifact.name, port=port))
            artifacts.append(artifact)

    if footprint is None:
        libraries = measure_archives(archives, target)
        regions = libraries.regions if flash is None else ()
        footprint = Footprint(regions=regions, sections=libraries.sections, symbols=libraries.symbols)
    if flash is not None:
        footprint = Footprint(regions=flash + footprint.regions, sections=footprint.sections, symbols=footprint.symbols)
    return footprint, tuple(artifacts)


def _measure_image(data: Bytes, target: Target, name: str) -> tuple[RegionUse, ...]:
    """Measure the file that goes into the part; without a part only check that it is sound."""
    if not data:
        raise ImageError(name, "is empty")
    if target.recipe.image_format is ImageFormat.RAW:
        return measure_raw_image(data, target.part, name=name) if target.part is not None else ()
    read = read_intel_hex if target.recipe.image_format is ImageFormat.INTEL_HEX else read_s_record
    return measure_runs(read(data, name=name), target, name=name)


@contextmanager
def _open_artifact(path: Path, kind: str, root: Path) -> Iterator[tuple[Bytes, Artifact]]:
    """Open a regular file under the root; give its bytes, mapped, and its description."""
    real_root = os.path.realpath(root)
    full = os.path.normpath(root / path)
    name = os.path.relpath(full, os.path.normpath(root))
    try:
        real = os.path.realpath(full, strict=True)
        if not (_is_under(name) and _is_under(os.path.relpath(real, real_root))):
            raise ImageError(name, "lies outside the folder that the build may write to")
        # O_NONBLOCK: a pipe without a writer opens at once, and is refused below.
        descriptor = os.open(real, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC | os.O_NOFOLLOW | os.O_NOCTTY)
    except OSError as error:
        raise _map_error(error, name) from error
    try:
        status = os.fstat(descriptor)
        if not stat.S_ISREG(status.st_mode):
            raise ImageError(name, f"is {_name_kind(status.st_mode)}, not a regular file")
        if status.st_size > MAX_FILE_BYTES:
            raise ImageError(
                name,
                f"is {status.st_size} bytes long, more than {render_bytes(MAX_FILE_BYTES)}; no image is that large",
            )
        with _map(descriptor, status.st_size, name) as data:
            digest = hashlib.sha256(data).hexdigest()
            yield data, Artifact(kind=kind, name=name, size_bytes=status.st_size, sha256=digest)
    finally:
        os.close(descriptor)


@contextmanager
def _map(descriptor: int, size: int, name: str) -> Iterator[Bytes]:
    """Map a file; an empty one cannot be mapped and is empty bytes."""
    if size == 0:
        yield b""
        return
    try:
        mapped = mmap(descriptor, size, access=ACCESS_READ)
    except ValueError as error:
        raise ImageError(name, "became shorter while it was opened; something of the build still runs") from error
    except OSError as error:
        raise _map_error(error, name) from error
    with mapped:
        yield mapped


def _is_under(relative: str) -> bool:
    return relative not in (os.curdir, os.pardir) and not relative.startswith(os.pardir + os.sep)


def _map_error(error: OSError, name: str) -> ImageError | RunnerError:
    if error.errno in _MISSING:
        return MissingArtifact(name, "is missing: the recipe succeeded and left no such file")
    if error.errno in _STRANGE:
        return ImageError(name, f"cannot be opened: {os.strerror(error.errno or 0)}")
    return RunnerError(f"{name}: cannot be read: {error.strerror}; see to the machine's disk and memory")


def _name_kind(mode: int) -> str:
    kinds = {
        stat.S_IFDIR: "a directory",
        stat.S_IFIFO: "a pipe",
        stat.S_IFSOCK: "a socket",
        stat.S_IFCHR: "a device",
        stat.S_IFBLK: "a device",
    }
    return kinds.get(stat.S_IFMT(mode), "a special file")
