"""
The process that libFuzzer runs in: `fuzz` starts it, and it starts itself again to minimise a corpus.

What it is to do comes by the environment, since the command line is libFuzzer's own.
"""

from __future__ import annotations

import importlib
import os
import shlex
import sys
from functools import partial

import atheris


def main() -> None:
    """Run the subject that the environment names; does not return."""
    instrumented, module, name = os.environ["FUZZ_SUBJECT"].split()
    with atheris.instrument_imports(include=[instrumented], enable_loader_override=False):
        subject = importlib.import_module(module).SUBJECTS[name]
        from tests.faults.fuzz_subjects import check_timed
    # libFuzzer gives its first argument to a shell to start itself.
    itself = shlex.join([sys.executable, __file__])
    atheris.Setup([itself, *sys.argv[1:]], partial(check_timed, subject))
    atheris.Fuzz()


if __name__ == "__main__":
    main()
