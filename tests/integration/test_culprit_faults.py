"""
What else searches for culprits find, and how they are stopped: merges that break what was well on each side, warnings
of several commits, builds past their time limit, kill -9. Real git, real builds by Debian's ARM GCC, real processes.
"""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from pathlib import Path
from typing import Any

from tests.integration.test_audit import BUILD, FILES, MATRIX
from tests.integration.test_culprit import GOOD_START, Story

TIDE = b"#include <tide.h>\nint tide(int hours) { return hours * 30; }\n"


def begin(folder: Path, **changes: bytes) -> Story:
    """A tree with one board, well and without a warning, at `tidy`."""
    story = Story(folder)
    matrix = MATRIX.replace(b"BOARDS", b"vale: ").replace(b"60 s", changes.pop("time_limit", b"60 s"))
    story.step("tidy", {"boards/vale.c": GOOD_START, "matrix.yml": matrix, "charts/pier.txt": b"2 m\n"})
    return story


def test_a_merge_of_two_sides_that_are_well_is_the_culprit_itself(tmp_path: Path) -> None:
    story = begin(tmp_path)
    wider: dict[str | bytes, Any] = {
        "lib/tide.h": b"int tide(int, int);\n",
        "lib/tide.c": b"#include <tide.h>\nint tide(int hours, int minutes) { return hours * 30 + minutes / 2; }\n",
        "boards/vale.c": b"#include <tide.h>\nint start(void) { return tide(2, 0); }\n",
    }
    story.step("pier 1", {"charts/pier.txt": b"10 m\n"})
    side = story.step("wider", wider, parents=[story.at["tidy"]], branch="side")
    main = story.step("ebb", {"boards/vale.c": GOOD_START + b"int ebb(void) { return tide(8); }\n"})
    both = wider["boards/vale.c"] + b"int ebb(void) { return tide(8); }\n"
    merge = story.step("join", {**wider, "boards/vale.c": both}, parents=[main, side])
    story.step("pier 2", {"charts/pier.txt": b"20 m\n"})
    answer = story.search("arm/vale", story.at["tidy"], "main")
    assert answer.code == 0, answer.errors
    (result,) = answer.json["results"]
    assert (result["culprit"]["id"], result["before"], result["joins"]) == (merge, main, [side])
    assert result["merges"] == []
    said = f"it is a merge, and broke what was well on each side: also at {side[:10]} (wider)"
    assert said in " ".join(answer.text.split())


def test_a_merge_in_a_merged_side_is_followed_to_the_commit_that_did_it(tmp_path: Path) -> None:
    story = begin(tmp_path)
    broken: dict[str | bytes, Any] = {"lib/tide.c": TIDE.replace(b"hours * 30", b"depth * 30")}
    inner = story.step("inner", broken, parents=[story.at["tidy"]], branch="inner")
    chart = story.step("chart", {"charts/side.txt": b"1 m\n"}, parents=[story.at["tidy"]], branch="side")
    joined = story.step("join inner", {**broken, "charts/side.txt": b"1 m\n"}, parents=[chart, inner], branch="side")
    main = story.step("pier 1", {"charts/pier.txt": b"10 m\n"})
    merge = story.step("join side", {**broken, "charts/side.txt": b"1 m\n"}, parents=[main, joined])
    answer = story.search("arm/vale", story.at["tidy"], "main")
    (result,) = answer.json["results"]
    assert (result["culprit"]["id"], result["merges"]) == (inner, [merge, joined]), answer.text


def test_warnings_of_several_commits_each_have_their_own_culprit(tmp_path: Path) -> None:
    story = begin(tmp_path)
    unused = TIDE.replace(b"{ return", b"{ int spring; return")
    story.step("pier 1", {"charts/pier.txt": b"10 m\n"})
    first = story.step("spring", {"lib/tide.c": unused})
    story.step("pier 2", {"charts/pier.txt": b"20 m\n"})
    second = story.step("neap", {"boards/vale.c": GOOD_START.replace(b"{ return", b"{ int neap, low; return")})
    story.step("pier 3", {"charts/pier.txt": b"30 m\n"})
    answer = story.search("arm/vale", story.at["tidy"], "main")
    assert answer.code == 0, answer.errors
    found = {
        result["culprit"]["id"]: sorted(warning["message"] for warning in result["warnings"])
        for result in answer.json["results"]
    }
    # A commit that brought two has one answer for both.
    assert found == {
        first: ["unused variable 'spring'"],
        second: ["unused variable 'low'", "unused variable 'neap'"],
    }
    assert f"arm/vale: since commit {first[:10]} (spring)" in answer.text
    # Every build serves both searches: both ends, the two suspects and what came before them, and each of these again.
    assert sum(result["builds"] for result in answer.json["results"]) <= 9


def test_a_target_past_its_time_limit_has_a_culprit(tmp_path: Path) -> None:
    story = begin(tmp_path, time_limit=b"5 s")
    story.step("pier 1", {"charts/pier.txt": b"10 m\n"})
    slow = story.step("slow", {"build.sh": b"sleep 100\n" + BUILD})
    answer = story.search("arm/vale", story.at["tidy"], "main")
    assert answer.code == 0, answer.errors
    (result,) = answer.json["results"]
    assert (result["culprit"]["id"], result["fault"]) == (slow, "runs past its time limit of 5 s")
    assert answer.errors.count("timed out") == 1


def test_a_killed_search_goes_on_and_builds_nothing_again_that_had_ended(tmp_path: Path) -> None:
    told = tmp_path / "built"
    # The third build waits, for longer than the test needs, until the file is gone. What fails is built twice.
    wait = f'echo "$1" >> {told}\nif test -e {told}.wait && test $(wc -l < {told}) -eq 4; then sleep 100; fi\n'.encode()
    story = begin(tmp_path)
    story.step("tell", {"build.sh": wait + FILES["build.sh"]})
    for number in range(8):
        text = b"depth" if number >= 5 else b"hours"
        story.step(f"step {number}", {"lib/tide.c": TIDE.replace(b"hours *", text + b" * %d *" % number)})
    search = ["culprit", "arm/vale", story.at["tell"], "main", "--workers", "1", "--sandbox", "off"]

    whole = story.run(*search, "--json", str(story.json)).json["results"][0]
    assert whole["culprit"]["id"] == story.at["step 5"]
    wanted = len(told.read_text().splitlines())

    story.store = tmp_path / "killed"
    told.unlink()
    Path(f"{told}.wait").touch()
    process = subprocess.Popen(
        [sys.executable, "-m", "gatekeep", *search, "--store", str(story.store)],
        cwd=story.repository.path,
        env={"PATH": os.environ["PATH"], "HOME": str(tmp_path)},
        stdout=subprocess.DEVNULL,
        stderr=subprocess.PIPE,
        text=True,
    )
    assert process.stderr is not None
    assert any(line.startswith("build 2 ") for line in process.stderr)
    process.kill()
    process.communicate(timeout=60)
    assert process.returncode == -signal.SIGKILL
    Path(f"{told}.wait").unlink()
    begun = len(told.read_text().splitlines())
    again = story.run(*search, "--json", str(story.json)).json["results"][0]
    assert again["culprit"] == whole["culprit"]
    # What had ended is not built again: the good end once, the bad one twice. The one that was killed is begun anew.
    assert again["builds"] == whole["builds"] - 2
    assert len(told.read_text().splitlines()) == begun + wanted - 3
