"""Files that a build left, on a real filesystem: sound ones, and what strangers leave in their place."""

import hashlib
import os
import resource
import shutil
import socket
from pathlib import Path

import pytest

from gatekeep.errors import ImageError, RunnerError
from gatekeep.measure.artifacts import ArtifactPaths, MissingArtifact, measure_artifacts
from gatekeep.measure.elf import read_elf
from gatekeep.model.evidence import Artifact, Footprint
from gatekeep.model.matrix import ImageFormat
from tests.measuring import IMAGES, make_beacon, make_port, make_target, read_usage

ARM = make_port("arm", "ARM", 32, "little")
USAGE = read_usage((IMAGES / "beacon-arm.usage").read_text())


@pytest.fixture
def out(tmp_path: Path) -> Path:
    folder = tmp_path / "out"
    shutil.copytree(IMAGES, folder)
    return folder


def measure(out: Path, elf=None, image=None, archives=(), target=None) -> tuple[Footprint, tuple[Artifact, ...]]:
    paths = ArtifactPaths(
        elf=Path(elf) if elf else None,
        image=Path(image) if image else None,
        archives=tuple(Path(path) for path in archives),
    )
    return measure_artifacts(paths, target=target or make_beacon(), port=ARM, root=out)


def refuse(out: Path, **files) -> ImageError:
    with pytest.raises(ImageError) as caught:
        measure(out, **files)
    return caught.value


def describe(path: Path, kind: str) -> Artifact:
    data = path.read_bytes()
    return Artifact(kind=kind, name=path.name, size_bytes=len(data), sha256=hashlib.sha256(data).hexdigest())


def test_an_elf_alone_fills_flash_and_memories(out):
    footprint, artifacts = measure(out, elf=out / "beacon-arm.elf")
    assert {use.name: use.used_bytes for use in footprint.regions} == USAGE
    assert [use.flash for use in footprint.regions] == [True, True, False, False]
    assert footprint.symbols == read_elf((out / "beacon-arm.elf").read_bytes(), name="x").symbols
    assert artifacts == (describe(out / "beacon-arm.elf", "elf"),)


@pytest.mark.parametrize(
    ("image", "image_format"),
    [
        ("beacon-arm.bin", ImageFormat.RAW),
        ("beacon-arm.hex", ImageFormat.INTEL_HEX),
        ("beacon-arm.srec", ImageFormat.S_RECORD),
    ],
)
def test_flash_comes_from_the_image_and_memories_from_the_elf(out, image, image_format):
    """The ELF keeps space for .kept; objcopy stores only what the image writes, up to the end of .fast."""
    footprint, artifacts = measure(out, elf="beacon-arm.elf", image=image, target=make_beacon(image_format))
    stored = (out / "beacon-arm.bin").stat().st_size - 4096
    assert {use.name: use.used_bytes for use in footprint.regions} == USAGE | {"main": stored}
    assert artifacts == (describe(out / "beacon-arm.elf", "elf"), describe(out / image, "image"))
    alone, _ = measure(out, image=image, target=make_beacon(image_format))
    assert [(use.name, use.used_bytes) for use in alone.regions] == [("recovery", 64), ("main", stored)]


def test_archives_are_checked_beside_an_elf_and_counted_without_one(out):
    footprint, artifacts = measure(out, archives=["libbeacon.a"], target=make_target())
    assert footprint.sections == ((".text", 32), (".data", 0), (".bss", 8))
    assert artifacts == (describe(out / "libbeacon.a", "archive"),)
    with_elf, artifacts = measure(out, elf="beacon-arm.elf", archives=["libbeacon.a"])
    assert with_elf == measure(out, elf="beacon-arm.elf")[0]
    assert [artifact.kind for artifact in artifacts] == ["elf", "archive"]
    (out / "libbeacon.a").write_bytes(b"!<arch>\n")
    assert str(refuse(out, elf="beacon-arm.elf", archives=["libbeacon.a"])).startswith("libbeacon.a: holds no members")


def test_a_missing_file_is_told_apart(out):
    for path in ("none.elf", "none/x.elf", "beacon.c/x.elf"):
        with pytest.raises(MissingArtifact) as caught:
            measure(out, elf=path)
        assert caught.value.path == path
        assert str(caught.value) == f"{path}: is missing: the recipe succeeded and left no such file"
    (out / "dangling.elf").symlink_to("none.elf")
    with pytest.raises(MissingArtifact):
        measure(out, elf="dangling.elf")


def test_an_image_for_another_machine_is_refused(out):
    assert str(refuse(out, elf="beacon-powerpc.elf")) == (
        "beacon-powerpc.elf: is for PPC, 32-bit big-endian; port arm is ARM, 32-bit little-endian"
    )


def test_links_stay_inside_the_folder(out, tmp_path):
    (out / "deep").mkdir()
    (out / "deep" / "link.elf").symlink_to("../beacon-arm.elf")
    _, artifacts = measure(out, elf="deep/link.elf")
    assert artifacts[0].name == "deep/link.elf"

    shutil.copy(out / "beacon-arm.elf", tmp_path / "outside.elf")
    (out / "leads-out.elf").symlink_to(tmp_path / "outside.elf")
    (out / "folder").symlink_to(tmp_path)
    for path in ("leads-out.elf", "folder/outside.elf", "../outside.elf", "/dev/zero", "deep/../../outside.elf"):
        assert str(refuse(out, elf=path)).endswith(": lies outside the folder that the build may write to")
    (out / "loop.elf").symlink_to("loop.elf")
    assert str(refuse(out, elf="loop.elf")) == "loop.elf: cannot be opened: Too many levels of symbolic links"


def test_a_root_that_is_itself_a_link_is_followed(out, tmp_path):
    (tmp_path / "current").symlink_to(out)
    _, artifacts = measure(tmp_path / "current", elf=tmp_path / "current" / "beacon-arm.elf")
    assert artifacts[0].name == "beacon-arm.elf"


def test_what_is_no_regular_file_is_refused_at_once(out):
    os.mkfifo(out / "pipe.elf")
    assert str(refuse(out, elf="pipe.elf")) == "pipe.elf: is a pipe, not a regular file"
    (out / "folder.elf").mkdir()
    assert str(refuse(out, elf="folder.elf")) == "folder.elf: is a directory, not a regular file"
    with socket.socket(socket.AF_UNIX) as listener:
        # A short relative name: socket addresses are limited to some hundred bytes.
        descriptor = os.open(out, os.O_PATH)
        listener.bind(f"/proc/self/fd/{descriptor}/s.elf")
        os.close(descriptor)
    assert str(refuse(out, elf="s.elf")) == "s.elf: cannot be opened: No such device or address"


def test_a_sparse_file_larger_than_any_image_is_refused_at_once(out):
    with open(out / "huge.elf", "wb") as file:
        file.truncate(10 * 1000**3)
    assert str(refuse(out, elf="huge.elf")) == (
        "huge.elf: is 10000000000 bytes long, more than 1 GiB; no image is that large"
    )


def test_empty_files_are_refused(out):
    (out / "empty").touch()
    assert str(refuse(out, elf="empty")) == "empty: is empty (at byte 0)"
    assert str(refuse(out, image="empty")) == "empty: is empty"
    assert str(refuse(out, image="empty", target=make_target())) == "empty: is empty"
    assert (
        str(refuse(out, archives=["empty"])) == "empty: is not an archive: it does not begin with !<arch> (at byte 0)"
    )


def test_names_that_are_not_utf8_are_kept(out):
    name = os.fsdecode(b"vale\xff.elf")
    shutil.copy(out / "beacon-arm.elf", out / name)
    assert measure(out, elf=name)[1][0].name == name


def test_a_machine_out_of_descriptors_is_no_fault_of_the_build(out):
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    held = os.open(out, os.O_RDONLY)
    resource.setrlimit(resource.RLIMIT_NOFILE, (held + 1, hard))
    try:
        with pytest.raises(RunnerError) as caught:
            measure(out, elf="beacon-arm.elf")
    finally:
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
        os.close(held)
    assert str(caught.value) == (
        "beacon-arm.elf: cannot be read: Too many open files; see to the machine's disk and memory"
    )
