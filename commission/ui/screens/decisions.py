"""Dialogs of every step's screen other than readings: a decision, a note, a signature."""

from __future__ import annotations

from collections.abc import Callable
from typing import Literal

from commission.model import Choice, Decided, InputError, Noted, Signed, Step
from commission.model.units import clean_text
from commission.steps.handover import signatures
from commission.ui.screens.base import VisitScreen
from commission.ui.screens.dialogs import AskText, Choose

OTHER = "\x00other"
"""Value of the option that asks for a text; no stored value has it."""
LONGEST_NAME = 40


def ask_decision(screen: VisitScreen, step: Step, choices: tuple[Choice, ...]) -> None:
    """Ask for a decision between the alternatives of a step; with several choices, first for the choice."""
    if len(choices) > 1:
        titles = [(choice.key, choice.title) for choice in choices]

        def ask(key: str | None) -> None:
            for choice in (each for each in choices if each.key == key):
                decide(screen, step, choice)

        screen.app.push_screen(Choose("Decide what?", titles), ask)
    elif choices:
        decide(screen, step, choices[0])


def decide(screen: VisitScreen, step: Step, choice: Choice, then: Callable[[], None] | None = None) -> None:
    """Ask for one decision, and for the note that some answers need; `then` is called after storing."""

    def store(value: str | None) -> None:
        if value == OTHER:
            screen.app.push_screen(AskText(choice.title, choice.other, check=_check_name), store_name)
            return
        stored = value is not None and (
            value == choice.current
            or screen.store(Decided(round=screen.round_id, step=step.id, key=choice.key, value=value))
        )
        if stored and then is not None:
            then()
        if stored and value in choice.note_values:
            ask_note(screen, step, about=choice.title)

    def store_name(text: str | None) -> None:
        if text is not None:
            store(clean_text(text).strip())

    other = ((OTHER, choice.other),) if choice.other else ()
    screen.app.push_screen(Choose(choice.title, (*choice.options, *other), choice.current), store)


def _check_name(text: str) -> None:
    name = clean_text(text).strip()
    if not 0 < len(name) <= LONGEST_NAME or ":" in name:
        raise InputError("name", f"“{name[:20]}”", f"1 to {LONGEST_NAME} characters without a colon")


def ask_note(screen: VisitScreen, step: Step, about: str = "") -> None:
    """Ask for a note on a step; `about` precedes it."""

    def store(text: str | None) -> None:
        if text and text.strip():
            sentence = clean_text(f"{about}: {text.strip()}" if about else text.strip())
            if screen.store(Noted(step=step.id, round=screen.round_id, text=sentence)):
                screen.notify(f"Noted on {step.title}.")

    screen.app.push_screen(AskText(f"Note on {about or step.title}", "goes into the log and the record"), store)


def ask_signature(screen: VisitScreen) -> None:
    """Ask for the signature of technician or client."""

    def sign(role: str | None) -> None:
        if role is not None:
            _sign(screen, "technician" if role == "technician" else "client")

    options = [("technician", "technician: these readings and settings are mine"), ("client", "client: received")]
    signed = signatures(screen.visit.job)
    open_role = next((role for role, _ in options if role not in signed), None)
    screen.app.push_screen(Choose("Sign as", options, open_role), sign)


def _sign(screen: VisitScreen, role: Literal["technician", "client"]) -> None:
    system = screen.visit.job.system

    def store(name: str | None) -> None:
        if name is not None:
            screen.store(Signed(role=role, name=clean_text(name.strip())))

    known = system.technician if role == "technician" else system.client
    screen.app.push_screen(
        AskText(f"Name of the {role}", "goes into the log and the record", known, _named, enter="signs"), store
    )


def _named(text: str) -> None:
    if not clean_text(text).strip():
        raise InputError("name", "nothing", "the name of the person who signs")
