"""Words of a record: its own sentences, phrases for what steps say, one file for a language, refusals in one sentence."""

from __future__ import annotations

import re
import tomllib
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

import commission.record
from commission.model import InputError
from commission.record.words import PHRASES, Words, load_words

FOLDER = Path(commission.record.__file__).parent / "words"


def words(tmp_path: Path, text: str) -> Words:
    path = tmp_path / "own.toml"
    path.write_text(text, encoding="utf-8")
    return load_words(path)


PIRATE = """
language = "en-x-pirate"
[document]
title = "Log of the sound"
[done.trims]
one = "{count} barrel of {all}, {most} dB"
other = "{count} barrels, all {all}, {most} dB"
[phrases]
"{a} reversed" = "{a} upside down"
"{a} sounds from the place of {b} (z = {n})." = "From {b}'s berth, with z {n}, sounds {a}."
"pass" = "aye"
"bass {n}" = "depth {n}"
"{a} at {w}" = "{a} in berth {w}"
"{w} from {n}" = "{w} past {n}"
"it is late" = "late it be"
"Left out: {a}." = "Overboard: {a}."
"""


@pytest.fixture
def pirate(tmp_path: Path) -> Words:
    return words(tmp_path, PIRATE)


def test_own_sentences_and_those_that_are_missing(pirate: Words) -> None:
    assert pirate.language == "en-x-pirate"
    assert pirate.say("document.title") == "Log of the sound"
    assert pirate.say("document.untitled") == load_words("en").say("document.untitled")
    assert pirate.say("done.trims", 1, all=3, most="2.0") == "1 barrel of 3, 2.0 dB"
    assert pirate.say("done.trims", 2, all=3, most="2.0") == "2 barrels, all 3, 2.0 dB"


@pytest.mark.parametrize(
    ("english", "told"),
    [
        ("FR reversed", "FR upside down"),
        ("BL sounds from the place of BR (z = 23).", "From BR's berth, with z 23, sounds BL."),
        ("BL sounds from the place of BR (z = high).", "BL sounds from the place of BR (z = high)."),
        ("bass −11", "depth −11"),
        ("bass missing", "bass missing"),
        ("Front left at A2", "Front left in berth A2"),
        ("It is late", "Late it be"),
        ("FR reversed. It is late", "FR upside down. Late it be"),
        ("FR reversed. Nobody knows this one.", "FR upside down. Nobody knows this one."),
        ("SiL from 33, BL from 24.5", "SiL past 33, BL past 24.5"),
        ("SiL from 33, who knows", "SiL from 33, who knows"),
        ("Left out: FR reversed.", "Overboard: FR upside down."),
        ("A, B and C", "A, B and C"),
        ("{a} reversed", "{a} upside down"),
        ("{b} reversed", "{b} upside down"),
        ("", ""),
        ("as-found", "as found"),
    ],
)
def test_what_steps_say_is_told_by_phrases(pirate: Words, english: str, told: str) -> None:
    assert pirate.told(english) == told


def test_what_no_phrase_knows_stays_and_is_listed(pirate: Words) -> None:
    assert pirate.told("A new step says something new") == "A new step says something new"
    assert "A new step says something new" in pirate.untranslated
    assert pirate.told("12.5") == "12.5"
    assert "12.5" not in pirate.untranslated


@given(text=st.text(max_size=40))
def test_english_stays_as_it_is_but_for_controls(text: str) -> None:
    from commission.model.units import clean_text

    assert load_words("en").told(text) == clean_text(text)


@given(value=st.text(alphabet="{}ab count", max_size=12))
def test_a_value_with_braces_is_a_value_and_nothing_more(value: str) -> None:
    assert load_words("en").say("list.seat", seat=value) == f"seat {value}"


def test_german_has_every_sentence_of_the_english_file() -> None:
    """A plain walk of both files; what English shares with German (units, names) may be the same."""

    def flat(data: dict[str, object], above: str = "") -> dict[str, str]:
        out: dict[str, str] = {}
        for key, value in data.items():
            out |= flat(value, f"{above}{key}.") if isinstance(value, dict) else {f"{above}{key}": str(value)}
        return out

    english, german = (
        flat({k: v for k, v in tomllib.loads((FOLDER / f"{name}.toml").read_text("utf-8")).items() if k != PHRASES})
        for name in ("en", "de")
    )
    assert sorted(english.keys() - german.keys()) == []
    assert sorted(german.keys() - english.keys()) == []
    same = {key for key in english if english[key] == german[key]}
    assert [english[key] for key in same if len(re.findall(r"(?<!\{)\b[a-z]{2,}\b(?!\})", english[key])) > 2] == []
    places = {key: sorted(re.findall(r"\{\w+\}", text)) for key, text in english.items()}
    for key, text in german.items():
        assert sorted(re.findall(r"\{\w+\}", text)) == places[key], key


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("[document]\ntitel = 'x'", "document.titel: found a key"),
        ("[document]\ntitle = 3", "document.title: found int"),
        ("[document]\ntitle = '{file}'", r"document.title: found the place \{file\}"),
        ("language = 'not a tag!'", "language tag"),
        ("phrases = 3", r"\[phrases\]: found|phrases"),
        ("[phrases]\n'{a}' = 'x'", "nothing but places"),
        ("[phrases]\n'{a}. {b}' = 'x'", "nothing but places"),
        ("[phrases]\n'{a} or {a}' = 'x'", "stands twice"),
        ("[phrases]\n'{a}{b} or' = 'x'", "side by side"),
        ("[phrases]\n'{a} or' = '{b}'", r"the place \{b\}"),
        ("[phrases]\n'{a} or' = 3", "int"),
        ("[document\n", "no valid TOML"),
        ("[document]\ndigest = '{0.__class__}'", "a “{” that belongs to no place"),
        ("[document]\npage = '{page:>999999999} {pages}'", "a “{” that belongs to no place"),
        ("[document]\npage = '{{page}} {pages}'", "a “{” that belongs to no place"),
        ("[document]\npage = 'Seite'", r"nothing in the place of \{page\}"),
        ("[document]\ntitle = ' '", "document.title: found nothing"),
        ("[document]\ntitle = '" + "x" * 2001 + "'", "2001 letters"),
        ("[date]\nmonths = 'a b'", "2 words, expected twelve"),
        ("[findings.x]\nwas = '{'", "belongs to no place"),
        ("[phrases]\n'pass' = ''", "found nothing"),
        ("[phrases]\n'{a.b} or' = 'x'", "belongs to no place"),
        ("[phrases]\n'" + " x ".join(f"{{a{i}}}" for i in range(11)) + "' = 'x'", "11 places"),
        ("language = 'de-" + "-".join(["abcdefgh"] * 9) + "'", "language tag"),
    ],
)
def test_refusals_name_the_place(tmp_path: Path, text: str, said: str) -> None:
    with pytest.raises(InputError, match=said) as caught:
        words(tmp_path, text)
    assert "\n" not in str(caught.value)


def test_files_that_are_none(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file, expected one of en, de"):
        load_words(tmp_path / "fr.toml")
    (tmp_path / "latin.toml").write_bytes(b"language = '\xe9'")
    with pytest.raises(InputError, match="not UTF-8"):
        load_words(tmp_path / "latin.toml")
    (tmp_path / "huge.toml").write_bytes(b"#" * 1_000_001)
    with pytest.raises(InputError, match="more than 1 MB"):
        load_words(tmp_path / "huge.toml")
    with pytest.raises(InputError, match="no such file"):
        load_words("fr")


def test_a_file_may_name_new_checks_and_findings(tmp_path: Path) -> None:
    own = words(tmp_path, "[findings.'quiet.hum']\nwas = 'It hummed ({channels}).'\n[checks]\n'quiet.nc' = 'noise'")
    assert own.say("findings.quiet.hum.was", channels="all") == "It hummed (all)."
    assert own.say("checks.quiet.nc") == "noise"


@pytest.mark.parametrize(
    "english",
    [
        "it or FR was not heard over the whole range there and at the seat opposite",
        "Play soft noise on BL alone and listen close by. Switch the amplifier off before touching loudspeaker cables; fixed "
        "mains wiring is for a licensed trade.",
        "BL is 3.2 ± 0.9 dB below BR, lower at 5 of 6 seats",
        "B2 is −4.1 dB off on every channel alike: the gain changed between recordings, not the room. Its levels are not judged.",
        "the response is too unlike its own minimum phase (correlation 0.21, 0.4 needed)",
        "the peak stands only 12 dB above the noise between 1 and 8 kHz (30 dB needed)",
        "Left out: B2 from what the seats hear: its gain changed in as-left.",
        "What was read at A1 does not count yet: FC, FR were not read there, and channels compare only at the same seats.",
        "SUB1: −11 dB, bass against the seats' mean, deepest at 59 Hz",
        "Treble of a loudspeaker against its partner",
        "Lows of a loudspeaker against its partner",
    ],
)
def test_german_of_what_is_seldom_said(english: str) -> None:
    """Remarks, reasons and findings that the sample job has none of, as the steps and rules put them."""
    german = load_words("de")
    told = german.told(english)
    assert told != english
    assert not re.search(r"\b(the|is|were|at|of|and|seats|dB below|needed|alone|Treble|Lows)\b", told), told
