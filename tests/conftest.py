"""Shared by all tests: property test profiles, outside programs, packaged recordings."""

from __future__ import annotations

import gc
import os
import shutil
import sys
import tempfile
from collections.abc import Generator
from pathlib import Path
from typing import NoReturn

# Several test processes fill the cores: more threads of linear algebra would only wait for each other. The libraries
# look once, as they are loaded; the programs that tests start inherit it.
if "numpy" not in sys.modules:
    for threads in ("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"):
        os.environ.setdefault(threads, "1")

# Each program would read all certificates of the machine as it starts, a tenth of its start. No test needs one.
os.environ["SSL_CERT_FILE"] = os.devnull

# Hundreds of processes are started, and each would compile the package again: what they compile is kept.
if sys.dont_write_bytecode:
    sys.dont_write_bytecode = False
    os.environ.pop("PYTHONDONTWRITEBYTECODE", None)

import hypothesis
import made_once
import pytest
from packaged import packaged_recordings

# Looking for garbage among all that is imported takes as long as importing it. All of it is kept anyway.
gc.disable()

# Property tests try the same examples in every run. Trying others at random is a benchmark: ``tests/bench/explore.py``.
hypothesis.settings.register_profile("repeatable", derandomize=True, database=None, deadline=None, print_blob=True)
hypothesis.settings.register_profile("explore", derandomize=False, database=None, deadline=None, print_blob=True)
hypothesis.settings.load_profile("repeatable")


def pytest_collection_finish() -> None:
    """From the first test on there is garbage, but not among what was there before."""
    gc.freeze()
    gc.enable()


_OF_THIS_RUN = pytest.StashKey[tempfile.TemporaryDirectory[str]]()


def pytest_configure(config: pytest.Config) -> None:
    """Give the processes of this run a folder for what is made once, unless whoever started it has given one."""
    if made_once.FOLDER not in os.environ:
        config.stash[_OF_THIS_RUN] = tempfile.TemporaryDirectory(prefix="oscservice-made-once-")
        os.environ[made_once.FOLDER] = config.stash[_OF_THIS_RUN].name


def pytest_unconfigure(config: pytest.Config) -> None:
    """Delete it."""
    if _OF_THIS_RUN in config.stash:
        del os.environ[made_once.FOLDER]
        config.stash[_OF_THIS_RUN].cleanup()


def miss(reason: str) -> NoReturn:
    """Skip a test whose program or recordings are missing, with the command that gets them; in CI, fail it."""
    if os.environ.get("CI") == "true":
        pytest.fail(f"CI must not miss what a test needs: {reason}")
    pytest.skip(reason)


def need(program: str, package: str) -> str:
    """Path of an outside program. Without it the test skips with the command that installs it; in CI it fails."""
    found = shutil.which(program)
    if found is None:
        miss(f"needs {program}: apt-get install -y --no-install-recommends {package}")
    return found


@pytest.fixture(scope="session")
def recordings() -> Path:
    """Folder of recorded notes named NOTE_DYNAMIC_TAKE.flac, given by OSCSERVICE_RECORDINGS."""
    # Without the folder the tests skip, in CI too: the project must also pass without the recordings. CI sets the
    # folder where it has them.
    folder = os.environ.get("OSCSERVICE_RECORDINGS", "")
    if not folder or not Path(folder).is_dir():
        pytest.skip("set OSCSERVICE_RECORDINGS to a folder of recorded notes (NOTE_DYNAMIC_TAKE.flac)")
    return Path(folder)


@pytest.fixture(scope="session")
def guitarsounds() -> Path:
    """Archive of the packaged open strings, its sha256 checked."""
    try:
        return packaged_recordings.guitarsounds_archive()
    except packaged_recordings.MissingRecordings as missing:
        miss(str(missing))


@pytest.fixture(scope="session")
def freepats() -> Path:
    """Folder of the packaged patch files."""
    if not (packaged_recordings.FREEPATS / packaged_recordings.PATCHES["nylon"]).is_file():
        miss(packaged_recordings.FREEPATS_MISSING)
    return packaged_recordings.FREEPATS


@pytest.fixture
def packages_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder whose packages are installed; see ``plugin_packages``."""
    folder = tmp_path / "installed"
    folder.mkdir()
    monkeypatch.syspath_prepend(str(folder))
    return folder


@pytest.hookimpl(wrapper=True)
def pytest_runtest_makereport() -> Generator[None, pytest.TestReport, pytest.TestReport]:
    """Replace half surrogate pairs in the log of a test: a test process can't send them to another."""
    report = yield
    report.sections = [(title, text.encode("utf-8", "replace").decode("utf-8")) for title, text in report.sections]
    return report
