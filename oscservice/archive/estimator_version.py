"""Which estimator this is: what a result depends on besides the recording. No old result passes for a new one."""

from __future__ import annotations

import hashlib
import json
import platform
import sys
from collections.abc import Mapping
from functools import lru_cache
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

import numpy as np
import soundfile
from threadpoolctl import threadpool_info

# Everything that measuring imports; a test holds this against what is imported in truth.
_MEASURING = (
    "errors.py",
    "instrument/*.py",
    "hearing/*.py",
    "audio/*.py",
    "archive/file_measurement.py",
)
_LIBRARIES = ("numpy", "scipy", "aubio-ledfx", "soundfile")
_ROOT = Path(__file__).parents[1]


def measuring_files(root: Path = _ROOT) -> list[Path]:
    """The source files a result depends on, in a fixed order."""
    return [path for pattern in _MEASURING for path in sorted(root.glob(pattern))]


def source_digest(files: list[Path], root: Path = _ROOT) -> str:
    """SHA-256 over names and contents of source files under ``root``."""
    digest = hashlib.sha256()
    for path in files:
        content = path.read_bytes()
        digest.update(f"{path.relative_to(root).as_posix()} {len(content)}\n".encode() + content)
    return digest.hexdigest()


@lru_cache(maxsize=1)
def estimator() -> dict[str, str]:
    """What a result depends on, by name: our source, the libraries, and how this machine computes.

    The processor is a part: libraries choose their instructions by it, and sums come out different in the last bit.
    """
    return {
        "source": source_digest(measuring_files()),
        "python": ".".join(map(str, sys.version_info[:2])),
        **{name: _version(name) for name in _LIBRARIES},
        "libsndfile": soundfile.__libsndfile_version__,
        "C library": " ".join(platform.libc_ver()),
        "processor": _processor(),
    }


def fingerprint(parts: Mapping[str, str]) -> str:
    """One short text for an ``estimator()``: SHA-256 in hex."""
    return hashlib.sha256(json.dumps(parts, sort_keys=True).encode()).hexdigest()


def difference(ours: Mapping[str, str], theirs: Mapping[str, str]) -> str:
    """What differs first between two estimators, in words; empty when nothing does."""
    for name, own in ours.items():
        other = theirs.get(name, "")
        if name == "source" and own != other:
            return "another version of oscservice"
        if own != other:
            return f"{name} {other or 'unknown'} where this machine has {own}"
    return ""


def _version(name: str) -> str:
    try:
        return version(name)
    except PackageNotFoundError:
        return "unknown"


def _processor() -> str:
    """Kind of processor as the numerical libraries see it."""
    simd = np.show_config(mode="dicts").get("SIMD Extensions", {})
    blas = {str(lib.get("architecture", "")) for lib in threadpool_info() if lib["user_api"] == "blas"}
    return " ".join([platform.machine(), *simd.get("found", []), *sorted(blas)])
