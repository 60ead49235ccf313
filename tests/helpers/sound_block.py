"""Read the blocks of sound that the player gets."""

from __future__ import annotations

import struct

import numpy as np


def unpack(blob: bytes | memoryview) -> tuple[int, np.ndarray]:
    """Read a block by the documented layout: rate and samples (versions, frames, channels)."""
    magic, versions, channels, rate, frames = struct.unpack("<4sHHII", blob[:16])
    assert magic == b"EWA1"
    samples = np.frombuffer(blob[16:], dtype="<i2").reshape(versions, frames, channels)
    return rate, samples
