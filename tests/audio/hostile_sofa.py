"""AES69 files made to do harm, or damaged in ways that libhdf5 does not notice."""

from __future__ import annotations

import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import h5py
import numpy as np

FRAMES = 4800


def impulse(seed: int = 0, frames: int = FRAMES) -> np.ndarray:
    """A pulse with a decaying noise behind it [shape=(frames,)], float32."""
    rng = np.random.default_rng(seed)
    samples = 1e-4 * rng.standard_normal(frames)
    samples[240:] += 0.05 * rng.standard_normal(frames - 240) * np.exp(-np.arange(frames - 240) / 600)
    samples[240] = 0.8
    return samples.astype(np.float32)


def sofa_file(change: Callable[[Any], None] = lambda _: None, samples: np.ndarray | None = None) -> bytes:
    """One impulse response as AES69; `change` alters the open file."""
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        file.attrs["SOFAConventions"], file.attrs["DataType"] = "SingleRoomSRIR", "FIR"
        file["Data.IR"] = (impulse() if samples is None else samples).reshape(1, 1, -1)
        file["Data.SamplingRate"] = np.array([48000.0])
        file["Data.SamplingRate"].attrs["Units"] = "hertz"
        file["Data.Delay"] = np.zeros((1, 1))
        change(file)
    return buffer.getvalue()


def _again(file: Any, name: str = "Data.IR", **options: Any) -> None:
    values = file[name][()]
    del file[name]
    file.create_dataset(name, data=values, **options)


def external(secret: Path) -> bytes:
    """Samples stored in another file of this computer."""

    def change(file: Any) -> None:
        del file["Data.IR"]
        file.create_dataset("Data.IR", (1, 1, FRAMES), "<f4", external=[(str(secret), 0, 4 * FRAMES)])

    return sofa_file(change)


def virtual(source: str) -> bytes:
    """A virtual data set of another file, or of this one ("."), on which libhdf5 crashes with a segmentation fault."""

    def change(file: Any) -> None:
        del file["Data.IR"]
        layout = h5py.VirtualLayout(shape=(1, 1, FRAMES), dtype="<f4")
        layout[:] = h5py.VirtualSource(source, "Data.IR", shape=(1, 1, FRAMES))
        file.create_virtual_dataset("Data.IR", layout)

    return sofa_file(change)


def linked(link: Any, name: str = "Data.IR") -> bytes:
    """A variable that is a link."""

    def change(file: Any) -> None:
        file.move(name, "elsewhere")
        file[name] = link

    return sofa_file(change)


def packed(**options: Any) -> bytes:
    """Samples compressed with a filter."""
    return sofa_file(lambda file: _again(file, **options))


def wide_labels() -> bytes:
    """47 kB that claim 3 GB of labels."""

    def change(file: Any) -> None:
        file.create_dataset("SeatLabel", (1, 3_000_000_000), "S1", chunks=(1, 1_000_000), compression="gzip")

    return sofa_file(change)


def many_samples() -> bytes:
    """A small file of 40 million samples, all zero: an allowed size, refused as silence."""

    def change(file: Any) -> None:
        del file["Data.IR"]
        file.create_dataset("Data.IR", (1, 1, 40_000_000), "<f8", chunks=(1, 1, 1_000_000), compression="gzip")

    return sofa_file(change)


def endless() -> bytes:
    """A global heap whose first object claims 255 bytes: libhdf5 2.0 then loops for ever in the zeros after it."""
    data = bytearray(sofa_file())
    data[data.index(b"GCOL") + 24] = 0xFF
    return bytes(data)
