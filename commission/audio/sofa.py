"""Responses of one round as an AES69 file, and back: convention SingleRoomSRIR 1.0, one measurement a seat and
loudspeaker.

AES69-2022 ("AES standard for file exchange, spatial acoustic data file format") lays HDF5 out as netCDF-4 does:
dimensions are scales, strings are rows of single characters. Coordinates there are right-handed with x to the front,
y to the left, z up; ours run to the right and to the rear, so that each x is the other's −y. The origin stays on the
floor below the screen's centre.

The file also has variables of our own, which other programs ignore: SeatLabel and LoudspeakerLabel [M, S];
MeasurementFrames [M], the length of each response, where shorter ones were filled up with zeros; MeasurementClock
[M], which responses share a time origin (−1: with none), where not all do. A file without them can be read as well:
what belongs where is then asked for.
"""

from __future__ import annotations

import io
import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np

from commission.model import FloatArray, InputError, Position, Response, ResponseStored, System, freeze
from commission.model.child_process import Decoded, decode_in_child, forbid_files
from commission.model.units import clean_text

SOFA_SUFFIX = ".sofa"
HDF5_SIGNATURE = b"\x89HDF\r\n\x1a\n"
EXPECTED = "AES69 (SOFA)"
_COPY, _SPLIT = "Copy it again.", "Export it in several files."
LARGEST_BYTES = 200_000_000
LARGEST_SAMPLES = 50_000_000
"""Limit for all responses of a file, 13 loudspeakers at 40 seats for 2 s at 48 kHz: a compressed file can claim more
than any memory.
"""
MOST_MEASUREMENTS = 5000
_CONVENTION, _CONVENTION_VERSION, _STANDARD_VERSION = "SingleRoomSRIR", "1.0", "2.1"
_KELVIN = 273.15


@dataclass(frozen=True, slots=True, eq=False, kw_only=True)
class SofaResponse:
    """One response of a file and where it belongs."""

    response: Response
    seat: str | None = None
    channel: str | None = None
    seat_m: Position | None = None
    source_m: Position | None = None
    clock: int = 0
    """Responses with the same number share a time origin; −1: shared with no other."""


def write_sofa(system: System, round_id: str, found: Sequence[tuple[ResponseStored, Response]], *, at: str) -> bytes:
    """The responses of one round as the bytes of a file; those without an impulse response are left out.

    `at`: its date as "2026-11-25 14:05:00", the AES69 format. Raises InputError if no response remains.
    """
    import h5py

    kept = [(body, response) for body, response in found if response.impulse is not None and response.rate_hz]
    if not kept:
        raise InputError(round_id, "no impulse response", "at least one", "Import recordings or measure first.")
    buffer = io.BytesIO()
    with h5py.File(buffer, "w") as file:
        for name, text in _global_attributes(system, round_id, at).items():
            file.attrs[name] = _attribute(text)
        _write_variables(_Writer(file, kept), system, kept)
    return buffer.getvalue()


def read_sofa(data: bytes, name: str) -> tuple[SofaResponse, ...]:
    """Every response of a file, by measurement and then by receiver; impulses as float32.

    Any convention with data type FIR and one impulse response for each measurement and receiver will do. The file is
    decoded in a child process, since libhdf5 can loop for ever or crash on damaged data. Raises InputError for what
    is damaged, of another kind, refers to other files or data, or is larger than can be.
    """
    if not data.startswith(HDF5_SIGNATURE):
        raise InputError(name, "a file that is not HDF5 inside", EXPECTED)
    if len(data) > LARGEST_BYTES:
        raise InputError(name, f"{len(data) / 1e6:.0f} MB", f"at most {LARGEST_BYTES / 1e6:.0f} MB", _SPLIT)
    found, parts = decode_in_child("commission.audio.sofa:decode_sofa", data, name, EXPECTED, mend=_COPY)
    return tuple(
        SofaResponse(
            response=Response(impulse=freeze(np.frombuffer(part, "<f4")), rate_hz=each["rate_hz"], t0_s=each["t0_s"]),
            seat=each["seat"],
            channel=each["channel"],
            seat_m=_tuple(each["seat_m"]),
            source_m=_tuple(each["source_m"]),
            clock=each["clock"],
        )
        for each, part in zip(found, parts, strict=True)
    )


def _tuple(position: list[float] | None) -> Position | None:
    return None if position is None else (position[0], position[1], position[2])


def decode_sofa(data: bytes, options: dict[str, Any]) -> Decoded:
    """Decoder of `read_sofa` in its child process."""
    import h5py

    with h5py.File(io.BytesIO(), "w"):  # loads the parts that the library would load late
        pass
    forbid_files()
    found = parse_sofa(data, options["where"])
    values = [
        {
            "rate_hz": each.response.rate_hz,
            "t0_s": each.response.t0_s,
            "seat": each.seat,
            "channel": each.channel,
            "seat_m": each.seat_m,
            "source_m": each.source_m,
            "clock": each.clock,
        }
        for each in found
    ]
    return values, [np.ascontiguousarray(each.response.impulse, "<f4").tobytes() for each in found]


def parse_sofa(data: bytes, name: str) -> tuple[SofaResponse, ...]:
    """`read_sofa` without a child process: called by the child, and for files that this program made."""
    import h5py

    try:
        with h5py.File(io.BytesIO(data), "r") as file:
            return _read(_Reader(file, name), name)
    except InputError:
        raise
    except (OSError, KeyError, ValueError, TypeError, RuntimeError, OverflowError, UnicodeError) as error:
        reason = clean_text(str(error))[:80].rstrip(".") or type(error).__name__
        raise InputError(name, f"damaged AES69 data ({reason})", "a whole file", _COPY) from error


def to_room(position: Sequence[float]) -> Position:
    """File coordinates (front, left, up) converted to ours (right, rear, up) [m]."""
    front, left, up = (float(value) for value in position)
    return (-left + 0.0, -front + 0.0, up)


# --- writing


class _Writer:
    """Dimensions and variables in the layout that netCDF-4 and AES69 share."""

    def __init__(self, file: Any, kept: Sequence[tuple[ResponseStored, Response]]) -> None:
        self._file = file
        labels = [label for body, _ in kept for label in (body.seat, body.channel)]
        self.sizes = {
            "M": len(kept),
            "R": 1,
            "E": 1,
            "N": max(len(_impulse(response)) for _, response in kept),
            "C": 3,
            "I": 1,
            "S": max(len(label.encode()) for label in labels),
        }
        for index, (dimension, size) in enumerate(self.sizes.items()):
            scale = file.create_dataset(dimension, (size,), ">f4")
            scale.make_scale(f"This is a netCDF dimension but not a netCDF variable.{size:10d}")
            scale.attrs["_Netcdf4Dimid"] = np.int32(index)

    def put(self, name: str, dimensions: str, values: Any, **attributes: str) -> None:
        """Write a variable of doubles."""
        shape = tuple(self.sizes[letter] for letter in dimensions)
        packed = {"compression": "gzip", "shuffle": True} if name == "Data.IR" else {}
        variable = self._file.create_dataset(name, data=np.asarray(values, "<f8").reshape(shape), **packed)
        self._finish(variable, dimensions, attributes)

    def put_labels(self, name: str, labels: Sequence[str]) -> None:
        """Write a variable of strings [M, S], padded with zeros."""
        rows = np.array([label.encode() for label in labels], f"S{self.sizes['S']}")
        variable = self._file.create_dataset(name, data=rows.view("S1").reshape(len(labels), -1))
        self._finish(variable, "MS", {"_Encoding": "utf-8"})

    def _finish(self, variable: Any, dimensions: str, attributes: dict[str, str]) -> None:
        for axis, letter in enumerate(dimensions):
            variable.dims[axis].attach_scale(self._file[letter])
        for key, text in attributes.items():
            variable.attrs[key] = _attribute(text)


def _write_variables(out: _Writer, system: System, kept: Sequence[tuple[ResponseStored, Response]]) -> None:
    metres = {"Type": "cartesian", "Units": "metre"}
    frames, count = out.sizes["N"], len(kept)
    samples = np.zeros((count, 1, frames))
    for row, (_, response) in zip(samples, kept, strict=True):
        row[0, : len(_impulse(response))] = _impulse(response)
    rates = np.array([_rate_hz(response) for _, response in kept])
    one_rate = bool(np.all(rates == rates[0]))
    out.put("Data.IR", "MRN", samples)
    out.put("Data.SamplingRate", "I" if one_rate else "M", rates[:1] if one_rate else rates, Units="hertz")
    out.put("Data.Delay", "MR", [_delay_frames(response) for _, response in kept])
    seats = {seat.id: seat.position_m for seat in system.seats}
    sources = {channel.id: channel.position_m for channel in system.channels}
    out.put("ListenerPosition", "MC", [_from_room(seats.get(body.seat)) for body, _ in kept], **metres)
    out.put("SourcePosition", "MC", [_from_room(sources.get(body.channel)) for body, _ in kept], **metres)
    for who in ("Listener", "Source"):
        # Seats face the screen. The aim of a loudspeaker is not recorded: it is shown facing the seats.
        out.put(f"{who}View", "IC", [1.0 if who == "Listener" else -1.0, 0, 0], **metres)
        out.put(f"{who}Up", "IC", [0, 0, 1.0])
    out.put("ReceiverPosition", "RCI", [0, 0, 0], **metres)
    out.put("EmitterPosition", "ECI", [0, 0, 0], **metres)
    out.put("RoomTemperature", "I", [system.temperature_c + _KELVIN], Units="kelvin")
    if system.room is not None:
        room = system.room
        out.put("RoomVolume", "I", [room.length_m * room.width_m * room.height_m], Units="cubic metre")
        out.put("RoomCornerA", "IC", _from_room((room.width_m / 2, room.length_m, 0.0)))
        out.put("RoomCornerB", "IC", _from_room((-room.width_m / 2, 0.0, room.height_m)))
        out.put("RoomCorners", "II", [0], **metres)
    out.put_labels("SeatLabel", [body.seat for body, _ in kept])
    out.put_labels("LoudspeakerLabel", [body.channel for body, _ in kept])
    lengths = [len(_impulse(response)) for _, response in kept]
    if min(lengths) < frames:
        out.put("MeasurementFrames", "M", lengths)
    clocks = list(dict.fromkeys(body.clock for body, _ in kept if body.clock is not None))
    if len(clocks) > 1 or any(body.clock is None for body, _ in kept):
        numbers = [-1 if body.clock is None else clocks.index(body.clock) for body, _ in kept]
        out.put("MeasurementClock", "M", numbers)


def _global_attributes(system: System, round_id: str, at: str) -> dict[str, str]:
    from commission import __version__

    return {
        "Conventions": "SOFA",
        "Version": _STANDARD_VERSION,
        "SOFAConventions": _CONVENTION,
        "SOFAConventionsVersion": _CONVENTION_VERSION,
        "DataType": "FIR",
        "RoomType": "shoebox" if system.room is not None else "reverberant",
        "RoomDescription": "home cinema" if system.room is not None else "home cinema, not measured",
        "Title": f"{system.title}, {round_id}",
        "DateCreated": at,
        "DateModified": at,
        "APIName": "commission",
        "APIVersion": __version__,
        "ApplicationName": "commission",
        "ApplicationVersion": __version__,
        "AuthorContact": system.technician or "not given",
        "Organization": "not given",
        "License": "No license provided, ask the author for permission",
        "DatabaseName": system.title,
        "Comment": f"Round {round_id}. Amplitudes re full scale; Data.Delay counts from the start of the excitation.",
    }


def _attribute(text: str) -> Any:
    import h5py

    data = (clean_text(text) or " ").encode()
    return np.array(data, dtype=h5py.string_dtype("utf-8", len(data)))


def _impulse(response: Response) -> FloatArray:
    assert response.impulse is not None
    return response.impulse


def _rate_hz(response: Response) -> float:
    assert response.rate_hz is not None
    return response.rate_hz


def _delay_frames(response: Response) -> float:
    """Time of the response's first sample after the excitation [samples]; rounded if within a millionth of a whole
    number.
    """
    frames = response.t0_s * _rate_hz(response)
    return float(round(frames)) if abs(frames - round(frames)) < 1e-6 else frames


def _from_room(position: Position | None) -> Position:
    """Our coordinates converted to the file's [m]; NaN if the position is unknown."""
    return (math.nan, math.nan, math.nan) if position is None else to_room(position)


# --- reading

_USUAL_FILTERS = (1, 2, 3)
"""Deflate, shuffle and the Fletcher checksum (H5Zpublic.h); any other may load code from a plug-in."""
_FEW_BYTES = 4_000_000
"""More than any variable except the samples takes at `MOST_MEASUREMENTS`."""


class _Reader:
    """Reads variables that are stored in the file itself, up to a limited size."""

    def __init__(self, file: Any, name: str) -> None:
        self._file, self._name = file, name

    def attribute(self, key: str) -> str:
        """A text attribute of the file; empty if it is missing."""
        return _text(self._file.attrs.get(key))

    def find(self, key: str, kinds: str = "fiu") -> Any:
        """A variable with one of these kinds of values (numpy's letters); None if the file has none of that name.

        Raises InputError for links, external storage, virtual datasets and unusual filters: what they lead to is not
        in the file, and can be anything that this computer holds.
        """
        import h5py

        link = self._file.get(key, getlink=True)  # does not follow the link
        if link is None:
            return None
        if not isinstance(link, h5py.HardLink):
            raise self._elsewhere(key, "a link to other data")
        variable = self._file[key]
        if not isinstance(variable, h5py.Dataset):  # in a damaged file the name may belong to a folder or a type
            raise InputError(self._name, f"{key} that holds no values", "a whole file", _COPY)
        layout = variable.id.get_create_plist()
        if layout.get_external_count():
            raise self._elsewhere(key, "kept in another file")
        if layout.get_layout() == h5py.h5d.VIRTUAL:
            raise self._elsewhere(key, "assembled from other data")
        filters = [layout.get_filter(index)[0] for index in range(layout.get_nfilters())]
        if not set(filters) <= set(_USUAL_FILTERS):
            raise InputError(
                self._name, f"{key} compressed in an unsupported way (filter {max(filters)})", "gzip or none"
            )
        if variable.dtype.kind not in kinds:
            raise InputError(self._name, f"{key} of type {str(variable.dtype)[:20]}", "numbers")
        return variable

    def _elsewhere(self, key: str, how: str) -> InputError:
        return InputError(self._name, f"{key} {how}", "all values in the file itself", "Export it as one whole file.")

    def values(self, key: str, kinds: str = "fiu") -> Any:
        """All values of a variable other than the samples; None if it is missing. Raises InputError."""
        variable = self.find(key, kinds)
        if variable is None:
            return None
        size = variable.size * variable.dtype.itemsize if variable.size is not None else 0
        if size > _FEW_BYTES:
            found = f"{key} of {size / 1e6:,.0f} MB"
            raise InputError(self._name, found, f"at most {_FEW_BYTES / 1e6:.0f} MB", _COPY)
        return variable[()]


def _read(file: _Reader, name: str) -> tuple[SofaResponse, ...]:
    convention, kind = file.attribute("SOFAConventions"), file.attribute("DataType")
    if not convention:
        raise InputError(name, "an HDF5 file of another kind", EXPECTED)
    stored = file.find("Data.IR")
    if kind != "FIR" or stored is None or stored.ndim != 3:
        raise InputError(
            name, f"{convention} with data type {kind or 'none'}", "impulse responses of one emitter (data type FIR)"
        )
    count, receivers, frames = (int(size) for size in stored.shape)
    if not (0 < count * receivers <= MOST_MEASUREMENTS and 0 < count * receivers * frames <= LARGEST_SAMPLES):
        raise InputError(
            name,
            f"{count} measurements of {receivers} receivers and {frames} samples",
            f"at most {MOST_MEASUREMENTS} responses and {LARGEST_SAMPLES / 1e6:.0f} million samples",
            _SPLIT,
        )
    sampling_rate = file.values("Data.SamplingRate")
    if sampling_rate is None:
        raise InputError(name, "no sample rate", "a whole file", _COPY)
    units = _text(file.find("Data.SamplingRate").attrs.get("Units", "hertz")).casefold()
    if units != "hertz":
        raise InputError(name, f"a sample rate in {units}", "hertz")
    rates = _per_measurement(sampling_rate, count, 1)[:, 0]
    delay = file.values("Data.Delay")
    delays = np.zeros((count, receivers)) if delay is None else _per_measurement(delay, count, receivers)
    lengths = _own_numbers(file, "MeasurementFrames", count, frames, (1, frames))
    clocks = _own_numbers(file, "MeasurementClock", count, 0, (-1, MOST_MEASUREMENTS))
    if not (np.isfinite(rates).all() and (rates > 0).all() and np.isfinite(delays).all()):
        raise InputError(name, "a sample rate or delay that is not a number", "finite numbers")
    seats, channels = (_labels(file, key, count) for key in ("SeatLabel", "LoudspeakerLabel"))
    ears, sources = (_positions(file, key, count) for key in ("ListenerPosition", "SourcePosition"))
    samples = np.empty(stored.shape, np.float32)
    stored.read_direct(samples)
    return tuple(
        SofaResponse(
            response=Response(
                impulse=freeze(samples[m, r, : lengths[m]]),
                rate_hz=float(rates[m]),
                t0_s=float(delays[m, r] / rates[m]),
            ),
            seat=seats[m],
            channel=channels[m],
            seat_m=ears[m],
            source_m=sources[m],
            clock=clocks[m],
        )
        for m in range(count)
        for r in range(receivers)
    )


def _per_measurement(values: Any, count: int, receivers: int) -> FloatArray:
    """Numbers given once or for each measurement (and receiver), as [shape=(count, receivers)]."""
    table = np.asarray(values, dtype=float)
    if table.ndim == 1:
        table = table[:, None]
    return np.broadcast_to(table, (count, receivers))


def _own_numbers(file: _Reader, name: str, count: int, otherwise: int, bounds: tuple[int, int]) -> list[int]:
    """Integers of a variable of our own, one for each measurement; `otherwise` if the file has none."""
    values = file.values(name)
    if values is None:
        return [otherwise] * count
    numbers = np.nan_to_num(_per_measurement(values, count, 1)[:, 0], nan=otherwise)
    return [int(number) for number in np.clip(numbers, *bounds)]


def _positions(file: _Reader, name: str, count: int) -> list[Position | None]:
    """Cartesian positions in our coordinates; None if missing, spherical or not numbers."""
    values = file.values(name)
    if values is None or _text(file.find(name).attrs.get("Type")).casefold() != "cartesian":
        return [None] * count
    places = np.broadcast_to(np.asarray(values, dtype=float), (count, 3))
    return [to_room(each) if np.isfinite(each).all() else None for each in places]


def _labels(file: _Reader, name: str, count: int) -> list[str | None]:
    values = file.values(name, "SfiuOVb")  # not a variable of the standard: other programs may store anything there
    if values is None or values.dtype.kind != "S" or values.shape[:1] != (count,):
        return [None] * count
    rows = np.ascontiguousarray(values).reshape(count, -1)
    return [clean_text(row.tobytes().rstrip(b"\0").decode("utf-8", "replace")).strip() or None for row in rows]


def _text(value: Any) -> str:
    if isinstance(value, np.ndarray):
        value = value.item() if value.size == 1 else ""
    return clean_text(value.decode("utf-8", "replace") if isinstance(value, bytes) else str(value or ""))
