"""The job definition: the README's example, round trips, and one sentence for every mistake."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import asdict
from pathlib import Path
from typing import Any

import msgspec
import pytest
import tomli_w
from hypothesis import given
from hypothesis import strategies as st

from commission.history import fold
from commission.job.toml import LISTS, SCHEMA, Definition, load_definition, parse_definition
from commission.model import AS_FOUND, AS_LEFT, Event, InputError
from commission.model.formatting import crossover_text

ROOT = Path(__file__).resolve().parents[2]
EXAMPLE = re.search(
    r"## A job definition.*?```toml\n(.*?)```", (ROOT / "README.md").read_text(encoding="utf-8"), re.DOTALL
)
assert EXAMPLE is not None
README = EXAMPLE[1]


def _again(found: Definition) -> Definition:
    """The definition read again, after it was folded into a job and written from that."""
    job = fold(Event(seq=i, at="", body=body) for i, body in enumerate(found.bodies, start=1))
    system = msgspec.to_builtins(job.system, builtin_types=(dt.date,))
    names = ("title", "client", "place", "technician", "units", "temperature_c", "room", "processor", "sweep")
    data: dict[str, Any] = {"schema": SCHEMA} | {name: system[name] for name in names}
    data |= {key: system[name] for key, (name, _) in LISTS.items()}
    for instrument in data["instrument"]:
        instrument["class"] = instrument.pop("accuracy_class")
    data["setting"] = [asdict(setting) for setting in job.settings.values()]
    data["reading"] = [asdict(reading.body) for reading in job.readings]
    return parse_definition(tomli_w.dumps(_without_none(data)))


def _without_none(value: Any) -> Any:
    if isinstance(value, dict):
        return {key: _without_none(item) for key, item in value.items() if item is not None}
    if isinstance(value, list | tuple):
        return [_without_none(item) for item in value]
    return value


def test_the_example_of_the_readme_is_read() -> None:
    found = parse_definition(README)
    assert found.system.title == "Loft cinema"
    assert found.system.channels[0].distance_m == pytest.approx(3.52)
    assert found.settings[0].setting.distance == 3.42
    assert (found.readings[0].quantity, found.readings[0].value, found.readings[0].unit) == ("level", 76.5, "dB")
    assert _again(found) == found


def test_the_sample_reads_and_writes_back_the_same() -> None:
    found = load_definition(ROOT / "sample_measurements" / "harbour-lane.toml")
    assert len(found.system.channels) == 13
    assert _again(found) == found
    by_round = [found.of_round(each) for each in (AS_FOUND, AS_LEFT)]
    for name, round_of in (("readings", lambda r: r.round), ("settings", lambda s: s.setting.round)):
        parts = [getattr(each, name) for each in by_round]
        assert [{round_of(each) for each in part} for part in parts] == [{AS_FOUND}, {AS_LEFT}]
        assert sum(map(len, parts)) == len(getattr(found, name))


@given(x=st.floats(-2, 2), y=st.floats(0, 6), z=st.floats(0, 2.5), trim=st.floats(-12, 12))
def test_numbers_survive_the_round_trip(x: float, y: float, z: float, trim: float) -> None:
    text = README.replace("[-1.45, 0.10, 1.15]", f"[{x!r}, {y!r}, {z!r}]").replace(
        "trim_db = 0.0", f"trim_db = {trim!r}"
    )
    found = parse_definition(text)
    assert _again(found) == found


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('role = "screen"', 'role = "skreen"', ["channel[0].role", "skreen"]),
        ('role = "screen"', 'role = "screen"\ncolour = "red"', ["channel[0].colour", "unknown"]),
        ("width_m = 4.70", "width_m = -4.70", ["room.width_m", "not negative"]),
        ("width_m = 4.70", "width_m = nan", ["room.width_m"]),
        ("width_m = 4.70", 'width_m = "wide"', ["room.width_m", "wide"]),
        ("step = 0.5", "step = 0.0", ["trim_db.step"]),
        ("step = 0.5", 'step = "half"', ["processor.trim_db.step", "found text, expected a number"]),
        ("[-1.45, 0.10, 1.15]", "[-1.45, 0.10]", ["position_m", "three"]),
        ('channel = "FL"\ntrim', 'channel = "FX"\ntrim', ["setting[0].channel", "FX", "FL"]),
        ('seat = "A2"', 'seat = "Z9"', ["reading[0].seat", "Z9", "A2"]),
        ("value_db = 76.5", "value_db = 76.5\nvalue_m = 3.0", ["reading[0]", "value_db and value_m", "one value"]),
        ("temperature_c = 21.5", 'temperature_c = "boiling"', ["temperature_c", "boiling"]),
        ("schema = 1", "schema = 9", ["schema", "9"]),
        ('title = "Loft cinema"', "", ["title", "nothing"]),
        ("[room]", "[cellar]", ["cellar", "unknown"]),
        ("[[seat]]", '[[seat]]\nid = "A2"\nreference = true\n[[seat]]', ["seat[1].id", "second"]),
        ("min = -12.0, max = 12.0", "min = 12.0, max = -12.0", ["processor", "min"]),
        ("[room]", "[room", ["TOML", "line"]),
    ],
)
def test_every_mistake_has_its_own_message(old: str, new: str, words: list[str]) -> None:
    assert old in README
    with pytest.raises(InputError) as caught:
        parse_definition(README.replace(old, new, 1), "loft.toml")
    assert all(word in str(caught.value) for word in ["loft.toml", *words])


@pytest.mark.parametrize("name", ["channel", "seat", "setting", "reading"])
def test_a_number_in_place_of_a_table_is_named(name: str) -> None:
    with pytest.raises(InputError) as caught:
        parse_definition(f'title = "x"\n{name} = [5]', "loft.toml")
    assert caught.value.where == f"loft.toml: {name}[0]"
    assert "found int, expected a table of names and values" in str(caught.value)


@pytest.mark.parametrize(
    ("more", "words"),
    [
        (
            '[[channel]]\nid = "C"\nrole = "surround"\n' * 300,
            "loft.toml: channels: found 300 items, expected at most 256",
        ),
        (f"temperature_c = {'9' * 5000}", "loft.toml: found a number of thousands of digits"),
        (f"temperature_c = {'[' * 5000}", "loft.toml: found lists or tables within each other, hundreds deep"),
    ],
)
def test_oversized_definitions_are_refused_with_file_and_name(more: str, words: str) -> None:
    with pytest.raises(InputError, match=words):
        parse_definition(f'title = "x"\n{more}', "loft.toml")


def test_unreadable_files_are_reported(tmp_path: Path) -> None:
    latin = tmp_path / "latin.toml"
    latin.write_bytes("title = 'Käse'".encode("latin-1"))
    for path, word in ((tmp_path / "none.toml", "none.toml"), (latin, "UTF-8"), (tmp_path, "readable")):
        with pytest.raises(InputError, match=word):
            load_definition(path)


def test_control_characters_do_not_reach_the_job() -> None:
    assert "\x1b" not in parse_definition(README.replace("Loft cinema", "Loft\\u001b[31m")).system.title


def test_in_a_job_in_feet_and_inches_a_length_as_text_needs_its_unit() -> None:
    imperial = README.replace('title = "Loft cinema"', 'title = "Loft cinema"\nunits = "imperial"')
    found = parse_definition(imperial.replace('distance_m = "3.52 m"', 'distance_m = "31\' 9 7/8\\""'))
    assert found.system.channels[0].distance_m == pytest.approx(9.699625)  # 381.875 in · 0.0254 m (NIST SP 811)
    assert parse_definition(imperial).system.channels[0].distance_m == 3.52
    for old, new in (
        ('distance_m = "3.52 m"', 'distance_m = "9.7"'),
        ("width_m = 4.70", 'width_m = "15,5"'),
        ("position_m = [-1.45, 0.10, 1.15]", 'position_m = ["-1.45", 0.10, 1.15]'),
        ("value_db = 76.5", 'value_m = "9.7"'),
    ):
        assert old in imperial
        with pytest.raises(InputError, match="without a unit, expected .* ft.* m"):
            parse_definition(imperial.replace(old, new))
        parse_definition(README.replace(old, new))  # in a metric job it can only be metres


def test_a_distance_setting_may_name_its_unit() -> None:
    found = parse_definition(README.replace("distance = 3.42", 'distance = "342 cm"'))
    assert found.settings[0].setting.distance == pytest.approx(3.42)
    with pytest.raises(InputError, match="distance: found .* expected a distance"):
        parse_definition(README.replace("distance = 3.42", 'distance = "9.9 ms"'))


FILTERS = """
title = "A job with filters and a target"
[processor]
parametric_bands = 4
[processor.filters]
width = "octaves"
gain_db = { min = -9.0, max = 3.0, step = 0.1 }
widths = { min = 0.1, max = 2.0, step = 0.01 }
[target]
points = [[20, 6], [60.0, 3.0], [120, 0]]
[[channel]]
id = "SUB1"
role = "sub"
[[setting]]
round = "as-left"
channel = "SUB1"
filters = [{ frequency_hz = 45, gain_db = -6.0, width = 0.3 }]
"""


def test_filters_and_a_target_are_read() -> None:
    read = parse_definition(FILTERS)
    filters = read.system.processor.filters
    assert filters is not None and filters.width == "octaves" and filters.frequency_hz.step == 1.0
    assert read.system.target is not None and read.system.target.points == ((20.0, 6.0), (60.0, 3.0), (120.0, 0.0))
    (entered,) = read.settings
    assert entered.setting.filters is not None and entered.setting.filters[0].width == 0.3


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ('"octaves"', '"wide"', ("processor.width", "wide")),
        ("[60.0, 3.0]", "[10.0, 3.0]", ("target.points", "rising")),
        ("step = 0.01", "step = 0.0", ("processor.filters.widths.step", "above zero")),
        ("frequency_hz = 45", "frequency_hz = 0", ("setting[0].filters[0].frequency_hz", "0 Hz")),
        ("min = 0.1, max = 2.0", "min = 0.0, max = 2.0", ("processor.filters.widths.min", "above zero")),
    ],
)
def test_impossible_filters_are_named(old: str, new: str, words: tuple[str, ...]) -> None:
    with pytest.raises(InputError) as caught:
        parse_definition(FILTERS.replace(old, new))
    text = str(caught.value)
    assert words[-1] in text, text


CROSSOVERS = """
title = "A job with crossovers"
[processor]
high_pass = { type = "butterworth", slope_db_per_octave = 12 }
low_pass = { type = "linkwitz-riley", slope_db_per_octave = 24 }
[[channel]]
id = "FL"
role = "screen"
high_pass_hz = 80
[[channel]]
id = "FR"
role = "screen"
high_pass_hz = 60
high_pass = { type = "linkwitz-riley", slope_db_per_octave = 48 }
[[channel]]
id = "SL"
role = "surround"
[[channel]]
id = "SUB1"
role = "sub"
low_pass_hz = 80
"""


def test_a_channels_own_crossover_takes_the_place_of_the_processors() -> None:
    found = parse_definition(CROSSOVERS)
    texts = [crossover_text(found.system, each) for each in found.system.channels]
    assert texts == [
        "high-pass 80 Hz, Butterworth 12 dB/octave",
        "high-pass 60 Hz, Linkwitz-Riley 48 dB/octave",
        "",
        "low-pass 80 Hz, Linkwitz-Riley 24 dB/octave",
    ]
    assert _again(found) == found


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        ("octave = 24", "octave = 18", "slope_db_per_octave: found 18, expected a multiple of 12 up to 48"),
        ("octave = 12", "octave = 15", "slope_db_per_octave: found 15, expected a multiple of 6 up to 48"),
        (
            "octave = 48",
            "octave = 96",
            "channel[1].high_pass.slope_db_per_octave: found 96, expected a multiple of 12",
        ),
        ("octave = 12", "octave = 0", "found 0, expected a multiple of 6"),
        ('"butterworth"', '"steep"', "high_pass.type: found 'steep', expected one of linkwitz-riley, butterworth."),
        (", slope_db_per_octave = 12", "", "processor.high_pass.slope_db_per_octave: found nothing"),
        ('role = "surround"', 'role = "rear"', "role: found 'rear', expected one of screen, surround, height, sub."),
        ("low_pass_hz = 80", "low_pass_hz = -80", "channel[3].low_pass_hz: found -80, expected a number from 0"),
    ],
)
def test_an_impossible_crossover_gives_one_sentence(old: str, new: str, words: str) -> None:
    assert old in CROSSOVERS
    with pytest.raises(InputError) as caught:
        parse_definition(CROSSOVERS.replace(old, new, 1))
    assert words in str(caught.value)
