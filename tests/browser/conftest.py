"""Headless Chromium and axe-core for every test that reads the health site."""

from __future__ import annotations

import os
import subprocess
import sys
import tarfile
from collections.abc import Iterator
from pathlib import Path

import pytest
from playwright.sync_api import Browser, sync_playwright

AXE = "axe-core@4.14.1"
ARGUMENTS = [
    "--no-sandbox",
    "--disable-gpu",
    "--disable-quic",
    "--no-first-run",
    "--disable-background-networking",
    "--disable-component-update",
    "--disable-sync",
]


@pytest.fixture(scope="session")
def axe() -> str:
    folder = Path(os.environ.get("GATEKEEP_AXE") or Path(sys.prefix) / ".cache-axe")
    script = folder / "package" / "axe.min.js"
    if not script.exists():
        folder.mkdir(parents=True, exist_ok=True)
        subprocess.run(["npm", "pack", "--silent", AXE], cwd=folder, check=True, stdout=subprocess.DEVNULL)
        with tarfile.open(next(folder.glob("axe-core-*.tgz"))) as packed:
            packed.extractall(folder, filter="data")
    return script.read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield launched
        launched.close()
