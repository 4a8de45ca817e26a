"""Harmful behaviour of a decoder in its child process; in a module without tests, so that the child loads nothing else."""

from __future__ import annotations

import io
import os
from pathlib import Path
from typing import Any

import h5py
import numpy as np

from commission.model.child_process import Decoded, forbid_files


def crash(data: bytes, options: dict[str, Any]) -> Decoded:
    os.abort()


def fill_memory(data: bytes, options: dict[str, Any]) -> Decoded:
    return len([bytes(10**7) for _ in range(1000)]), ()


def print_much(data: bytes, options: dict[str, Any]) -> Decoded:
    print("noise " * 100_000, flush=True)
    os.write(1, b"noise")
    return "the answer", [data, b"", np.arange(3).data]


def write_and_open_files(data: bytes, options: dict[str, Any]) -> Decoded:
    try:
        Path(options["new"]).write_bytes(b"x")
        written = "yes"
    except OSError:
        written = "no"
    forbid_files()
    try:
        return [written, Path(options["path"]).read_text()], ()
    except OSError as error:
        return [written, f"no: {error.strerror}"], ()


def read_unchecked(data: bytes, options: dict[str, Any]) -> Decoded:
    forbid_files()
    with h5py.File(io.BytesIO(data)) as file:
        try:
            return "read", [np.asarray(file["Data.IR"][()]).tobytes()]
        except (OSError, KeyError) as error:
            return f"no: {type(error).__name__}", ()
