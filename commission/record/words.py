"""The words of a record: sentences of its own by key, and phrases for what steps and findings say in English.

One TOML file holds a language. Its tables give the record's own sentences (`[summary] title = "…"` is the key
`summary.title`); `[phrases]` maps English patterns such as `"{a} reversed"` to the same in that language, so that steps and
rules need no line for it. A place named n, n1, n2 … takes a figure only, w, w1 … one word, any other what does not end a
sentence. What no phrase knows stays as it is. Missing keys fall back to English.
"""

from __future__ import annotations

import re
import tomllib
from dataclasses import dataclass, field
from functools import cached_property
from pathlib import Path
from typing import Any

from commission.model import InputError
from commission.model.toml_text import read_toml
from commission.model.units import clean_text

NAMES = {"en": "English", "de": "German"}
SHIPPED = tuple(NAMES)
LARGEST_FILE = 1_000_000
"""Bytes; a file of words is some 50 kB."""
OPEN_TABLES = ("findings", "checks", "glossary", "fates", "kinds", "plain_steps", "rounds")
"""Keyed by what steps and rules are called: a file may add to them."""
PHRASES = "phrases"
LONGEST, MOST_PLACES = 2000, 10
"""Letters of a sentence; places of a phrase, each of which may end at many letters of a text."""
_MONTHS = "date.months"
_PLACE = re.compile(r"\{(\w+)\}")
_LANGUAGE = re.compile(r"[A-Za-z]{2,3}(?:-[A-Za-z0-9]{1,8}){0,4}")
_NAMES = re.compile(r"[\w\-·/]+(?:(?:,| and) [\w\-·/]+)* and [\w\-·/]+")
_SENTENCES = re.compile(r"(?<=[.!?]) (?=[A-Z0-9])")
_EXPECTED_FILE = f"one of {', '.join(SHIPPED)}, or the path of a TOML file such as words.toml"


def _takes(name: str) -> str:
    """What a place takes: n, n1, n2 … a figure; w, w1 … one word; any other anything but the end of a sentence."""
    if re.fullmatch(r"n\d*", name):
        return r"([-+−±]?\d(?:[\d.,]*\d)?)"
    return r"(\S+)" if re.fullmatch(r"w\d*", name) else r"((?:(?![.!?] [A-Z]).)+?)"


class _Phrase:
    """One pattern and its translation; compiled when a text looks like it."""

    def __init__(self, pattern: str, said: str) -> None:
        parts = _PLACE.split(pattern)
        self.literals, self.names, self.said = parts[::2], parts[1::2], said
        self.longest = max(self.literals, key=len)
        self.weight = sum(map(len, self.literals))

    @cached_property
    def _regex(self) -> re.Pattern[str]:
        places = (*map(_takes, self.names), "")
        pairs = zip(map(re.escape, self.literals), places, strict=True)
        return re.compile("".join(part for pair in pairs for part in pair))

    def match(self, text: str) -> dict[str, str] | None:
        """What stands in the places; None when the text is another."""
        if self.longest not in text or not text.startswith(self.literals[0]) or not text.endswith(self.literals[-1]):
            return None
        found = self._regex.fullmatch(text)
        return None if found is None else dict(zip(self.names, found.groups(), strict=True))


@dataclass(frozen=True, slots=True, eq=False)
class Words:
    """A language. `say` gives a sentence of the record, `told` what a step or a rule said in English."""

    language: str
    sentences: dict[str, str]
    exact: dict[str, str] = field(default_factory=dict)
    patterns: tuple[_Phrase, ...] = ()
    _known: dict[str, str] = field(default_factory=dict)
    _missed: dict[str, None] = field(default_factory=dict)

    def has(self, key: str) -> bool:
        """Whether there is a sentence under that key."""
        return key in self.sentences

    def say(self, key: str, count: int | None = None, /, **values: object) -> str:
        """The sentence under a key with its places filled; with `count` its form for one or for other numbers."""
        if count is not None:
            key, values = f"{key}.{'one' if count == 1 else 'other'}", {"count": count, **values}
        return _fill(self.sentences[key], {name: str(value) for name, value in values.items()})

    def told(self, text: str) -> str:
        """A text that a step or a rule composed in English; unchanged where no phrase knows it. Cleaned of controls."""
        if text not in self._known:
            self._known[text] = self._translated(clean_text(text))
        return self._known[text]

    @property
    def untranslated(self) -> tuple[str, ...]:
        """Everything that was asked for and that no phrase knows, names and numbers among it."""
        return tuple(self._missed)

    def _translated(self, text: str) -> str:
        if (name := self.sentences.get(f"rounds.{text}")) is not None:
            return name
        if not self.exact and not self.patterns:
            return text
        if (found := self._one(text)) is not None:
            return found
        parts = _SENTENCES.split(text)
        if len(parts) > 1:
            return " ".join(self.told(part) for part in parts)
        if any(char.isalpha() for char in text):
            self._missed[text] = None
        return text

    def _one(self, text: str) -> str | None:
        if text in self.exact:
            return self.exact[text]
        for phrase in self.patterns:
            if (places := phrase.match(text)) is not None:
                return _fill(phrase.said, {name: self.told(value) for name, value in places.items()})
        for mark in ("; ", ", "):
            said = [self._one(part) for part in text.split(mark)] if mark in text else []
            if said and None not in said:
                return mark.join(part for part in said if part is not None)
        if _NAMES.fullmatch(text):
            return text.replace(" and ", f" {self.sentences['list.and']} ")
        if text.endswith(".") and (clause := self._one(text[:-1])) is not None:
            return f"{clause}."
        if text[:1].isupper() and (lower := self._one(text[0].lower() + text[1:])) is not None:
            return lower[:1].upper() + lower[1:]
        return None


def _fill(sentence: str, values: dict[str, str]) -> str:
    """Places replaced once, left to right: a value with braces in it is a value and nothing more."""
    return _PLACE.sub(lambda found: values.get(found[1], found[0]), sentence)


def load_words(source: str | Path = "en") -> Words:
    """A shipped language by its tag, or a file by its path; raises InputError in one sentence."""
    english = _shipped("en")
    if str(source) == "en":
        return _words("en", english, {})
    where = str(source)
    data = _shipped(where) if where in SHIPPED else _read(Path(source))
    return _words(where, english, data)


def _shipped(language: str) -> dict[str, Any]:
    return tomllib.loads((Path(__file__).with_name("words") / f"{language}.toml").read_text(encoding="utf-8"))


def _read(path: Path) -> dict[str, Any]:
    where = clean_text(str(path))
    try:
        if not path.is_file():
            raise InputError(where, "no such file", _EXPECTED_FILE)
        if path.stat().st_size > LARGEST_FILE:
            raise InputError(where, "a file of more than 1 MB", "words of one language, some 50 kB")
        return read_toml(path.read_text(encoding="utf-8"), where, "a file like words/de.toml")
    except UnicodeDecodeError:
        raise InputError(where, "text that is not UTF-8", "a TOML file in UTF-8") from None
    except OSError as error:
        raise InputError(where, f"a file that cannot be read ({error.strerror})", _EXPECTED_FILE) from None


def _words(where: str, english: dict[str, Any], data: dict[str, Any]) -> Words:
    base = _flat("en", {key: value for key, value in english.items() if key != PHRASES})
    own = _flat(where, {key: value for key, value in data.items() if key != PHRASES})
    language = own.get("language") or base["language"]
    if not _LANGUAGE.fullmatch(language):
        raise InputError(
            f"{where}, language", f"“{clean_text(language)[:40]}”", "a language tag such as “fr” or “pt-BR”"
        )
    for key, sentence in own.items():
        _check_sentence(where, key, sentence, base)
    said = data.get(PHRASES, {})
    if not isinstance(said, dict):
        raise InputError(f"{where}, [phrases]", "something else than a table", 'pairs such as "{a} reversed" = "…"')
    for pattern, sentence in said.items():
        _check_phrase(where, pattern, sentence)
    said = {clean_text(pattern): clean_text(sentence) for pattern, sentence in said.items()}
    exact = {pattern: sentence for pattern, sentence in said.items() if not _PLACE.search(pattern)}
    patterns = [_Phrase(pattern, sentence) for pattern, sentence in said.items() if pattern not in exact]
    # The most particular pattern first.
    patterns.sort(key=lambda phrase: -phrase.weight)
    return Words(language, {**base, **own}, exact, tuple(patterns))


def _flat(where: str, data: dict[str, Any], above: str = "") -> dict[str, str]:
    out: dict[str, str] = {}
    for key, value in data.items():
        if isinstance(value, dict):
            out.update(_flat(where, value, f"{above}{key}."))
        elif isinstance(value, str):
            out[f"{above}{key}"] = clean_text(value)
        else:
            shown = clean_text(f"{above}{key}")
            raise InputError(f"{where}, {shown}", f"{type(value).__name__} “{value!s:.40}”", "text in quotes")
    return out


def _check_sentence(where: str, key: str, sentence: str, base: dict[str, str]) -> None:
    at = f"{where}, {clean_text(key)[:60]}"
    if key not in base and key.split(".")[0] not in OPEN_TABLES:
        raise InputError(at, "a key that no sentence has", "the keys of words/en.toml", "Take it out.")
    _check_text(at, sentence)
    if key not in base:
        return
    wanted, found = set(_PLACE.findall(base[key])), set(_PLACE.findall(sentence))
    places = ", ".join(f"{{{name}}}" for name in sorted(wanted)) or "no place in braces"
    if found - wanted:
        raise InputError(at, f"the place {{{min(found - wanted)}}}", places)
    missing = wanted - found - ({"count"} if key.endswith(".one") else set())  # "one channel" needs no figure
    if missing:
        raise InputError(at, f"nothing in the place of {{{min(missing)}}}", places)
    if key == _MONTHS and len(sentence.split()) != 12:
        raise InputError(at, f"{len(sentence.split())} words", "twelve names of months")


def _check_text(at: str, sentence: str) -> None:
    """A sentence says something, of a bearable length, and braces are places."""
    if not clean_text(sentence).strip():
        raise InputError(at, "nothing", "a sentence; without the line, the English one is taken")
    if len(sentence) > LONGEST:
        raise InputError(at, f"{len(sentence)} letters", f"at most {LONGEST}")
    if stray := re.search(r"[{}]", _PLACE.sub("", sentence)):
        raise InputError(at, f"a “{stray[0]}” that belongs to no place", "places such as {count}")


def _check_phrase(where: str, pattern: str, sentence: object) -> None:
    at = f"{where}, [phrases], “{clean_text(pattern)[:60]}”"
    if not isinstance(sentence, str):
        raise InputError(at, type(sentence).__name__, "text in quotes")
    for each in (pattern, sentence):
        _check_text(at, each)
    places = _PLACE.findall(pattern)
    if not _PLACE.sub("", pattern).strip(" .,:;"):
        raise InputError(at, "nothing but places in braces", "some words beside them")
    if len(set(places)) < len(places) or "}{" in pattern:
        raise InputError(at, "a place that stands twice, or two side by side", "places of different names, apart")
    if len(places) > MOST_PLACES:
        raise InputError(at, f"{len(places)} places", f"at most {MOST_PLACES}")
    unknown = set(_PLACE.findall(sentence)) - set(places)
    if unknown:
        raise InputError(at, f"the place {{{min(unknown)}}}", "only places of the pattern")
