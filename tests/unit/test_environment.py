"""The environment of a build, whole."""

from __future__ import annotations

from pathlib import Path

import pytest

from gatekeep.build.environment import build_environment, clean_search_path, make_base_environment
from gatekeep.model.matrix import Recipe

#: Each of these changes an image, breaks a build or leads it astray when it is passed on.
_HOSTILE_HOST = {
    "PATH": "/opt/cross/bin:/usr/bin",
    "HOME": "/home/isa",
    "LANG": "de_DE.UTF-8",
    "LC_ALL": "de_DE.UTF-8",
    "TZ": "Europe/Berlin",
    "TMPDIR": "/var/tmp",
    "SOURCE_DATE_EPOCH": "1",
    "MAKEFLAGS": " -j8 --jobserver-auth=3,4",
    "MFLAGS": "-j8",
    "MAKELEVEL": "2",
    "GNUMAKEFLAGS": "-k",
    "CFLAGS": "-O0",
    "PYTHONPATH": "/evil",
    "GIT_DIR": "/elsewhere/.git",
    "SECRET_TOKEN": "hunter2",
    "SSH_AUTH_SOCK": "/run/agent",
    "LD_PRELOAD": "/evil.so",
    "LICENSE_FILE": "27000@host",
}


def _recipe(**changes: object) -> Recipe:
    return Recipe(name="r", build=(("make",),), elf="{out}/x.elf", **changes)  # type: ignore[arg-type]


def _build(recipe: Recipe, host: dict[str, str] = _HOSTILE_HOST) -> dict[str, str]:
    return build_environment(
        recipe,
        host=host,
        source_date=978307200,
        home=Path("/w/home"),
        tmp=Path("/w/tmp"),
        out=Path("/w/out"),
        tree=Path("/w/tree"),
        jobs=2,
    )


_BASE = {
    "GIT_CEILING_DIRECTORIES": "/w",
    "HOME": "/w/home",
    "LANG": "C.UTF-8",
    "LC_ALL": "C.UTF-8",
    "PATH": "/opt/cross/bin:/usr/bin",
    "SOURCE_DATE_EPOCH": "978307200",
    "TMPDIR": "/w/tmp",
    "TZ": "UTC",
}


def test_nothing_of_the_host_is_passed_on_but_path():
    environment = _build(_recipe())
    assert environment == _BASE
    assert list(environment) == sorted(environment)


def test_recipe_sets_variables_with_places_filled_in():
    recipe = _recipe(environment=(("CROSS", "arm-"), ("MAKEFLAGS", "-j{jobs}"), ("O", "{out}/{{x}}"), ("T", "{tree}")))
    assert _build(recipe) == _BASE | {"CROSS": "arm-", "MAKEFLAGS": "-j2", "O": "/w/out/{x}", "T": "/w/tree"}


def test_recipe_wins_over_what_every_build_gets():
    assert _build(_recipe(environment=(("TZ", "CET"),)))["TZ"] == "CET"


def test_kept_variables_are_passed_on_where_the_host_has_them():
    recipe = _recipe(keep_environment=("LICENSE_FILE", "NOT_SET_HERE"))
    assert _build(recipe) == _BASE | {"LICENSE_FILE": "27000@host"}


def test_kept_variables_never_replace_what_every_build_gets_nor_speak_of_a_make_around_us():
    recipe = _recipe(keep_environment=("HOME", "TZ", "SOURCE_DATE_EPOCH", "MAKEFLAGS", "MFLAGS", "MAKELEVEL"))
    assert _build(recipe) == _BASE


@pytest.mark.parametrize(
    ("text", "cleaned"),
    [
        ("/a:/b", "/a:/b"),
        (":/a::.:bin:/b:", "/a:/b"),
        ("", "/usr/local/bin:/usr/bin:/bin"),
        (".", "/usr/local/bin:/usr/bin:/bin"),
    ],
)
def test_search_path_finds_nothing_in_the_tree(text, cleaned):
    assert clean_search_path(text) == cleaned


def test_host_without_path_gets_the_usual_one():
    assert _build(_recipe(), {})["PATH"] == "/usr/local/bin:/usr/bin:/bin"


def test_base_environment_has_no_date_where_none_is_given():
    environment = make_base_environment({"PATH": "/bin", "X": "y"}, home=Path("/h"), tmp=Path("/t"))
    assert environment == {
        "GIT_CEILING_DIRECTORIES": "/",
        "HOME": "/h",
        "LANG": "C.UTF-8",
        "LC_ALL": "C.UTF-8",
        "PATH": "/bin",
        "TMPDIR": "/t",
        "TZ": "UTC",
    }
