"""Impossible numbers are refused at entry and in a definition; in an old log they are left out and named."""

from __future__ import annotations

import json
import math
import time
from pathlib import Path
from typing import Any

import pytest
from builders import cinema

from commission.cli.local_services import LocalServices
from commission.history import fold
from commission.job.codec import decode, encode, kind_of
from commission.job.store import JobFile, row_digest
from commission.job.toml import parse_definition
from commission.model import (
    AS_FOUND,
    EarlierFigure,
    Event,
    EventBody,
    InputError,
    JobCreated,
    Noted,
    ReadingEntered,
    ResponseStored,
    Setting,
    SettingEntered,
    StoreError,
    Sweep,
    SystemDefined,
)
from commission.model.plausible import problem_of

AT = "2026-03-14T09:00:00.000+00:00"


def reading(value: float, unit: str = "dB") -> ReadingEntered:
    return ReadingEntered(
        round=AS_FOUND, step="levels", channel="FC", seat="A2", quantity="level", value=value, unit=unit
    )


def trim(value: float) -> SettingEntered:
    return SettingEntered(setting=Setting(round=AS_FOUND, channel="FC", trim_db=value))


@pytest.mark.parametrize(
    "body",
    [
        reading(1e308),
        reading(-1e9),
        reading(5000, "m"),
        reading(1e4, "°C"),
        trim(1e300),
        SettingEntered(setting=Setting(round=AS_FOUND, channel="FC", distance=1e9)),
        ResponseStored(
            round="r",
            channel="c",
            seat="s",
            kind="sweep",
            file_name="x",
            file_sha256="0" * 64,
            sweep=Sweep(duration_s=1e9),
        ),
        ResponseStored(
            round="r", channel="c", seat="s", kind="impulse", file_name="x", file_sha256="0" * 64, origin_frame=1e300
        ),
        Noted(step="site", text="x" * 20_000),
    ],
)
def test_impossible_numbers_are_refused_at_entry(body: EventBody, tmp_path: Path) -> None:
    job = JobFile.create(tmp_path / "a.commission", [JobCreated(title="t", program_version="0")])
    with pytest.raises(InputError, match=r"expected (a number from|at most)"):
        job.append([body])
    assert len(job.events()) == 1
    job.close()


def test_ordinary_values_are_accepted() -> None:
    for body in (reading(-12.5), reading(141.9), reading(0.02, "m"), trim(-40.0), SystemDefined(system=cinema())):
        encode(body)


@pytest.mark.parametrize(
    ("text", "path"),
    [
        ('[[channel]]\nid = "FL"\nrole = "screen"\nhigh_pass_hz = 1e300', "channel[0].high_pass_hz"),
        ('[[seat]]\nid = "A1"\nweight = -1', "seat[0].weight"),
        ("[processor]\nreference_spl_db = 1e6", "processor.reference_spl_db"),
        ("[processor]\ntrim_db = { min = -12, max = 12, step = 0 }", "processor.trim_db.step"),
        ("[processor]\ntrim_db = { min = -12, max = 12, step = 1e-300 }", "processor.trim_db.step"),
        ("[sweep]\nduration_s = 1e7", "sweep.duration_s"),
        (
            '[[channel]]\nid="FL"\nrole="screen"\n[[setting]]\nround="as-found"\nchannel="FL"\ntrim_db=1e9',
            "setting[0].trim_db",
        ),
        (
            '[[channel]]\nid="FL"\nrole="screen"\n[[reading]]\nround="as-found"\nstep="levels"\nchannel="FL"\nvalue_db=1e308',
            "reading[0].value_db",
        ),
    ],
)
def test_an_error_in_a_definition_names_the_field(text: str, path: str) -> None:
    with pytest.raises(InputError) as error:
        parse_definition(f'title = "x"\n{text}', "x.toml")
    assert error.value.where.replace(": ", "").endswith(path), error.value.where


@pytest.mark.parametrize(
    "body",
    [
        {"system": {"title": "x", "processor": {"trim_db": {"step": 0.0}}}},
        {"system": {"title": "x", "processor": {"delay": {"min": 5.0, "max": 1.0}}}},
        {"system": {"title": "x", "processor": {"delay": {"step": 1e-300}}}},
        {"system": {"title": "x", "temperature_c": 1e308}},
        {"system": {"title": "x", "room": {"length_m": 1e9, "width_m": 3, "height_m": 3}}},
        {"system": {"title": "x", "seats": [{"id": "A"}, {"id": "A"}]}},
        {"system": {"title": "x", "seats": [{"id": "A"}] * 1000}},
        {"system": {"title": "x", "channels": [{"id": " ", "role": "screen"}]}},
        {"system": {"title": "x", "channels": [{"id": "FL", "role": "screen", "position_m": [0, 1e300, 0]}]}},
        {"system": {"title": "x", "sweep": {"start_hz": 0.0}}},
    ],
)
def test_an_impossible_system_is_refused_when_the_log_is_read(body: dict[str, Any]) -> None:
    with pytest.raises(StoreError, match=r"Event 2 \(system-defined\) cannot be right"):
        decode("system-defined", json.dumps(body), 2)


def test_numbers_beyond_any_float_and_very_deep_nesting_are_refused() -> None:
    for text in ('{"round":"r","step":"s","quantity":"q","value":1e999,"unit":"dB"}', '{"a":' * 100_000):
        with pytest.raises(StoreError, match="Event 3"):
            decode("reading-entered", text, 3)


def test_a_value_of_an_earlier_visit_is_checked_by_its_quantity() -> None:
    from commission.model import EarlierVisit

    def visit(quantity: str, value: float) -> EarlierVisit:
        figure = EarlierFigure(quantity=quantity, value=value)
        return EarlierVisit(
            file_name="x", title="t", digest="d", round="r", closed_at=AT, program_version="0", figures=(figure,)
        )

    assert problem_of(visit("level_db", 75.0)) is None
    problem = problem_of(visit("level_db", 1e6))
    assert problem is not None and problem.path == "figures[0].value"


def test_an_impossible_entry_in_an_old_log_is_left_out_and_named(tmp_path: Path) -> None:
    """As an earlier version stored it: the job opens without this number, and everything else works."""
    services = LocalServices(tmp_path / "state")
    visit = services.create(tmp_path / "loft", cinema(["FL", "FC"], ["A2"]))
    visit.append(reading(75.0))
    visit.close()
    job = JobFile.open(visit.path)
    seq, prev = job._last()
    for body in (reading(1e308), trim(1e308)):
        seq += 1
        text = encode(reading(75.5) if isinstance(body, ReadingEntered) else trim(0.5))
        text = text.replace("75.5", "1e308").replace("0.5", "1e308")
        digest = row_digest(prev, seq, AT, kind_of(body), text, None)
        job._db.execute(
            "INSERT INTO event VALUES (?,?,?,?,?,?,?)", (seq, AT, kind_of(body), text, None, prev, digest)
        )
        prev = digest
    job._db.execute("COMMIT")
    job.close()
    visit = services.open(visit.path)
    assert visit.verify() is None
    assert [each.body.value for each in visit.job.readings] == [75.0]
    assert visit.job.setting(AS_FOUND, "FC").trim_db is None
    assert [each.seq for each in visit.job.left_out] == [seq - 1, seq]
    printed = visit.failures(AS_FOUND)
    assert printed[0] == (f"Event {seq - 1} is ignored: found 1e+308 dB, expected a number from -200 to 250 dB.")
    assert visit.outcome("levels", AS_FOUND).done == 1
    visit.withdraw(seq - 1)
    assert [each.seq for each in visit.job.left_out] == [seq]
    visit.close()


def test_folding_in_parts_keeps_the_list_of_left_out_entries() -> None:
    bodies: tuple[EventBody, ...] = (reading(75), reading(math.nan), trim(1e99))
    log = [Event(seq=i, at=AT, body=body) for i, body in enumerate(bodies, 1)]
    assert fold(log[2:], fold(log[:2])) == fold(log)
    assert [each.seq for each in fold(log).left_out] == [2, 3]


def test_checking_a_log_takes_little_time() -> None:
    """A thousand responses are read before the first paint."""
    body = ResponseStored(round="r", channel="c", seat="s", kind="impulse", file_name="x", file_sha256="0" * 64)
    begin = time.process_time()
    for _ in range(1000):
        problem_of(body)
    assert time.process_time() - begin < 0.15
