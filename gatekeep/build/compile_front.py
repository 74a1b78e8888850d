"""
The shell programs that stand in front of a compiler: what is cached, by which of ccache's two ways, and what is not.

`compile_cache` says why. There are two. The one in a compiler's place (`render_front`) looks at the command line and
hands plain compilation to ccache. The other one (`render_guard`) is run by ccache in front of the preprocessor, where
nothing was found yet. What it writes is hashed; it fails where the text cannot be vouched for, and then nothing is
cached. Where all is well but direct mode's proof, it names a file that ccache takes for no header, and by that lets no
manifest be written: the object is kept for preprocessor mode alone.

The proof: of all that may differ at a later lookup, only contents do, and those the manifest has. So every folder that
is searched and every file that was found lies in the tree or with the compiler, nothing goes through "..", every name
that was found is one of those that the key knows (`tree_names`), nothing asks for files without reading them, and no
folder of the tree has changed since the job began. That last is told by change times, which no build can set.

What is searched is what the command line names, and the folder of each file that includes another by a name in quotes:
it lies in the source's folder or in one of those named, at any depth, or the guard lets no manifest be written. So the
key needs the names in these folders alone, by their path from the tree's root; it takes those of the whole tree where
the working folder is searched (-include), where a folder lies elsewhere or is none, and where an option is not known.

Source: ccache manual 4.7, "How the direct mode works"; its src/ccache.cpp, remember_include_file (a file that is not
regular switches direct mode off) and hash_direct_mode_specific_data (variables that only direct mode hashes), both also
by experiment in tests/integration/test_compile_cache_direct.py; dash(1); find(1), -newerXY.
"""

from __future__ import annotations

import os
import shlex
from collections.abc import Iterator, Mapping
from pathlib import Path

from gatekeep.build.tree_names import HEADER_ENDINGS, TreeNames

#: What a build may write to although it lies outside its folders.
_ANYBODYS = "/tmp|/tmp/*|/var/tmp|/var/tmp/*|/dev|/dev/*|/proc|/proc/*|/run|/run/*"  # noqa: S108 - patterns only

_FRONT = """\
#!/bin/sh
compiler={compiler}
space="{namespace} ${{SOURCE_DATE_EPOCH-}}"
compiles= source= value= keys= searched= place=
names={names} tree={tree}
case $PWD/ in
    *..*) names= ;;
    "$tree/") ;;
    "$tree"/*) place=${{PWD#"$tree/"}}/ ;;
    *) names= ;;
esac
search() {{
    case $1 in
        "$tree"/*) at=${{1#"$tree/"}} ;;
        /*) at= ;;
        .) at=$place ;;
        *) at=$place${{1#./}} ;;
    esac
    at=${{at%/}}
    case $at in
{below}        *) keys=- ;;
    esac
    if [ "$keys" != - ]; then keys="$keys $key" searched="$searched$at
"
    fi
}}
for word do
    case $value$word in
        -c) compiles=yes ;;
        -o|-MF|-MT|-MQ|-D|-U) value=: ; continue ;;
        -I|-isystem|-iquote|-idirafter) value=:: ; continue ;;
        -include|-imacros) keys=- value=: ; continue ;;
        -f*-prefix-map={tree}=*) space="$space ${{word%%=*}}={{tree}}=${{word##*=}}" ;;
        -f*-prefix-map={out}=*) space="$space ${{word%%=*}}={{out}}=${{word##*=}}" ;;
        -f*-prefix-map=*) space="$space $word" ;;
        @*|-|-x*|-B*|-W[ap],*|-Xassembler|-Xpreprocessor|-Xclang|-specs*|--specs*|--config*|-wrapper|\\
        -no-integrated-cpp|-fplugin*|-fprofile*|-fauto-profile*|-fuse-ld*|*coverage|-save-temps*|-fdump*|-f*-dump*|\\
        -fmodule*|-f*list=*|-frecord-gcc-switches|-gsplit-dwarf*|-time*|-ftime*|-d*|-v|-Q|-H|-E|-S|-M|-MM|-\\#*)
            exec "$compiler" "$@" ;;
        -I*) search "${{word#-I}}" ;;
        -gcc*) keys=- ;;
        -[DfgGmMnOpsUwW]*|-ansi|--target=*|--param=*) ;;
        -*) keys=- ;;
        ::*) search "$word" ;;
        :*) ;;
        */*.c|*/*.cc|*/*.cpp|*/*.cxx|*/*.C) source=$source+ ; search "${{word%/*}}" ;;
        *.c|*.cc|*.cpp|*.cxx|*.C) source=$source+ ; search . ;;
        *) exec "$compiler" "$@" ;;
    esac
    value=
done
others="${{DEPENDENCIES_OUTPUT-}}${{SUNPRO_DEPENDENCIES-}}${{GCC_EXEC_PREFIX-}}${{COMPILER_PATH-}}"
if [ "$compiles$source" != yes+ ] || [ -n "$others${{CCC_OVERRIDE_OPTIONS-}}" ]; then
    exec "$compiler" "$@"
fi
{settings}
export CCACHE_NAMESPACE="$space"
folders="${{CPATH+set}}${{C_INCLUDE_PATH+set}}${{CPLUS_INCLUDE_PATH+set}}${{OBJC_INCLUDE_PATH+set}}"
if [ -n "$folders${{OBJCPLUS_INCLUDE_PATH+set}}" ]; then names= ; fi
if [ -n "$names" ]; then
    # Of these variables only direct mode asks, and no compiler of C or C++ asks for this one.
    unset CCACHE_NODIRECT
    if [ "$keys" = - ]; then
        searched=
    else
        names=$keys
    fi
    export CCACHE_DIRECT=1 OBJCPLUS_INCLUDE_PATH="$names /$place" SEARCHED_FOLDERS="$searched"
else
    unset CCACHE_DIRECT
    export CCACHE_NODIRECT=1
fi
exec {program} "$compiler" "$@"
"""

#: The text is behind standard output, or behind -o.
_GUARD = """\
#!/bin/sh
tree={tree} place={place}
text=/proc/self/fd/3 last=
for word do
    [ "$last" = -o ] && text=$word
    last=$word
done
exec 3>&1
"$@" -fno-working-directory || exit
[ -f "$text" ] || exit 1
names=$(LC_ALL=C awk '
    /^# [0-9]+ "/ {{
        name = $0
        sub(/^# [0-9]+ "/, "", name)
        sub(/"[ 0-9]*$/, "", name)
        if (name ~ /[\\\\"]/) {{ bad = 1; exit }}
        if (name !~ /^<.*>$/ && name !~ /\\/\\/$/ && !(name in seen)) {{ seen[name] = 1; print name }}
        next
    }}
    {{ line = tolower($0) }}
    line ~ /incbin|include|\\.inc|\\.macro|\\.irp|^[ \\t]*#[ \\t]*embed/ {{ bad = 1; exit }}
    END {{ exit bad }}
' "$text") || exit 1
[ -n "$names" ] || exit 1

is_fixed_folder() {{
    case $1 in
        ''|*..*|=*|'$'*) return 1 ;;
        "$tree"|"$tree"/*) ;;
        "$place"|"$place"/*|{anybodys}) return 1 ;;
        /*) case $place/ in "${{1%/}}"/*) return 1 ;; esac ;;
    esac
    [ -d "$1" ]
}}
searches_fixed_folders() {{
    shift
    value=
    for word do
        case $value$word in
            -o|-D|-U|-MF|-MT|-MQ|-include|-imacros) value=: ; continue ;;
            -I|-isystem|-iquote|-idirafter) value=/ ; continue ;;
            -I*) is_fixed_folder "${{word#-I}}" || return 1 ;;
            -isystem*) is_fixed_folder "${{word#-isystem}}" || return 1 ;;
            -iquote*) is_fixed_folder "${{word#-iquote}}" || return 1 ;;
            -idirafter*) is_fixed_folder "${{word#-idirafter}}" || return 1 ;;
            *__has_*) return 1 ;;
            -MG) return 1 ;;
            -[cDEfgGmMnOpsUwW]*|-ansi|--target=*|--param=*) ;;
            -*) return 1 ;;
            /*) if [ -n "$value" ]; then is_fixed_folder "$word" || return 1; fi ;;
        esac
        value=
    done
}}
is_searched() {{
    [ -n "${{SEARCHED_FOLDERS-}}" ] || return 0
    for folder in $SEARCHED_FOLDERS; do
        case $1 in
            "$folder"/*) return 0 ;;
        esac
    done
    return 1
}}
found_known_names() {{
    source=yes own= here=
    case $PWD in
        "$tree"/*) here=${{PWD#"$tree/"}}/ ;;
    esac
    for name in $names; do
        case $name in
            *..*) return 1 ;;
            "$tree"/*) own="$own$name$IFS" ; is_searched "${{name#"$tree/"}}" || return 1 ;;
            "$place"/*|{anybodys}) return 1 ;;
            /*) ;;
            *) own="$own$name$IFS" ; is_searched "$here${{name#./}}" || return 1 ;;
        esac
        if [ -z "$source" ]; then
            case ${{name##*/}} in
                {endings}) ;;
                *.*) return 1 ;;
            esac
        fi
        source=
    done
    LC_ALL=C grep -aEq -e '__has_(include|embed)|GCC[[:space:]]+dependency' -- $own
    [ $? = 1 ]
}}
has_changed() {{
    changed=$(find -files0-from {folders} -maxdepth 0 -newercm {reference} -print -quit) || return 0
    [ -n "$changed" ]
}}

IFS='
'
set -f
if [ -n "${{CCACHE_DIRECT-}}" ]; then
    if ! searches_fixed_folders "$@" || ! found_known_names || has_changed; then
        printf '\\n# 1 "/dev/null"\\n' >>"$text"
    fi
fi
if [ "$text" = /proc/self/fd/3 ]; then exec cat -- $names >&3; fi
exec cat -- $names >>"$text"
"""


def render_front(
    compiler: str,
    *,
    program: str,
    namespace: str,
    settings: Mapping[str, str],
    tree: Path,
    out: Path,
    names: TreeNames | None,
) -> str:
    """
    Write the program in a compiler's place.

    Args:
        compiler: Where the compiler lies.
        program: Where ccache lies.
        namespace: Nothing is shared with what was cached under another.
        settings: ccache's variables, but those that choose between its two ways.
        tree: The worker's copy of the tree.
        out: The job's output folder.
        names: Of the tree; None keeps direct mode off.
    """
    return _FRONT.format(
        compiler=shlex.quote(compiler),
        program=shlex.quote(program),
        namespace=namespace,
        settings="\n".join(f"export {name}={shlex.quote(value)}" for name, value in sorted(settings.items())),
        tree=shlex.quote(str(tree)),
        out=shlex.quote(str(out)),
        names="" if names is None else names.digest,
        below="" if names is None else "".join(_write_keys(names)),
    )


def _write_keys(names: TreeNames) -> Iterator[str]:
    """Give the cases of `search`. Where the root is searched, and where none is known, all of the tree counts."""
    for folder, key in sorted(names.below.items()):
        if folder:
            yield f"        {shlex.quote(os.fsdecode(folder))}) key={key} ;;\n"


def render_guard(*, tree: Path, folders: Path, reference: Path) -> str:
    """
    Write the program in front of the preprocessor.

    Args:
        tree: The worker's copy of the tree; what else lies beside it, a build may write to.
        folders: A file with the paths of all folders of the tree, each ended by a null byte.
        reference: A file whose modification time no change of them is older than, or equal to.
    """
    return _GUARD.format(
        tree=shlex.quote(str(tree)),
        place=shlex.quote(str(tree.parent)),
        anybodys=_ANYBODYS,
        endings="|".join(f"*.{ending}" for ending in HEADER_ENDINGS),
        folders=shlex.quote(str(folders)),
        reference=shlex.quote(str(reference)),
    )


def list_texts() -> tuple[str, ...]:
    """Give all that decides what these programs do, for digests."""
    return (_FRONT, _GUARD, _ANYBODYS, *HEADER_ENDINGS)
