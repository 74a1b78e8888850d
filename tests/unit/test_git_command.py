"""The environment that git runs in."""

import pytest

from gatekeep.tree.git_command import git_environment, split_lines

OWN = {
    "PATH": "/bin",
    "HOME": "/home/isa",
    "GIT_DIR": "/elsewhere",
    "GIT_SSH_COMMAND": "trap",
    "GIT_EXTERNAL_DIFF": "trap",
    "GIT_CONFIG_COUNT": "1",
    "GIT_CONFIG_KEY_0": "core.fsmonitor",
    "GIT_CONFIG_VALUE_0": "trap",
    "GIT_CONFIG_PARAMETERS": "'core.fsmonitor'='trap'",
    "GIT_EXEC_PATH": "/trap",
    "LC_ALL": "de_DE.UTF-8",
    "GIT_QUARANTINE_PATH": "/r/objects/tmp_objdir",
    "GIT_OBJECT_DIRECTORY": "/r/objects/tmp_objdir",
    "GIT_ALTERNATE_OBJECT_DIRECTORIES": "/r/objects",
}


def test_nothing_of_ours_comes_through_but_the_path_and_the_quarantine():
    environment = git_environment(OWN)
    for name in ("PATH", "GIT_QUARANTINE_PATH", "GIT_OBJECT_DIRECTORY", "GIT_ALTERNATE_OBJECT_DIRECTORIES"):
        assert environment[name] == OWN[name]
    assert environment.keys() & {"HOME", "GIT_DIR", "GIT_SSH_COMMAND", "GIT_EXTERNAL_DIFF", "GIT_EXEC_PATH"} == set()
    assert "trap" not in " ".join(environment.values())
    assert environment["LC_ALL"] == "C"
    assert environment["GIT_ALLOW_PROTOCOL"] == "none"


def test_submodule_does_not_see_the_quarantine_of_another_repository():
    environment = git_environment(OWN, quarantine=False)
    assert (
        environment.keys()
        & {
            "GIT_QUARANTINE_PATH",
            "GIT_OBJECT_DIRECTORY",
            "GIT_ALTERNATE_OBJECT_DIRECTORIES",
        }
        == set()
    )


def test_settings_are_numbered_without_a_gap():
    """Source: git-config(1), "GIT_CONFIG_COUNT": a missing key or value is an error of git's."""
    environment = git_environment({})
    count = int(environment["GIT_CONFIG_COUNT"])
    settings = {environment[f"GIT_CONFIG_KEY_{n}"]: environment[f"GIT_CONFIG_VALUE_{n}"] for n in range(count)}
    assert settings["core.hooksPath"] == "/dev/null"
    assert settings["protocol.allow"] == "never"
    assert f"GIT_CONFIG_KEY_{count}" not in environment


@pytest.mark.parametrize(
    ("output", "lines"),
    [
        (b"", []),
        (b"\n", [""]),
        (b"a\nb\n", ["a", "b"]),
        (b"a\n\nb", ["a", "", "b"]),
        ("a\u2028b\u2029\x85\x0b\x0c\r\x1c\n".encode(), ["a\u2028b\u2029\x85\x0b\x0c\r\x1c"]),
        (b"h\xe4fen\n", ["h\udce4fen"]),
    ],
)
def test_only_a_line_feed_ends_a_line(output: bytes, lines: list[str]):
    assert split_lines(output) == lines
