"""Searches for culprits from the command line: real git with merges, real builds by Debian's ARM GCC."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import jsonschema
import pytest

from tests.integration.test_audit import MATRIX, START, Answer, Kelp

SCHEMA = Path(__file__).parents[2] / "gatekeep" / "report" / "culprit.schema.json"
GOOD_START = b"#include <tide.h>\nint start(void) { return tide(2); }\n"


class Story(Kelp):
    """Two boards, 14 commits: one board is broken on a side that is merged, the other grows and gets a warning."""

    def __init__(self, folder: Path) -> None:
        super().__init__(folder, "vale: , holm: ")
        self.at: dict[str, str] = {"base": self.base}

    def step(self, name: str, files: dict[str | bytes, Any], **options: Any) -> str:
        self.at[name] = self.repository.commit(files, message=name, **options)
        return self.at[name]

    def search(self, *arguments: str) -> Answer:
        answer = self.run("culprit", *arguments, "--json", str(self.json))
        if answer.json:
            jsonschema.validate(answer.json, json.loads(SCHEMA.read_text()))
        return answer


@pytest.fixture(scope="module")
def story(tmp_path_factory: pytest.TempPathFactory) -> Story:
    story = Story(tmp_path_factory.mktemp("culprit"))
    story.step("tidy", {"boards/vale.c": GOOD_START, "boards/holm.c": GOOD_START})
    for number in range(3):
        story.step(f"pier {number}", {"charts/pier.txt": b"%d m\n" % number})
    fork = story.at["pier 2"]
    story.step(
        "side 1",
        {"lib/tide.c": b"#include <tide.h>\nint tide(int h) { return h * 31; }\n"},
        parents=[fork],
        branch="side",
    )
    story.step(
        "side 2", {"boards/vale.c": b"#include <tide.h>\nint start(void) { return tide(depth); }\n"}, branch="side"
    )
    side = story.step(
        "side 3", {"boards/vale.c": b"#include <tide.h>\nint start(void) { return tide(depths); }\n"}, branch="side"
    )
    story.step("pier 3", {"charts/pier.txt": b"30 m\n"})
    story.step("unused", {"boards/holm.c": START})
    main = story.step("pier 4", {"charts/pier.txt": b"40 m\n"})
    story.step(
        "merge",
        {
            "lib/tide.c": b"#include <tide.h>\nint tide(int h) { return h * 31; }\n",
            "boards/vale.c": b"#include <tide.h>\nint start(void) { return tide(depths); }\n",
        },
        parents=[main, side],
    )
    story.step("pier 5", {"charts/pier.txt": b"50 m\n"})
    return story


def test_a_broken_target_is_followed_into_the_side_that_broke_it(story: Story) -> None:
    answer = story.search("arm/vale", story.at["tidy"], "main")
    assert answer.code == 0, answer.errors
    culprit, before, merge = (story.at[name] for name in ("side 2", "side 1", "merge"))
    (result,) = answer.json["results"]
    assert result["culprit"]["id"] == culprit
    assert result["before"] == before
    assert result["merges"] == [merge]
    lines = answer.text.splitlines()
    assert lines[0] == f"arm/vale: since commit {culprit[:10]} (side 2)"
    assert lines[1] == "    by Isa Thorne <isa@skerry.example>, 2001-01-01"
    assert lines[2].startswith("    boards/vale.c:2: 'depth' undeclared")
    assert lines[3] == f"    came in by the merge {merge[:10]} (merge)"
    assert lines[4] == f"    still well at commit {before[:10]} (side 1)"
    assert lines[-1] == f"culprit: {culprit[:10]}, after {result['builds']} builds"


def test_a_new_warning_has_a_culprit_too_and_targets_are_searched_side_by_side(story: Story) -> None:
    answer = story.search("arm/vale,*/holm", story.at["tidy"], "main", "--workers", "2")
    assert answer.code == 0, answer.errors
    found = {result["target"]: result["culprit"]["subject"] for result in answer.json["results"]}
    assert found == {"arm/vale": "side 2", "arm/holm": "unused"}
    (warning,) = next(result for result in answer.json["results"] if result["target"] == "arm/holm")["warnings"]
    assert warning == {
        "place": "boards/holm.c:2",
        "option": "unused-variable",
        "message": "unused variable 'unused'",
    }


def test_what_is_known_already_costs_only_the_confirmation(story: Story) -> None:
    story.search("arm/holm", story.at["tidy"], "main")
    answer = story.search("arm/holm", story.at["tidy"], "main")
    (result,) = answer.json["results"]
    # The culprit and its parent.
    assert result["builds"] == 2


def test_nothing_to_find_is_said_and_is_no_success(story: Story) -> None:
    answer = story.search("arm/vale", story.at["tidy"], story.at["pier 4"])
    assert answer.code == 2
    shown = story.at["pier 4"][:10]
    assert answer.text.splitlines()[0] == f"arm/vale: nothing is wrong at {shown} (pier 4) that was not so before"
    answer = story.search("arm/vale", story.at["merge"], "main")
    assert answer.code == 2
    shown = story.at["merge"][:10]
    assert answer.text.splitlines()[0] == f"arm/vale: not well at {shown} (merge) either; name an earlier commit"


def test_a_toolchain_that_is_missing_leaves_the_search_undecided(story: Story, tmp_path: Path) -> None:
    matrix = tmp_path / "matrix.yml"
    matrix.write_bytes(
        MATRIX.replace(b"BOARDS", b"vale: ").replace(b"[arm-none-eabi-gcc, --version]", b"[no-such-gcc, --version]")
    )
    answer = story.search("arm/vale", story.at["tidy"], "main", "--matrix", str(matrix))
    assert answer.code == 3
    assert answer.text.splitlines()[0].startswith(
        f"arm/vale: undecided: commit {story.at['pier 5'][:10]} could not be judged: "
    )
    assert answer.text.splitlines()[-1] == "culprit: undecided, after 0 builds"


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (
            ("arm/vail", "main~1", "main"),
            "culprit: the matrix at GOOD has no target 'arm/vail'; did you mean arm/vale?",
        ),
        (
            ("arm/vale", "main", "main~1"),
            "culprit: {main} is no ancestor of {before}; name a commit of the same line, at which the target was still "
            "well",
        ),
    ],
)
def test_wrong_usage_says_what_is_wanted(story: Story, arguments: tuple[str, ...], message: str) -> None:
    answer = story.search(*arguments)
    names = {"main": story.at["pier 5"][:10], "before": story.at["merge"][:10]}
    assert (answer.code, answer.errors) == (2, f"gatekeep: {message.format(**names)}\n")
