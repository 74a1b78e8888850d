"""What a test does where the machine lacks something that it needs."""

from __future__ import annotations

import os
from typing import NoReturn

import pytest


def do_without(why: str) -> NoReturn:
    """Skip on a developer's machine, where that is no fault; fail in CI, where it would hide a part that is untried."""
    if "CI" in os.environ:
        pytest.fail(why)
    pytest.skip(why)
