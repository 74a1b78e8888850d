"""Headless Chromium and axe-core for every test that reads the health site."""

from __future__ import annotations

from collections.abc import Iterator

import pytest
from playwright.sync_api import Browser, sync_playwright

from tests.registries import unpack_npm

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
    return (unpack_npm(AXE) / "axe.min.js").read_text(encoding="utf-8")


@pytest.fixture(scope="session")
def browser() -> Iterator[Browser]:
    with sync_playwright() as playwright:
        launched = playwright.chromium.launch(executable_path="/usr/bin/chromium", args=ARGUMENTS)
        yield launched
        launched.close()
