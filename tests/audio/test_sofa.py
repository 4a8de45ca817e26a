"""AES69 files: exported data are imported bit for bit, an independent library accepts them, and bad files give the
reason.
"""

from __future__ import annotations

import hashlib
import io
import math
import warnings
from dataclasses import replace
from pathlib import Path

import h5py
import numpy as np
import pytest
import soundfile
from builders import cinema, defined, job_of
from hypothesis import given, settings
from hypothesis import strategies as st
from open_data import MEASURED_ROOM, NO_DATA, measured_room

from commission.audio.sofa import parse_sofa, read_sofa, to_room, write_sofa
from commission.audio.sofa_export import export_sofa
from commission.audio.sofa_rows import sofa_responses, sofa_rows, sofa_to_store
from commission.model import ImportRow, InputError, Response, ResponseStored, Room, StoredResponse, UnusableError

AT = "2026-11-25 14:05:00"
JOB = job_of(defined(cinema()))
SYSTEM = JOB.system


def stored(channel: str, seat: str, **more: object) -> ResponseStored:
    fields = {"round": "as-found", "kind": "impulse", "file_name": "x.wav", "file_sha256": "0" * 64, "clock": "one"}
    return ResponseStored(channel=channel, seat=seat, **(fields | more))  # type: ignore[arg-type]


def responses(seed: int = 1, frames: int = 2400) -> list[tuple[ResponseStored, Response]]:
    rng = np.random.default_rng(seed)
    return [
        (
            stored(c.id, s.id),
            Response(impulse=rng.standard_normal(frames).astype(np.float32), rate_hz=48000.0, t0_s=-0.01),
        )
        for s in SYSTEM.seats[:3]
        for c in SYSTEM.channels[:4]
    ]


def accepted(data: bytes, folder: Path):
    """The file as sofar reads and verifies it (AES69-2022, SingleRoomSRIR 1.0)."""
    sofar = pytest.importorskip("sofar")
    path = folder / "round.sofa"
    path.write_bytes(data)
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")
        found = sofar.read_sofa(str(path), verbose=False)
        found.verify()
    return found


def test_exported_responses_are_imported_bit_for_bit() -> None:
    found = responses()
    back = read_sofa(write_sofa(SYSTEM, "as-found", found, at=AT), "x.sofa")
    assert len(back) == len(found)
    for each, (body, response) in zip(back, found, strict=True):
        assert (each.seat, each.channel, each.clock) == (body.seat, body.channel, 0)
        assert response.impulse is not None
        np.testing.assert_array_equal(each.response.impulse, response.impulse)
        assert each.response.t0_s == response.t0_s
        assert each.response.rate_hz == response.rate_hz
        seat, channel = SYSTEM.seat(body.seat), SYSTEM.channel(body.channel)
        assert seat is not None and each.seat_m == seat.position_m
        assert channel is not None and each.source_m == channel.position_m


@settings(max_examples=25, deadline=None)
@given(
    lengths=st.lists(st.integers(1, 60), min_size=1, max_size=6),
    rates=st.lists(st.sampled_from([44100.0, 48000.0, 96000.0]), min_size=6, max_size=6),
    starts=st.lists(st.floats(-0.5, 0.5), min_size=6, max_size=6),
    clocks=st.lists(st.sampled_from(["a", "b", None]), min_size=6, max_size=6),
    labels=st.lists(
        st.text("QÅß東ー1 _-", min_size=1, max_size=5).map(str.strip).filter(bool), min_size=6, max_size=6
    ),
)
def test_lengths_rates_origins_clocks_and_labels_survive_a_round_trip(
    lengths: list[int], rates: list[float], starts: list[float], clocks: list[str | None], labels: list[str]
) -> None:
    rng = np.random.default_rng(0)
    found = [
        (
            stored(label, label, clock=clock),
            Response(impulse=rng.standard_normal(n).astype(np.float32), rate_hz=rate, t0_s=start),
        )
        for n, rate, start, clock, label in zip(lengths, rates, starts, clocks, labels, strict=False)
    ]
    back = parse_sofa(write_sofa(SYSTEM, "as-found", found, at=AT), "x.sofa")
    for each, (body, response) in zip(back, found, strict=True):
        np.testing.assert_array_equal(each.response.impulse, response.impulse)
        assert each.response.rate_hz == response.rate_hz
        assert each.response.t0_s == pytest.approx(response.t0_s, abs=1e-10)  # in samples, to a millionth
        assert (each.seat, each.channel) == (body.seat, body.channel)
        assert each.seat_m is None and each.source_m is None
    reported = [body.clock for body, _ in found]
    for i, a in enumerate(back):
        assert (a.clock == -1) is (reported[i] is None)
        for k, b in enumerate(back):
            if reported[i] is not None and reported[k] is not None:
                assert (a.clock == b.clock) is (reported[i] == reported[k])


def test_an_independent_library_accepts_it(tmp_path: Path) -> None:
    found = responses()
    sofa = accepted(write_sofa(SYSTEM, "as-found", found, at=AT), tmp_path)
    assert (sofa.GLOBAL_SOFAConventions, sofa.GLOBAL_SOFAConventionsVersion) == ("SingleRoomSRIR", "1.0")
    np.testing.assert_array_equal(sofa.Data_IR[:, 0], [response.impulse for _, response in found])
    assert sofa.Data_SamplingRate == 48000
    np.testing.assert_array_equal(np.ravel(sofa.Data_Delay), -480.0)
    assert list(sofa.SeatLabel) == [body.seat for body, _ in found]
    assert list(sofa.LoudspeakerLabel) == [body.channel for body, _ in found]
    # Front left, 1.45 m to the left of the middle and 0.1 m behind the screen's plane, 1.15 m high: x front, y left, z up.
    at = SYSTEM.channel(found[0][0].channel)
    assert at is not None and at.position_m is not None
    np.testing.assert_allclose(sofa.SourcePosition[0], [-at.position_m[1], -at.position_m[0], at.position_m[2]])
    assert sofa.GLOBAL_RoomType == "shoebox"
    room = SYSTEM.room
    assert room is not None
    size = np.abs(np.ravel(sofa.RoomCornerA) - np.ravel(sofa.RoomCornerB))
    np.testing.assert_allclose(size, [room.length_m, room.width_m, room.height_m])
    assert sofa.RoomTemperature == pytest.approx(SYSTEM.temperature_c + 273.15)


def test_an_independent_library_accepts_an_unmeasured_room_and_unequal_responses(tmp_path: Path) -> None:
    bare = replace(
        SYSTEM, room=None, title="Käfer & Söhne 映画", seats=(replace(SYSTEM.seats[0], id="Sitz Ä", position_m=None),)
    )
    found = [
        (stored("FL", "Sitz Ä"), Response(impulse=np.ones(700), rate_hz=48000.0)),
        (stored("FR", "Sitz Ä", clock=None), Response(impulse=np.ones(900), rate_hz=96000.0)),
    ]
    sofa = accepted(write_sofa(bare, "as-left", found, at=AT), tmp_path)
    assert sofa.GLOBAL_RoomType == "reverberant"
    assert sofa.GLOBAL_Title == "Käfer & Söhne 映画, as-left"
    assert list(sofa.SeatLabel) == ["Sitz Ä", "Sitz Ä"]
    assert list(sofa.Data_SamplingRate) == [48000, 96000]
    assert np.isnan(sofa.ListenerPosition).all()


def test_the_file_names_neither_time_nor_machine_by_itself() -> None:
    assert write_sofa(SYSTEM, "as-found", responses(), at=AT) == write_sofa(SYSTEM, "as-found", responses(), at=AT)


@settings(deadline=None)
@given(st.tuples(*[st.floats(-20, 20)] * 3))
def test_coordinates_are_converted_both_ways(position: tuple[float, float, float]) -> None:
    assert to_room(to_room(position)) == position
    right, rear, up = to_room((1.0, 0.0, 0.0)), to_room((0.0, 1.0, 0.0)), to_room((0.0, 0.0, 1.0))
    assert (right, rear, up) == ((0.0, -1.0, 0.0), (-1.0, 0.0, 0.0), (0.0, 0.0, 1.0))  # front, left, up


def test_a_job_is_exported_and_imported_again() -> None:
    rng = np.random.default_rng(2)
    blobs, events = {}, []
    for seq, (body, _) in enumerate(responses(), 1):
        sound = io.BytesIO()
        soundfile.write(sound, 0.1 * rng.standard_normal(4800), 48000, format="WAV", subtype="FLOAT")
        digest = hashlib.sha256(sound.getvalue()).hexdigest()
        blobs[digest] = sound.getvalue()
        events.append(StoredResponse(seq=seq, at="", body=replace(body, origin_frame=240.0), blob_sha256=digest))
    text = StoredResponse(
        seq=99, at="", body=stored("FL", "A1", kind="response", file_name="curve.txt"), blob_sha256="text"
    )
    blobs["text"] = b"\n".join(b"%d 70" % f for f in range(20, 20001, 60))
    job = replace(JOB, responses=(*events, text))
    data, left_out = export_sofa(job, "as-found", blobs.__getitem__, at=AT)
    assert left_out == ("FL at A1: curve.txt holds levels over frequency only.",)

    path = Path("round.sofa")
    rows = sofa_rows(ImportRow(path=path, round="as-left"), data, "round.sofa", JOB)
    assert [(row.seat, row.channel) for row in rows] == [(e.body.seat, e.body.channel) for e in events]
    assert all(row.kind == "impulse" and row.file_problem is None and row.shared_clock for row in rows)
    assert {(row.rate_hz, row.frames) for row in rows} == {(48000.0, 4800)}
    again = [
        StoredResponse(
            seq=i,
            at="",
            blob_sha256="sofa",
            body=stored(row.channel or "", row.seat or "", file_channel=row.file_channel, file_name="round.sofa"),
        )
        for i, row in enumerate(rows)
    ]
    to_store = [sofa_to_store(data, "round.sofa", i) for i in range(len(rows))]
    assert [hashlib.sha256(each.wav).hexdigest() for each in to_store] == [row.stored_sha256 for row in rows]
    results = sofa_responses(data, again)
    for i, event in enumerate(events):
        result = results[i]
        assert isinstance(result, Response)
        want, _ = soundfile.read(io.BytesIO(blobs[event.blob_sha256]), dtype="float32")
        np.testing.assert_array_equal(result.impulse, want)
        assert result.t0_s == pytest.approx(-0.005, abs=1e-15)
        held, rate_hz = soundfile.read(io.BytesIO(to_store[i].wav), dtype="float32")
        np.testing.assert_array_equal(held, want)
        assert (rate_hz, to_store[i].origin_frame) == (48000, pytest.approx(240.0, abs=1e-9))
    beyond = sofa_responses(data, [replace(again[0], body=replace(again[0].body, file_channel=500))])
    assert isinstance(beyond[0], UnusableError)
    assert "response 501 is not in the file" in str(beyond[0])


def test_a_round_without_impulse_responses_is_refused() -> None:
    with pytest.raises(InputError, match="no impulse response"):
        export_sofa(JOB, "as-found", lambda sha256: b"", at=AT)


def test_open_data_of_another_convention_are_read() -> None:
    if not MEASURED_ROOM.is_file():
        pytest.skip(NO_DATA)
    data = MEASURED_ROOM.read_bytes()
    found = read_sofa(data, MEASURED_ROOM.name)
    assert len(found) == 74  # 37 azimuths, two ears
    assert {(len(each.response.impulse), each.response.rate_hz) for each in found} == {(6259, 16000.0)}  # type: ignore[arg-type]
    np.testing.assert_array_equal(found[3].response.impulse, measured_room()[0][1, 1].astype(np.float32))
    assert found[0].seat is None
    rows = sofa_rows(ImportRow(path=MEASURED_ROOM), data, MEASURED_ROOM.name, JOB)
    assert "16000 Hz, expected 32000 to 192000 Hz" in (rows[0].file_problem or "")


GOOD = write_sofa(SYSTEM, "as-found", responses(frames=1200)[:2], at=AT)


def _changed(**changes: object) -> bytes:
    """A valid file with changed attributes or variables; None removes one."""
    buffer = io.BytesIO(GOOD)
    with h5py.File(buffer, "r+") as file:
        for name, value in changes.items():
            if name in file.attrs:
                file.attrs[name] = value
            else:
                del file[name]
                if value is not None:
                    file.create_dataset(name, data=value) if not callable(value) else value(file, name)
    return buffer.getvalue()


@pytest.mark.parametrize(
    ("data", "words"),
    [
        (b"RIFF....WAVE", "not HDF5 inside"),
        (GOOD[:3000], "damaged AES69 data"),
        (_changed(SOFAConventions=""), "HDF5 file of another kind"),
        (_changed(DataType="TF"), "data type TF"),
        (_changed(**{"Data.IR": None}), "impulse responses of one emitter"),
        (_changed(**{"Data.IR": np.zeros((2, 1))}), "impulse responses of one emitter"),
        (_changed(**{"Data.SamplingRate": np.nan}), "not a number"),
        (_changed(**{"Data.Delay": np.zeros((7, 1))}), "damaged AES69 data"),
        (
            _changed(
                **{
                    "Data.IR": lambda file, name: file.create_dataset(
                        name, (100000, 1, 10**9), "f8", chunks=(1, 1, 1000)
                    )
                }
            ),
            "100000 measurements of 1 receivers and 1000000000 samples",
        ),
    ],
)
def test_bad_files_give_the_reason(data: bytes, words: str) -> None:
    read = parse_sofa if data.startswith(b"\x89HDF") else read_sofa
    with pytest.raises(InputError) as error:
        read(data, "bad.sofa")
    assert words in str(error.value)
    assert str(error.value).startswith("bad.sofa: found ")


def test_control_characters_in_a_file_are_harmless() -> None:
    body = stored("F\x1b[31mL", "A1")
    back = parse_sofa(write_sofa(SYSTEM, "as-found", [(body, responses()[0][1])], at=AT), "x.sofa")
    assert back[0].channel == "F[31mL"


def test_only_the_unusable_response_is_named() -> None:
    found = responses()[:3]
    silent = replace(found[1][1], impulse=np.zeros(2400))
    broken = replace(found[2][1], impulse=np.full(2400, math.nan))
    data = write_sofa(SYSTEM, "as-found", [found[0], (found[1][0], silent), (found[2][0], broken)], at=AT)
    rows = sofa_rows(ImportRow(path=Path("x.sofa")), data, "x.sofa", JOB)
    assert rows[0].file_problem is None
    assert "x.sofa, response 2: found silence" in (rows[1].file_problem or "")
    assert "not numbers" in (rows[2].file_problem or "")


def test_responses_on_other_clocks_are_marked() -> None:
    found = [
        (replace(body, clock="one" if i < 3 else None), response)
        for i, (body, response) in enumerate(responses()[:4])
    ]
    rows = sofa_rows(ImportRow(path=Path("x.sofa")), write_sofa(SYSTEM, "as-found", found, at=AT), "x.sofa", JOB)
    assert [row.shared_clock for row in rows] == [True, True, True, False]


@settings(max_examples=40, deadline=None)
@given(place=st.integers(8, len(GOOD) - 1), value=st.integers(0, 255))
def test_a_flipped_byte_is_read_or_refused(place: int, value: int) -> None:
    data = bytearray(GOOD)
    data[place] = value
    try:
        found = parse_sofa(bytes(data), "x.sofa")
    except InputError as error:
        assert str(error).startswith("x.sofa: found ")
    else:
        assert all(each.response.impulse is not None for each in found)


def test_h5py_loads_late() -> None:
    import subprocess
    import sys

    code = "import sys, commission.audio.sofa_rows; print('h5py' in sys.modules, 'scipy' in sys.modules)"
    done = subprocess.run([sys.executable, "-c", code], capture_output=True, text=True, check=True)
    assert done.stdout.strip() == "False False"


def test_the_room_is_optional_and_positions_stay_the_same() -> None:
    wide = replace(SYSTEM, room=Room(length_m=6.4, width_m=4.7, height_m=2.6))
    with h5py.File(io.BytesIO(write_sofa(wide, "as-found", responses()[:1], at=AT))) as file:
        assert float(file["RoomVolume"][0]) == pytest.approx(6.4 * 4.7 * 2.6)
        assert file["Data.IR"].dims[0][0].name == "/M"


def test_a_folder_or_a_type_under_the_name_of_a_variable_is_refused() -> None:
    for wrong in (lambda file: file.create_group("Data.IR"), lambda file: file.update({"Data.IR": np.dtype("f8")})):
        buffer = io.BytesIO()
        with h5py.File(buffer, "w") as file:
            file.attrs["SOFAConventions"], file.attrs["DataType"] = "SingleRoomSRIR", "FIR"
            wrong(file)
        with pytest.raises(InputError, match="Data.IR that holds no values"):
            parse_sofa(buffer.getvalue(), "x.sofa")
