"""The fields of the Site form without a screen: how typed text changes the system, and which text is refused."""

from __future__ import annotations

from dataclasses import replace

import pytest
from builders import cinema, defined, job_of

from commission.model import (
    CrossoverFilter,
    Filter,
    FilterRanges,
    InputError,
    Processor,
    SettingEntered,
    Steps,
    System,
    Target,
)
from commission.ui.site import Field, SettingField, add_items, delete_item, fields_of
from commission.ui.site.items import plain_name
from commission.ui.site.job import _filter_fields

CINEMA = cinema(processor=Processor(parametric_bands=3))
CROSSED = replace(CINEMA.channels[0], high_pass_hz=80.0)
JOB = job_of(defined(replace(CINEMA, channels=(CROSSED, *CINEMA.channels[1:]))))
SUB = next(n for n, channel in enumerate(CINEMA.channels) if channel.is_sub)
B12 = CrossoverFilter(type="butterworth", slope_db_per_octave=12)
FIELDS = {field.key: field for _, fields in fields_of(JOB, "as-found") for field in fields}


def test_every_field_accepts_its_own_text() -> None:
    for key, field in FIELDS.items():
        if isinstance(field, Field) and field.typed and not field.choices:
            assert field.apply(JOB, field.typed) == JOB.system, key


@pytest.mark.parametrize(
    ("key", "text", "look"),
    [
        ("room.width_m", "15' 6\"", lambda s: s.room.width_m == pytest.approx(15.5 * 0.3048)),
        ("temperature_c", "70 °F", lambda s: s.temperature_c == pytest.approx(21.111, abs=1e-3)),
        ("bands", "20-100, 100–500", lambda s: [b.label for b in s.bands] == ["20-100", "100-500"]),
        ("processor.crossovers", "60 80,100", lambda s: s.processor.crossovers_hz == (60, 80, 100)),
        ("processor.parametric", "4", lambda s: s.processor.parametric_bands == 4),
        ("processor.parametric", "", lambda s: s.processor.parametric_bands is None),
        ("processor.filters.width", "octaves", lambda s: s.processor.filters == FilterRanges(width="octaves")),
        (
            "processor.filters.gain_db",
            "-9; 3; 0.1",
            lambda s: s.processor.filters.gain_db == Steps(min=-9, max=3, step=0.1),
        ),
        ("target", "20 6; 60 3; 120 0", lambda s: s.target == Target(points=((20, 6), (60, 3), (120, 0)))),
        ("target", "−1.5 dB/oct", lambda s: s.target == Target(slope_db_per_octave=-1.5)),
        ("processor.speed", "", lambda s: s.processor.speed_of_sound_m_s is None),
        ("processor.passes", "no", lambda s: not s.processor.sweeps_pass_delays),
        ("processor.reference_basis", "the maker", lambda s: s.processor.reference_basis == "the maker"),
        ("processor.delay.min", "0.3", lambda s: s.processor.delay.min == 0.3),
        ("sweep.start_hz", "10", lambda s: (s.sweep.start_hz, s.sweep.stop_hz) == (10, 20000)),
        ("sweep.rate_hz", "96000", lambda s: s.sweep.rate_hz == 96000),
        ("sweep.synchronised", "no", lambda s: not s.sweep.synchronised),
        ("sweep.level_dbfs", "", lambda s: s.sweep is None),
        ("seats.1.name", "Left of the middle", lambda s: s.seats[1].name == "Left of the middle"),
        ("processor.trim.max", "6", lambda s: s.processor.trim_db.max == 6),
        ("processor.delay.unit", "ms", lambda s: s.processor.delay.unit == "ms"),
        ("seats.0.position", "-1 m; 342 cm; 1.1", lambda s: s.seats[0].position_m == (-1.0, 3.42, 1.1)),
        ("seats.3.reference", "yes", lambda s: [x.id for x in s.seats if x.reference] == ["B1"]),
        ("channels.0.output", "7", lambda s: s.channels[0].output == 7),
        ("channels.0.high_pass", "80", lambda s: s.channels[0].high_pass_hz == 80),
        ("channels.0.high_pass_filter", "Butterworth 12 dB/octave", lambda s: s.channels[0].high_pass == B12),
        ("channels.0.high_pass_filter", "", lambda s: s.channels[0].high_pass is None),
        ("processor.low_pass", "Butterworth 12 dB/octave", lambda s: s.processor.low_pass == B12),
        (
            "processor.high_pass",
            "Linkwitz-Riley 48 dB/octave",
            lambda s: s.processor.high_pass.text[-12:] == "48 dB/octave",
        ),
        (f"channels.{SUB}.low_pass_hz", "90", lambda s: s.channels[SUB].low_pass_hz == 90),
        ("channels.0.distance", "", lambda s: s.channels[0].distance_m is None),
        ("channels.0.role", "sub", lambda s: s.channels[0].is_sub),
    ],
)
def test_typed_values_are_stored_in_the_system(key: str, text: str, look: object) -> None:
    changed = FIELDS[key].apply(JOB, text)
    assert isinstance(changed, System)
    assert look(changed)  # type: ignore[operator]


def test_a_range_is_shown_in_words() -> None:
    system = FIELDS["processor.filters.gain_db"].apply(JOB, "-9; 3; 0.1")
    assert isinstance(system, System)
    shown = {field.key: field for field in _filter_fields(system.processor.filters)}["processor.filters.gain_db"]
    assert (shown.shown, shown.typed) == ("−9 to 3 in steps of 0.1", "-9; 3; 0.1")


@pytest.mark.parametrize(
    ("key", "text"),
    [
        ("room.width_m", "wide"),
        ("sweep.start_hz", "-1"),
        ("sweep.stop_hz", "30000"),
        ("sweep.rate_hz", "8000"),
        ("bands", "80-20"),
        ("bands", "low"),
        ("processor.trim.max", "-20"),
        ("seats.0.position", "1; 2"),
        ("processor.parametric", "2.5"),
        ("channels.0.output", "0"),
        ("processor.crossovers", "80, x"),
        ("seats.0.weight", "-1"),
        ("instruments.0.accuracy_class", "3"),
        ("instruments.0.calibrated", "yesterday"),
        ("setting.FL.trim", "loud"),
        ("setting.SUB1.filters", "45 -6"),
        ("setting.SUB1.filters", "0 -6 4"),
        ("processor.filters.gain_db", "3; -3; 1"),
        ("processor.filters.widths", "0; 3; 1"),
        ("target", "60 3; 20 6"),
        ("target", "loud"),
    ],
)
def test_nonsense_is_refused_in_one_sentence(key: str, text: str) -> None:
    with pytest.raises(InputError, match="found .* expected"):
        FIELDS[key].apply(JOB, text)


def test_settings_become_events_of_the_round() -> None:
    field = FIELDS["setting.FR.trim"]
    assert isinstance(field, SettingField)
    made = field.apply(JOB, "-3,5")
    assert isinstance(made, SettingEntered)
    assert (made.setting.round, made.setting.channel, made.setting.trim_db) == ("as-found", "FR", -3.5)


@pytest.mark.parametrize("text", ["45 -6 4; 63.5 −3 5", "none"])
def test_filters_become_a_setting_and_are_shown_as_typed(text: str) -> None:
    field = FIELDS["setting.SUB1.filters"]
    assert isinstance(field, SettingField)
    made = field.apply(JOB, text)
    one, two = (Filter(frequency_hz=f, gain_db=g, width=w) for f, g, w in ((45.0, -6.0, 4.0), (63.5, -3.0, 5.0)))
    assert made.setting.filters == ((one, two) if text != "none" else ())
    again = {f.key: f for _, fields in fields_of(job_of(defined(JOB.system), made), "as-found") for f in fields}
    shown = again["setting.SUB1.filters"]
    assert shown.typed == text.replace("−", "-") and (shown.shown == "none") == (text == "none")


def test_channels_and_seats_are_added_and_deleted() -> None:
    more = add_items(JOB.system, "channels", "SUB3")
    assert more.channels[-1].is_sub
    assert add_items(JOB.system, "channels", "TpSiL").channels[-1].role == "height"
    for label in ("FL", "", "averylonglabel", "SUB4 FL", "SUB4 SUB4"):
        with pytest.raises(InputError):
            add_items(JOB.system, "channels", label)
    several = add_items(JOB.system, "channels", "FLw TpC X1").channels[-3:]
    assert [(c.name, c.role) for c in several] == [
        ("Front left wide", "screen"),
        ("Top centre", "height"),
        ("", "surround"),
    ]
    assert [s.id for s in add_items(JOB.system, "seats", "Sofa one, Sofa two").seats[-2:]] == ["Sofa one", "Sofa two"]
    assert [s.id for s in delete_item(JOB.system, "seats.1.position").seats] == ["A1", "A3", "B1", "B2", "B3"]


@pytest.mark.parametrize(
    ("label", "name"),
    [
        ("FC", "Centre"),
        ("TpFL", "Top front left"),
        ("BR", "Back right"),
        ("FLw", "Front left wide"),
        ("TpC", "Top centre"),
        ("SUB2", "Subwoofer 2"),
        ("Rear 1", ""),
        ("X", ""),
    ],
)
def test_labels_of_iec_62574_get_plain_names(label: str, name: str) -> None:
    """The parts of the labels (Tp, F, Si, B; L, R, C; w) are those of IEC 62574, from memory."""
    assert plain_name(label) == name


def test_the_room_is_entered_in_one_field_and_no_side_is_invented() -> None:
    bare = job_of(defined(replace(cinema(), room=None)))
    fields = {field.key: field for _, found in fields_of(bare, "as-found") for field in found}
    assert [key for key in fields if key.startswith("room.")] == ["room.size"]
    size = fields["room.size"]
    for text in ("6.40; 4.70; 2.60", "6,4 x 4,7 x 2,6", "640 cm; 4.7 m; 2.6", "6.4 4.7 2.6"):
        room = size.apply(bare, text).room  # type: ignore[union-attr]
        assert (room.length_m, room.width_m, room.height_m) == pytest.approx((6.4, 4.7, 2.6))  # type: ignore[union-attr]
    assert size.apply(bare, "") == bare.system
    for text in ("6.4", "6.4; 4.7", "6.4; 4.7; 260", "6.4; wide; 2.6"):
        with pytest.raises(InputError):
            size.apply(bare, text)
