"""
Run the gate on one of the demonstration's proposals and put what it prints into a page, between two markers.

`python ci/readme_output.py README.md` rewrites the page; with `--check` it only says whether the page is current.
"""

from __future__ import annotations

import os
import re
import subprocess
import sys
import tempfile
from pathlib import Path

PROPOSAL = "proposal/03-remember-the-writer"
BEGIN = "<!-- demonstration: begin (written by ci/readme, checked by a test) -->\n"
END = "<!-- demonstration: end -->\n"


def run_gate() -> str:
    """Give a console session: the command and what it printed, the same on every machine."""
    with tempfile.TemporaryDirectory() as scratch:
        folder = Path(scratch) / "skerry"
        gatekeep = [sys.executable, "-m", "gatekeep"]
        subprocess.run([*gatekeep, "demo", str(folder)], check=True, stdout=subprocess.DEVNULL)
        done = subprocess.run(
            [*gatekeep, "gate", "main", PROPOSAL],
            cwd=folder,
            env={name: os.environ[name] for name in ("PATH", "HOME") if name in os.environ},
            check=False,
            capture_output=True,
            text=True,
        )
        if done.returncode != 1:
            raise SystemExit(f"ci/readme: the gate ended with exit code {done.returncode}, not 1: {done.stderr}")
        return f"$ gatekeep gate main {PROPOSAL}\n{done.stdout}"


def replace_output(page: str, output: str) -> str:
    """Give the page with the new output between the markers."""
    before, begin, rest = page.partition(BEGIN)
    _, end, after = rest.partition(END)
    if not begin or not end:
        raise SystemExit("ci/readme: the page has not both markers")
    return f"{before}{BEGIN}```text\n{output}```\n{END}{after}"


def main() -> int:
    """Rewrite or check the page that the command line names."""
    page = Path(sys.argv[-1])
    old = page.read_text(encoding="utf-8")
    new = replace_output(old, run_gate())
    if "--check" not in sys.argv:
        page.write_text(new, encoding="utf-8")
        return 0
    return 0 if without_keys(new) == without_keys(old) else 1


def without_keys(page: str) -> str:
    """Leave out what differs between machines: the evidence key in the names of logs (it follows PATH)."""
    return re.sub(r"-[0-9a-f]{8}\.log", "-KEY.log", page)


if __name__ == "__main__":
    sys.exit(main())
