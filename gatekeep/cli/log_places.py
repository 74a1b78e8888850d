"""
Log paths as people can open them: the store keeps them relative to itself, reports show them from here.
"""

from __future__ import annotations

import os
from collections.abc import Iterable
from dataclasses import replace
from pathlib import Path

from gatekeep.model.evidence import Evidence
from gatekeep.model.verdict import Reason


def show_folder(folder: Path) -> str:
    """Give the store's folder from the current one; whole where that would lead upwards."""
    here = os.path.relpath(folder)
    return str(folder) if here.startswith("..") else here


def show_logs(reasons: tuple[Reason, ...], prefix: str) -> tuple[Reason, ...]:
    """Put the shown folder before every log of the reasons."""
    return tuple(
        replace(reason, log_paths=tuple(f"{prefix}/{path}" for path in reason.log_paths)) for reason in reasons
    )


def show_evidence_logs(evidence: Iterable[Evidence], prefix: str) -> tuple[Evidence, ...]:
    """Put the shown folder before the log of each evidence that has one."""
    return tuple(
        replace(entry, log_path=f"{prefix}/{entry.log_path}") if entry.log_path else entry for entry in evidence
    )
