"""Reports are written whole or not at all, and never over what is not a file."""

import os
import stat
import threading
from pathlib import Path

import pytest

from gatekeep.errors import UsageError
from gatekeep.report.write import write_text

WAY_OUT = "name a file in a folder that exists and can be written"


def test_new_file_has_the_text_and_the_mode_of_any_new_file(tmp_path):
    (tmp_path / "other").write_text("")
    write_text(tmp_path / "report.md", "Grüße \udcff\n")
    assert (tmp_path / "report.md").read_bytes() == "Grüße \\udcff\n".encode()
    assert (tmp_path / "report.md").stat().st_mode == (tmp_path / "other").stat().st_mode
    assert sorted(entry.name for entry in tmp_path.iterdir()) == ["other", "report.md"]


def test_older_file_is_replaced_and_its_mode_kept(tmp_path):
    path = tmp_path / "report.md"
    path.write_text("old and longer than the new one")
    path.chmod(0o600)
    with path.open() as reader:
        write_text(path, "new")
        assert reader.read() == "old and longer than the new one"
    assert path.read_text() == "new"
    assert stat.S_IMODE(path.stat().st_mode) == 0o600


def test_link_keeps_pointing_where_it_does(tmp_path):
    (tmp_path / "folder").mkdir()
    link = tmp_path / "latest"
    link.symlink_to("folder/report.md")
    write_text(link, "text")
    assert link.is_symlink()
    assert (tmp_path / "folder" / "report.md").read_text() == "text"


def test_pipe_is_written_into(tmp_path):
    pipe = tmp_path / "pipe"
    os.mkfifo(pipe)
    heard: list[str] = []
    reader = threading.Thread(target=lambda: heard.append(pipe.read_text()))
    reader.start()
    write_text(pipe, "text")
    reader.join(timeout=10)
    assert heard == ["text"]
    assert stat.S_ISFIFO(pipe.stat().st_mode)


def test_longest_name_that_a_file_system_allows_can_be_written(tmp_path):
    write_text(tmp_path / ("r" * 255), "text")
    assert (tmp_path / ("r" * 255)).read_text() == "text"


def test_missing_folder_is_told(tmp_path):
    path = tmp_path / "nowhere" / "report.md"
    with pytest.raises(UsageError) as caught:
        write_text(path, "text")
    assert str(caught.value) == f"{path}: the report cannot be written: No such file or directory; {WAY_OUT}"


def test_folder_in_place_of_the_file_is_told(tmp_path):
    with pytest.raises(UsageError) as caught:
        write_text(tmp_path, "text")
    assert str(caught.value) == f"{tmp_path}: the report cannot be written: Is a directory; {WAY_OUT}"
    assert list(tmp_path.iterdir()) == []


def test_full_disk_is_told():
    # Outside check: Linux' /dev/full answers every write with ENOSPC (full(4)).
    with pytest.raises(UsageError) as caught:
        write_text(Path("/dev/full"), "text")
    assert str(caught.value) == f"/dev/full: the report cannot be written: No space left on device; {WAY_OUT}"
