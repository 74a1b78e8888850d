"""
A small model of a build, to try the rule for carrying against: what it asks a tree, and what of that leaves a trace.

A tree is a mapping of paths to contents. A build starts at `top/Makefile` and obeys the lines of every file that it
comes to; what it finds is its result. Reading a file, following a symlink and listing a folder leave a trace, as access
times do; looking a path up leaves none, whether there is something or not.

The lines: `use NAME` (an include: beside the file, then along the search path; missing is part of the result), `search
FOLDER` (adds to the search path), `maybe PATH` (an optional include), `run PATH` (obeyed if executable), `path NAME`
(the first executable along the search path), `glob FOLDER END` (obey what ends so), `each FOLDER NAME` (obey NAME in
every subfolder), `find FOLDER` (names of all that is below), `test PATH` (type and mode), `near NAME` (an optional
include in the folder above the file's). In every word `$B`, `$A`, `$N` and `$S` stand for the target's board, arch,
number and suffix.

What tools look for without being told, with names that stand in no line: `object NAME` (beside the file, the first of
several extensions, as make's implicit rules), `enter FOLDER` (the first of make's names for a makefile), `cut NAME` (a
source whose name is a part of the word), `join NAME` (beside; a suffix of two letters is glued on), `names FOLDER INTO`
(what is listed in one folder is looked for in another), `tool` (a settings file, beside and in all folders above),
`module` (along the search path, what an interpreter's own modules ask for), `kit` (beside, what makefiles outside the
tree ask for), and `#include`, which is `use` for headers, some of which lie outside the tree and ask for others along
the search path.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from posixpath import normpath

from gatekeep.model.readset import ReadSet


@dataclass(frozen=True)
class Link:
    target: bytes


@dataclass(frozen=True)
class Program:
    content: bytes


@dataclass(frozen=True)
class Module:
    commit_id: str


Content = bytes | Link | Program | Module
Tree = Mapping[str, Content]
#: Not in the root, for else whatever comes or goes in a new folder would have a trace beside it.
START = "top/Makefile"
_MAX_STEPS = 60
_MAX_HOPS = 8


@dataclass
class ModelBuild:
    """One build; `run` it once, then look at `result` and `read_set`."""

    tree: Tree
    variables: Mapping[str, str]
    start: str = START
    result: list[str] = field(default_factory=list)
    #: What was looked for and is not there, in order.
    missed: dict[str, None] = field(default_factory=dict)
    _files: set[str] = field(default_factory=set)
    _folders: set[str] = field(default_factory=set)
    _search: list[str] = field(default_factory=list)
    _obeyed: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        self._all_folders = {""}
        for path in self.tree:
            while path := path.rpartition("/")[0]:
                self._all_folders.add(path)

    def run(self) -> ModelBuild:
        self._obey(self.start)
        return self

    @property
    def read_set(self) -> ReadSet:
        return ReadSet(
            files=tuple(sorted(self._files)), folders=tuple(sorted(folder or "." for folder in self._folders))
        )

    def _look_up(self, path: str) -> str | None:
        """Follow a path from the root; give where it really leads, None when nothing is there."""
        ahead = path.split("/")[::-1]
        at: list[str] = []
        hops = 0
        while ahead:
            name = ahead.pop()
            if name in ("", "."):
                continue
            if name == "..":
                if not at:
                    return None
                at.pop()
                continue
            if "/".join(at) not in self._all_folders:
                return None
            at.append(name)
            here = "/".join(at)
            content = self.tree.get(here)
            if isinstance(content, Link):
                hops += 1
                self._files.add(here)
                if hops > _MAX_HOPS:
                    return None
                at.pop()
                ahead.extend(content.target.decode().split("/")[::-1])
            elif content is None and here not in self._all_folders:
                return None
        return "/".join(at)

    def _list(self, folder: str) -> list[str]:
        self._folders.add(folder)
        prefix = f"{folder}/" if folder else ""
        return sorted({path[len(prefix) :].partition("/")[0] for path in self.tree if path.startswith(prefix)})

    def _read(self, path: str) -> str:
        self._files.add(path)
        content = self.tree[path]
        data = content.content if isinstance(content, Program) else content
        assert isinstance(data, bytes)
        return data.decode() + ("\r" if self._is_converted(path) else "")

    def _is_converted(self, path: str) -> bool:
        """The innermost attribute file with an opinion decides, and reading it leaves no trace: git did."""
        while path:
            path = path.rpartition("/")[0]
            content = self.tree.get(f"{path}/.gitattributes" if path else ".gitattributes")
            if isinstance(content, bytes) and b"eol" in content:
                return b"eol=crlf" in content
        return False

    def _obey(self, path: str, *, how: str = "read") -> bool:
        real = self._look_up(path)
        if real is None or real not in self.tree:
            self.missed[normpath(path.lstrip("/"))] = None
            return False
        if how == "run" and not isinstance(self.tree[real], Program):
            return False
        if real in self._obeyed or len(self._obeyed) > _MAX_STEPS:
            self.result.append(f"again {real}")
            return True
        self._obeyed.add(real)
        text = self._read(real)
        self.result.append(f"{how} {path} {text}")
        for line in text.splitlines():
            verb, *words = line.split() or ["nothing"]
            for name, value in self.variables.items():
                words = [word.replace(name, value) for word in words]
            self._obey_line(path, verb, words)
        return True

    def _obey_line(self, path: str, verb: str, words: list[str]) -> None:
        beside = path.rpartition("/")[0]
        match verb, words:
            case "use", [name]:
                if not any(self._obey(f"{folder}/{name}") for folder in (beside, *self._search)):
                    self.result.append(f"missing {name}")
            case "search", [folder]:
                self._search.append(folder)
            case "maybe", [name]:
                self._obey(name)
            case "near", [name]:
                self._obey(f"{beside}/../{name}")
            case "run", [name]:
                self.result.append(f"ran {self._obey(name, how='run')}")
            case "path", [name]:
                self.result.append(f"ran {any(self._obey(f'{folder}/{name}', how='run') for folder in self._search)}")
            case "glob", [folder, end]:
                for name in self._iter_listed(folder):
                    if name.endswith(end):
                        self.result.append(f"glob {name}")
                        self._obey(f"{folder}/{name}")
            case "each", [folder, wanted]:
                for name in self._iter_listed(folder):
                    self._obey(f"{folder}/{name}/{wanted}")
            case "find", [folder]:
                self._find(folder)
            case "#include", [name]:
                self._include(beside, name.strip('<>"'))
            case "object", [name]:
                any(self._obey(f"{beside}/{name}{end}") for end in (".S", ".c", ".zz"))
            case "enter", [folder]:
                any(self._obey(f"{folder}/{name}") for name in ("GNUmakefile", "makefile", "Makefile"))
            case "cut", [name]:
                self._obey(f"{beside}/{name.partition('.')[0][:-2]}.c")
            case "join", [name]:
                self._obey(f"{beside}/{name}")
            case "names", [folder, into]:
                for name in self._iter_listed(folder):
                    self._obey(f"{into}/{name.partition('.')[0]}.c")
            case "tool", []:
                self._obey_above(beside, ".toolrc")
            case "module", []:
                for name in ("strict.pm", "Tie/Hash.pm"):
                    any(self._obey(f"{folder}/{name}") for folder in (beside, *self._search))
            case "kit", []:
                for name in ("main.c", "board_init.c", "kit-settings", "kit.mk"):
                    self._obey(f"{beside}/{name}")
            case "test", [name]:
                real = self._look_up(name)
                kind = "none" if real is None else type(self.tree.get(real)).__name__
                self.result.append(f"test {name} {kind}")

    def _include(self, beside: str, name: str) -> None:
        if any(self._obey(f"{folder}/{name}") for folder in (beside, *self._search)):
            return
        self.result.append(f"outside {name}")
        for asked in OUTSIDE_HEADERS.get(name, ()):
            any(self._obey(f"{folder}/{asked}") for folder in self._search)

    def _obey_above(self, folder: str, name: str) -> None:
        while not self._obey(f"{folder}/{name}" if folder else name) and folder:
            folder = folder.rpartition("/")[0]

    def _iter_listed(self, folder: str) -> Iterator[str]:
        real = self._look_up(folder)
        if real is not None and real in self._all_folders:
            yield from self._list(real)

    def _find(self, folder: str) -> None:
        real = self._look_up(folder)
        if real is None or real not in self._all_folders:
            return
        for name in self._list(real):
            below = f"{real}/{name}" if real else name
            self.result.append(f"found {below} {type(self.tree.get(below)).__name__}")
            if below in self._all_folders:
                self._find(below)


FOLDERS = ("tarn", "vale", "kelp", "moss", "skylark", "Tarn", "rv64")
STEMS = ("tarn", "vale", "kelp", "moss", "skylark", "holm-2", "Moss", "rv32", "kelpqd", "quoll", "zinnia")
ENDS = (".zz", ".h", ".qq", "", ".c", ".S", ".md")
#: Names that tools look for, and that stand in no line.
_IMPLIED = (
    *(".toolrc", "GNUmakefile", "makefile", "Makefile", "strict.pm", "Tie/Hash.pm"),
    *("main.c", "board_init.c", "kit-settings", "kit.mk", "features.h", "sys/types.h", "bezoar.h"),
)
#: Headers outside the tree, and what they ask for: a C library's, and others.
OUTSIDE_HEADERS = {"stdio.h": ("features.h", "sys/types.h"), "kraken.h": ("bezoar.h", "quoll.h")}
VARIABLES = {"$B": "vale", "$A": "sky", "$N": "64", "$S": "qd"}
_PARTS = ("$B", "$Alark", "rv$N", "rv32", "tarn", "kelp", "moss", "holm-2", "Moss", "mosses", "quollen")
_FOLDER_PARTS = ("$B", "$Alark", "rv$N", "tarn", "kelp", "moss", "Tarn", ".")
_VERBS = (
    *("use", "use", "search", "search", "maybe", "maybe", "test", "glob", "each", "find", "run", "path", "near"),
    *("object", "object", "enter", "cut", "join", "names", "tool", "module", "kit", "#include", "#include"),
)


def make_tree(choose: random.Random) -> dict[str, Content]:
    """A random tree whose files ask for each other and for what is not there."""
    tree: dict[str, Content] = {START: _make_text(choose, 4)}
    for _ in range(choose.randint(5, 14)):
        _put(tree, _make_path(choose), _make_content(choose))
    return tree


def change_tree(choose: random.Random, tree: Mapping[str, Content], missed: Sequence[str] = ()) -> dict[str, Content]:
    """One to three changes of the kinds that a commit can hold; one in three adds what was looked for in vain."""
    new = dict(tree)
    for _ in range(choose.choice((1, 1, 1, 2, 3))):
        paths = sorted(path for path in new if path != START)
        kind = choose.choice(("add", "add", "add", "remove", "modify", "mode", "move", "case", "link", "attributes"))
        path = choose.choice(paths) if paths else None
        if kind == "add" or path is None:
            wanted = choose.choice(missed) if missed and choose.randrange(2) else _make_path(choose)
            _put(new, wanted, _make_content(choose))
        elif kind == "remove":
            del new[path]
        elif kind == "modify":
            new[path] = _make_content(choose)
        elif kind == "mode":
            content = new[path]
            if isinstance(content, Program):
                new[path] = content.content
            elif isinstance(content, bytes):
                new[path] = Program(content)
        elif kind == "move":
            content = new.pop(path)
            _put(new, _make_path(choose), content)
        elif kind == "case":
            content = new.pop(path)
            folder, slash, base = path.rpartition("/")
            _put(new, folder + slash + base.swapcase(), content)
        elif kind == "link":
            _put(new, _make_path(choose), _make_link(choose))
        else:
            folder = path.rpartition("/")[0]
            text = choose.choice((b"* eol=crlf", b"* eol=lf", b"* -diff"))
            _put(new, f"{folder}/.gitattributes" if folder else ".gitattributes", text)
    return new


def _put(tree: dict[str, Content], path: str, content: Content) -> None:
    """Put it there; what stands in the way goes, as in a file that becomes a folder."""
    if path in (START, "top", ".") or path.startswith(".."):
        return
    for other in sorted(tree):
        if other.startswith(f"{path}/") or path.startswith(f"{other}/"):
            del tree[other]
    tree[path] = content


def _make_path(choose: random.Random) -> str:
    depth = choose.choice((0, 1, 1, 1, 1, 1, 1, 2, 2))
    folders = [choose.choice(FOLDERS) for _ in range(depth)]
    name = choose.choice(STEMS) + choose.choice(ENDS)
    return "/".join((*folders, choose.choice(_IMPLIED) if choose.randrange(5) == 0 else name))


def _make_content(choose: random.Random) -> Content:
    kind = choose.randrange(8)
    if kind == 0:
        return _make_link(choose)
    text = _make_text(choose, 2)
    return Program(text) if kind == 1 else text


def _make_link(choose: random.Random) -> Link:
    target = choose.choice(("../", "", "../../")) + choose.choice((choose.choice(FOLDERS), _make_path(choose)))
    return Link(target.encode())


def _make_text(choose: random.Random, most: int) -> bytes:
    return "\n".join(_make_line(choose) for _ in range(choose.randint(0, most))).encode()


def _make_line(choose: random.Random) -> str:
    folder = "/".join(choose.choice(_FOLDER_PARTS) for _ in range(choose.choice((1, 1, 2))))
    name = choose.choice(_PARTS) + choose.choice(ENDS)
    path = choose.choice((f"{folder}/{name}", name))
    verb = choose.choice(_VERBS)
    arguments = {
        "use": choose.choice((name, path)),
        "search": folder,
        "maybe": path,
        "test": path,
        "glob": f"{folder} {choose.choice(ENDS[:3])}",
        "each": f"{folder} {name}",
        "find": folder,
        "run": path,
        "path": name,
        "near": name,
        "object": name.partition(".")[0],
        "enter": folder,
        "cut": choose.choice(("mosses.h", "quollen", "tarned", "skylarks")),
        "join": f"{choose.choice(_PARTS)}$S.c",
        "names": f"{folder} {choose.choice(_FOLDER_PARTS)}",
        "tool": "",
        "module": "",
        "kit": "",
        "#include": choose.choice(("<stdio.h>", "<kraken.h>", f'"{name}"', f"<{path}>")),
    }
    return f"{verb} {arguments[verb]}"
