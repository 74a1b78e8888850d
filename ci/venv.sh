# Sourced by the scripts beside it: a virtual environment in .venv of this checkout, with gatekeep and one of its extras.

make_venv() { # EXTRA
    if ! python3 -c 'import sys; sys.exit(sys.version_info < (3, 11))'; then
        echo "ci: Python 3.11 or newer is needed, $(python3 --version 2>&1) found" >&2
        exit 2
    fi
    if [ ! -x .venv/bin/python ]; then
        echo "ci: making a virtual environment in .venv" >&2
        python3 -m venv .venv
    fi
    # A stamp of what was installed from: the second run starts at once.
    wanted="$1 $(cksum <pyproject.toml)"
    if ! grep -qxF "$wanted" .venv/installed 2>/dev/null; then
        echo "ci: installing gatekeep and what '$1' needs" >&2
        .venv/bin/python -m pip install --quiet --disable-pip-version-check --editable ".[$1]"
        echo "$wanted" >>.venv/installed
    fi
    PATH="$PWD/.venv/bin:$PATH"
    export PATH
}
