"""The text of `--help`: every command and option, within the 80 columns of a plain terminal."""

from __future__ import annotations

import argparse

import pytest

from commission.cli import EXIT_DONE, EXIT_NO, EXIT_USAGE
from commission.cli.commands import COMMANDS
from commission.cli.parser import build_parser
from commission.services import RECORD_OPTIONS


def parsers() -> dict[str, argparse.ArgumentParser]:
    (choices,) = (each.choices for each in build_parser()._actions if each.dest == "command")
    assert isinstance(choices, dict)
    return {"": build_parser(), **choices}


def test_every_command_has_its_help() -> None:
    assert set(parsers()) == {"", *COMMANDS}


@pytest.mark.parametrize("name", ["", *COMMANDS])
def test_help_is_complete_and_fits(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    parser = parsers()[name]
    text = parser.format_help()
    assert max(len(line) for line in text.splitlines()) <= 80
    assert text.startswith(f"usage: commission {name}".rstrip())
    assert all(each.help for each in parser._actions if each.dest != "command"), name


def test_help_lists_the_exit_codes(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("COLUMNS", "80")
    reported = parsers()[""].format_help().split("exit codes:")[1]
    assert [line.split()[0] for line in reported.splitlines() if line[:3].strip().isdigit()] == [
        str(code) for code in (EXIT_DONE, EXIT_NO, EXIT_USAGE)
    ]


def test_options_of_a_record_name_the_extensions_that_take_them(monkeypatch: pytest.MonkeyPatch) -> None:
    """Listed in the order of the extensions, so that the text cannot differ from what is refused."""
    monkeypatch.setenv("COLUMNS", "200")
    helps = {each.dest: str(each.help) for each in parsers()["record"]._actions}
    for ending, options in RECORD_OPTIONS.items():
        assert ending in helps["output"]
        for option in ("paper", "letterhead", "round"):
            assert (ending in helps[option].split(":")[0]) == (option in options), (option, ending)
