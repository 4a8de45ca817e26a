"""A disk that loses power: SQLite's writes, synchronisations and deletions are recorded, and all possible states produced.

`record(path, work)` runs in a process of its own. It puts a shim between SQLite and its own layer of the operating system
(sqlite.org/vfs.html: a copy of the default `sqlite3_vfs` with some methods replaced), and notes each operation. `states`
then gives the files as a power cut may leave them: of what was not synchronised, any part may be missing. A deleted file
may be there again until its folder is synchronised, which SQLite asks for with the second argument of xDelete.
"""

from __future__ import annotations

import ctypes
import random
import sqlite3
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

Operation = tuple[Any, ...]
_Pointer = ctypes.c_void_p
_OPEN = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, _Pointer, _Pointer, ctypes.c_int, _Pointer)
_DELETE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_char_p, ctypes.c_int)
_WRITE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, _Pointer, ctypes.c_int, ctypes.c_int64)
_TRUNCATE = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_int64)
_SYNC = ctypes.CFUNCTYPE(ctypes.c_int, _Pointer, ctypes.c_int)


class _Vfs(ctypes.Structure):
    """`sqlite3_vfs` up to the methods replaced here, and room for the rest."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("file_size", ctypes.c_int),
        ("longest_path", ctypes.c_int),
        ("next", _Pointer),
        ("name", ctypes.c_char_p),
        ("data", _Pointer),
        ("open", _Pointer),
        ("delete", _Pointer),
        ("rest", _Pointer * 14),
    ]


class _Methods(ctypes.Structure):
    """`sqlite3_io_methods`, version 3."""

    _fields_ = [
        ("version", ctypes.c_int),
        ("close", _Pointer),
        ("read", _Pointer),
        ("write", _Pointer),
        ("truncate", _Pointer),
        ("sync", _Pointer),
        ("rest", _Pointer * 13),
    ]


_kept: list[Any] = []
"""What C holds pointers to."""


def install(operations: list[Operation]) -> None:
    """Note what SQLite does in this process from now on; raises OSError where its library cannot be had."""
    library = ctypes.CDLL("libsqlite3.so.0")
    library.sqlite3_vfs_find.restype = _Pointer
    library.sqlite3_vfs_register.argtypes = [_Pointer, ctypes.c_int]
    real = _Vfs.from_address(library.sqlite3_vfs_find(None))
    shim = _Vfs.from_buffer_copy(real)
    real_open, real_delete = _OPEN(real.open), _DELETE(real.delete)
    names: dict[int, str] = {}
    methods: dict[int, _Methods] = {}

    def wrapped(address: int) -> _Methods:
        original = _Methods.from_address(address)
        copy = _Methods.from_buffer_copy(original)
        real_write, real_truncate, real_sync = (
            _WRITE(original.write),
            _TRUNCATE(original.truncate),
            _SYNC(original.sync),
        )

        def write(file: int, data: int, size: int, offset: int) -> int:
            operations.append(("write", names.get(file), offset, ctypes.string_at(data, size)))
            return real_write(file, data, size, offset)

        def truncate(file: int, size: int) -> int:
            operations.append(("truncate", names.get(file), size))
            return real_truncate(file, size)

        def sync(file: int, flags: int) -> int:
            operations.append(("sync", names.get(file)))
            return real_sync(file, flags)

        replaced = _WRITE(write), _TRUNCATE(truncate), _SYNC(sync)
        copy.write, copy.truncate, copy.sync = (ctypes.cast(each, _Pointer).value for each in replaced)
        _kept.extend((replaced, copy))
        return copy

    def open_file(vfs: int, name: int | None, file: int, flags: int, out: int) -> int:
        code = real_open(vfs, name, file, flags, out)  # the name as a pointer: SQLite's layer keeps it
        held = _Pointer.from_address(file)
        if code == 0 and held.value:
            names[file] = "" if name is None else ctypes.string_at(name).decode()
            operations.append(("open", names[file]))
            if held.value not in methods:
                methods[held.value] = wrapped(held.value)
            held.value = ctypes.addressof(methods[held.value])
        return code

    def delete(vfs: int, name: bytes, sync_folder: int) -> int:
        operations.append(("delete", name.decode(), bool(sync_folder)))
        return real_delete(vfs, name, sync_folder)

    replaced = _OPEN(open_file), _DELETE(delete)
    shim.open, shim.delete = (ctypes.cast(each, _Pointer).value for each in replaced)
    shim.name = b"unsynced"
    _kept.extend((library, real, shim, replaced))
    library.sqlite3_vfs_register(ctypes.addressof(shim), 1)


def works() -> bool:
    """Whether the shim sees the operations of this Python's SQLite; checked in a separate process."""
    operations: list[Operation] = []
    try:
        install(operations)
    except OSError:
        return False
    import tempfile

    with tempfile.TemporaryDirectory() as folder:
        database = sqlite3.connect(Path(folder) / "x")
        database.execute("CREATE TABLE t (a)")
        database.close()
    return any(operation[0] == "write" for operation in operations)


@dataclass
class _File:
    durable: bytearray = field(default_factory=bytearray)
    pending: list[Operation] = field(default_factory=list)

    def content(self, kept: Callable[[Operation], bool]) -> bytes:
        data = bytearray(self.durable)
        for operation in self.pending:
            if kept(operation):
                _apply(data, operation)
        return bytes(data)


def _apply(data: bytearray, operation: Operation) -> None:
    if operation[0] == "truncate":
        del data[operation[2] :]
        return
    _, _, offset, written = operation
    data.extend(bytes(max(0, offset - len(data))))
    data[offset : offset + len(written)] = written


def states(
    before: dict[str, bytes], operations: Sequence[Operation], seed: int
) -> Iterator[tuple[Operation, dict[str, bytes]]]:
    """After each operation: that operation, and the files of a folder as a power cut at that moment may leave them."""
    rng = random.Random(seed)
    durable = {name: _File(bytearray(data)) for name, data in before.items()}
    current = dict(durable)
    changes: list[tuple[str, _File | None]] = []
    """Names given or taken away since the folder was last synchronised, in order."""

    def settle() -> None:
        for name, file in changes:
            if file is None:
                durable.pop(name, None)
            else:
                durable[name] = file
        changes.clear()

    for operation in operations:
        kind, name = operation[0], operation[1]
        if kind == "open" and name and name not in current:
            current[name] = _File()
            changes.append((name, current[name]))
        elif kind in ("write", "truncate") and name:
            current[name].pending.append(operation)
        elif kind == "sync" and name:
            file = current[name]
            for each in file.pending:
                _apply(file.durable, each)
            file.pending.clear()
            settle()  # a new file is synchronised with its name; so are the changes of the folder before it
        elif kind == "delete":
            current.pop(name, None)
            changes.append((name, None))
            if operation[2]:
                settle()
        for kept in (lambda _: False, lambda _: True, lambda _: rng.random() < 0.5):
            for count in {0, len(changes), rng.randint(0, len(changes))}:
                folder = dict(durable)
                for changed, new in changes[:count]:
                    if new is None:
                        folder.pop(changed, None)
                    else:
                        folder[changed] = new
                yield operation, {each: file.content(kept) for each, file in folder.items()}
