"""Reads the samples of a Gravis UltraSound patch file (``.pat``), as recorded: no loop, no envelope.

The format is little-endian: a file header of 129 bytes, one of 63 an instrument, 47 a layer, 96 a sample and then the
sample's bytes (Gravis UltraSound Software Development Kit, "patch file format"; field by field the same in the source
of free players such as TiMidity++). Frequencies are in thousandths of a hertz. Only files of one instrument with one
layer are read, which is what there are.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

MAGIC = b"GF1PATCH110\0ID#000002\0"

_FILE, _INSTRUMENT, _LAYER, _SAMPLE = 129, 63, 47, 96
_LAYERS_AT = _FILE + 22
_SAMPLES_AT = _FILE + _INSTRUMENT + 6
_16_BIT, _UNSIGNED, _LOOPED = 1, 2, 4


@dataclass(frozen=True)
class PatchSample:
    """One recorded note of a patch.

    Attributes:
        samples: shape (n,), full scale 1.
        rate_hz: samples a second.
        root_hz: the pitch that the patch's maker says it has when played at ``rate_hz``.
        loop_s: where its loop starts and ends, seconds; None without one. What lies from there on is the recording too,
            but its maker may have smoothed the seam.
    """

    samples: NDArray[np.float64]
    rate_hz: float
    root_hz: float
    loop_s: tuple[float, float] | None


def read_pat(path: Path) -> list[PatchSample]:
    """Every sample of a patch file, lowest first as in the file.

    Raises:
        ValueError: the file is no patch, holds more than one instrument or layer, or ends too early.
    """
    data = path.read_bytes()
    if data[: len(MAGIC)] != MAGIC:
        raise ValueError(f"{path}: no GF1 patch file: it does not start with {MAGIC[:11]!r}")
    try:
        if data[len(MAGIC) + 60] != 1 or data[_LAYERS_AT] != 1:
            raise ValueError(f"{path}: expected one instrument with one layer")
        found: list[PatchSample] = []
        at = _FILE + _INSTRUMENT + _LAYER
        for _ in range(data[_SAMPLES_AT]):
            size, loop_start, loop_end, rate, _low, _high, root = struct.unpack_from("<IIIHIII", data, at + 8)
            modes = data[at + 55]
            at += _SAMPLE
            if at + size > len(data):
                raise ValueError(f"{path}: ends {at + size - len(data)} bytes before its sample {len(found) + 1} does")
            width = 2 if modes & _16_BIT else 1
            kind = f"<{'u' if modes & _UNSIGNED else 'i'}{width}"
            raw = np.frombuffer(data, dtype=kind, count=size // width, offset=at)
            at += size
            middle = 2 ** (8 * width - 1)
            signal = raw.astype(np.float64) / middle - (1.0 if modes & _UNSIGNED else 0.0)
            loop = (loop_start / width / rate, loop_end / width / rate) if modes & _LOOPED else None
            found.append(PatchSample(signal, float(rate), root / 1000.0, loop))
    except (struct.error, IndexError) as error:
        raise ValueError(f"{path}: ends in the middle of a header") from error
    return found
