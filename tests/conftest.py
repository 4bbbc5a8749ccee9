"""What the tests share: outside programs, and where the extra recordings are."""

from __future__ import annotations

import os
import shutil
from pathlib import Path

import pytest


def need(program: str, package: str) -> str:
    """Path of an outside program. Without it the test skips with the command that installs it; in CI it fails."""
    found = shutil.which(program)
    if found is None:
        reason = f"needs {program}: apt-get install -y --no-install-recommends {package}"
        if os.environ.get("CI") == "true":
            pytest.fail(f"CI must not miss an outside program: {reason}")
        pytest.skip(reason)
    return found


@pytest.fixture(scope="session")
def recordings() -> Path:
    """Folder of recorded notes named NOTE_DYNAMIC_TAKE.flac, given by OSCSERVICE_RECORDINGS."""
    folder = os.environ.get("OSCSERVICE_RECORDINGS", "")
    if not folder or not Path(folder).is_dir():
        pytest.skip("set OSCSERVICE_RECORDINGS to a folder of recorded notes (NOTE_DYNAMIC_TAKE.flac)")
    return Path(folder)
