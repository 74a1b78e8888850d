"""Opening pages of the health site as a person does, and noting what else they do."""

from __future__ import annotations

from pathlib import Path

from playwright.sync_api import Browser, BrowserContext, Page

SIZES = {"desktop": (1280, 900), "phone": (390, 844)}


class Visit:
    """One page, opened by somebody who notes everything that it did beyond being read."""

    def __init__(self, context: BrowserContext, site: Path, path: str) -> None:
        self.page: Page = context.new_page()
        self.faults: list[str] = []
        self.requests: list[str] = []
        self.page.on("dialog", self._note_dialog)
        self.page.on("pageerror", lambda error: self.faults.append(str(error)))
        self.page.on("console", lambda message: self.faults.append(message.text))
        self.page.on("request", lambda request: self.requests.append(request.url))
        self.page.goto(f"file://{site}/{path}")

    def _note_dialog(self, dialog) -> None:
        self.faults.append(f"dialog: {dialog.message}")
        dialog.dismiss()


def open_page(
    browser: Browser,
    site: Path,
    path: str,
    *,
    size: str = "desktop",
    scheme: str = "light",
    script: bool = True,
    zone: str = "Asia/Tokyo",
) -> Visit:
    width, height = SIZES[size]
    context = browser.new_context(
        viewport={"width": width, "height": height},
        color_scheme="dark" if scheme == "dark" else "light",
        java_script_enabled=script,
        timezone_id=zone,
        reduced_motion="reduce",
    )
    return Visit(context, site, path)
