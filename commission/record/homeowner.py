"""Page one: for the homeowner, in plain words, every technical one explained."""

from __future__ import annotations

import re
from collections.abc import Iterable

from commission.diagnosis import RULES
from commission.model.show import number
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.record.findings_told import CAUSES, Told, fate_told, merged, plain, takes
from commission.record.outcomes import says
from commission.record.seats_told import seat_figures, seat_sentences
from commission.record.telling import FOUND, Telling, has_round, measured, only_found, sentence
from commission.steps.handover import SettingChange, not_measured_again, not_typed_in, setting_changes


def summary_section(telling: Telling, found: tuple[Told, ...]) -> Section:
    """Page one."""
    ident = telling.id("summary")
    alone = only_found(telling)
    parts = [
        _earlier(telling),
        _wrong(telling, found, alone),
        _done(telling, found, alone),
        _seats(telling),
        _remains(telling, found, alone),
    ]
    sections = [part for part in parts if part is not None]
    intro: list[Block] = [Paragraph(text=_intro(telling, alone), kind="lead")]
    words = _glossary(telling, intro, sections)
    if words is not None:
        sections.append(words)
    return Section(id=ident, title=telling.say("summary.title"), blocks=tuple(intro), sections=tuple(sections))


def _intro(telling: Telling, alone: bool) -> str:
    system = telling.job.system
    readings, responses = measured(telling.job)
    counts = {"loudspeakers": telling.say("summary.loudspeakers", len(system.channels)),
              "seats": telling.say("summary.seat_count", len(system.seats))}  # fmt: skip
    if not system.channels:
        return telling.say("summary.intro_empty")
    if not readings and not responses:
        return telling.say("summary.intro_nothing", **counts)
    if alone or telling.after is None:
        return telling.say("summary.intro_alone", **counts)
    again = any(reading.body.round == telling.after for reading in telling.job.readings)
    again = again or bool(telling.job.responses_of(telling.after))
    return telling.say("summary.intro" if again else "summary.intro_not_again", **counts)


def _earlier(telling: Telling) -> Section | None:
    """What has changed since the visit that this one returns to."""
    earlier = telling.job.earlier
    if earlier is None:
        return None
    # The first round that tells: nothing was changed yet then.
    told = [
        telling.outcome("drift", r)
        for r in telling.job.rounds
        if any(step.id == "drift" for step in telling.visit.steps)
    ]
    outcome = next((each for each in told if says(each)), None)
    if outcome is None:
        text = telling.say("earlier.nothing")
    elif outcome.stands_out:
        text = telling.say("earlier.changed", what=sentence(telling.told(outcome.stands_out)))
    else:
        text = telling.say("earlier.same")
    title = telling.say("earlier.short_title", when=telling.date(earlier.closed_at))
    return Section(id=telling.id("summary", "earlier"), title=title, blocks=(Paragraph(text=text),))


def _wrong(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What was wrong, by cause."""
    ident = telling.id("summary", "wrong")
    title = telling.say("summary.wrong_now" if alone else "summary.wrong")
    if not any(
        says(telling.outcome(step.id, FOUND)) and step.entry in ("readings", "responses")
        for step in telling.visit.steps
    ):
        return Section(id=ident, title=title, blocks=(Paragraph(text=telling.say("summary.not_examined")),))
    blocks: list[Block] = []
    for cause in CAUSES:
        own = merged(telling, (told for told in found if told.first.cause == cause))
        if own:
            items = tuple(_wrong_item(telling, told) for told in own)
            blocks += [Paragraph(text=telling.say(f"causes.{cause}_plain")), Bullets(items=items)]
    rest = [cause for cause in CAUSES if not any(told.first.cause == cause for told in found)]
    for key, causes in (
        ("nothing_wrong", [cause for cause in rest if _judged(telling, cause)]),
        ("not_judged", [cause for cause in rest if not _judged(telling, cause)]),
    ):
        if causes:
            names = "; ".join(telling.say(f"causes.{cause}_in") for cause in causes)
            blocks.append(Paragraph(text=telling.say(f"summary.{key}", causes=names)))
    return Section(id=ident, title=title, blocks=tuple(blocks))


def _judged(telling: Telling, cause: str) -> bool:
    """Whether every step that rules of this cause rest on holds something in some round: else silence proves nothing."""
    needed = {rule.step for rule in RULES if rule.cause == cause}
    done = {step.id for step in telling.visit.steps for r in telling.job.rounds if telling.outcome(step.id, r).done}
    return needed <= done and bool(telling.job.responses or cause == "settings")


def _wrong_item(telling: Telling, told: Told) -> str:
    """What was wrong is over only where it is not seen any more; a visit that changed nothing says what it would take."""
    said = plain(telling, told.first, "is" if told.fate in ("", "new") else "was")
    if not told.fate and (effort := takes(telling, told.first)):
        return telling.say("remains.takes", what=said, effort=sentence(effort))
    return f"{said} {fate_told(telling, told.fate)}".strip()


def _done(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What was done: faults mended, settings changed, measurements made."""
    readings, responses = measured(telling.job)
    items = []
    if alone:
        if not readings and not responses:
            return None
        items.append(telling.say("done.nothing_changed"))
    mended = [told for told in found if told.fate == "mended"]
    wiring = sum(told.first.cause == "electronics" for told in mended)
    if wiring:
        items.append(telling.say("done.wiring", wiring))
    if not alone:
        items += _settings_done(telling, setting_changes(telling.job))
        if not items:
            items.append(telling.say("done.no_settings"))
    counts = [
        telling.say(f"done.{key}", count)
        for key, count in (("readings", readings), ("responses", responses))
        if count
    ]
    if counts:
        items.append(telling.say("done.measured", what=telling.listed(counts)))
    return Section(
        id=telling.id("summary", "done"), title=telling.say("summary.done"), blocks=(Bullets(items=tuple(items)),)
    )


def _settings_done(telling: Telling, changes: Iterable[SettingChange]) -> list[str]:
    changes = tuple(changes)
    total, items = len(changes), []
    both = [(c.trim_found_db, c.trim_left_db) for c in changes]
    trims = [abs(b - a) for a, b in both if a is not None and b is not None and a != b]
    if trims:
        items.append(telling.say("done.trims", len(trims), all=total, most=number(max(trims), 1)))
    delays = sum(c.distance_left is not None and c.distance_found is not None and c.distance_left != c.distance_found
                 for c in changes)  # fmt: skip
    if delays:
        items.append(telling.say("done.delays", delays, all=total))
    turned = [c.channel for c in changes
              if None not in (c.polarity_found, c.polarity_left) and c.polarity_found != c.polarity_left]  # fmt: skip
    if turned:
        items.append(telling.say("done.polarity", channels=telling.channel_names(turned)))
    fresh = sum(
        c.noted and (c.trim_found_db, c.distance_found, c.polarity_found) == (None, None, None) for c in changes
    )
    if fresh:
        items.append(telling.say("done.first_noted", fresh, all=total))
    return items


def _seats(telling: Telling) -> Section | None:
    """How much better each seat is, or how it is today."""
    job, ident = telling.job, telling.id("summary", "seats")
    again = telling.after is None or bool(job.responses_of(telling.after))
    if not job.responses or not job.system.seats or not again:
        if telling.after is None or not measured(job)[0] + len(job.responses):
            return None
        text = telling.say("seats.not_again" if job.responses else "seats.no_responses")
        return Section(id=ident, title=telling.say("seats.title"), blocks=(Paragraph(text=text),))
    title = telling.say("seats.title_today" if telling.after is None else "seats.title")
    remarks = [telling.say("seats.meaning")]
    sentences = seat_sentences(telling)
    if telling.after is not None and any(telling.say("seats.word.same") in text for text in sentences):
        remarks.append(telling.say("seats.meaning_change"))
    if any(
        each.kind == "bass" and (each.before or each.now) for own in seat_figures(telling).values() for each in own
    ):
        remarks.append(telling.say("seats.meaning_bass"))
    if len(telling.job.system.seats) > 1:
        remarks.append(telling.say("seats.geometry"))
    blocks = (Bullets(items=sentences), Paragraph(text=" ".join(remarks), kind="note"))
    return Section(id=ident, title=title, blocks=blocks)


def _remains(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What remains and what it would take."""
    items = [] if alone else [_open_item(telling, told) for told in merged(telling, found) if told.open]
    last = telling.after if telling.after is not None and has_round(telling.job, telling.after) else FOUND
    not_done, part = [], []
    for step in telling.visit.steps:
        outcomes = [telling.outcome(step.id, round_id) for round_id in telling.job.rounds]
        if step.entry == "none":
            continue
        if not any(says(outcome) for outcome in outcomes):
            not_done.append(telling.told(step.title))
        elif step.entry != "form" and 0 < (outcome := telling.outcome(step.id, last)).done < outcome.total:
            part.append(
                telling.say("remains.part", step=telling.told(step.title), done=outcome.done, all=outcome.total)
            )
    items += part
    if not_done:
        items.append(telling.say("remains.not_done", steps=telling.listed(not_done)))
    if not alone:
        items += [sentence(telling.told(text)) for text in not_measured_again(telling.job)]
        untyped = not_typed_in(telling.job)
        if untyped:
            items.append(telling.say("remains.not_ticked", len(untyped), all=len(telling.job.system.channels)))
    title = telling.say("remains.title_now" if alone else "remains.title")
    ident = telling.id("summary", "remains")
    if not items and alone:
        return None
    if not items:
        return Section(id=ident, title=title, blocks=(Paragraph(text=telling.say("remains.nothing")),))
    return Section(id=ident, title=title, blocks=(Bullets(items=tuple(items)),))


def _open_item(telling: Telling, told: Told) -> str:
    finding = told.now or told.first
    effort = takes(telling, finding)
    if told.now is not None:
        said = plain(telling, finding, "is")
        return telling.say("remains.takes", what=said, effort=sentence(effort)) if effort else said
    said = f"{plain(telling, finding, 'was')} {fate_told(telling, told.fate)}"
    return telling.say("remains.again", what=said, effort=sentence(effort)) if effort else said


def _glossary(telling: Telling, intro: Iterable[Block], sections: Iterable[Section]) -> Section | None:
    """The technical words that page one uses, each with what it means."""
    text = " ".join(_texts(intro, sections))
    keys = sorted({key.split(".")[1] for key in telling.words.sentences if key.startswith("glossary.")})
    pairs = []
    for key in keys:
        marks = telling.say(f"glossary.{key}.match").split("|")
        if any(re.search(rf"(?<!\w){re.escape(mark)}(?!\w)", text, re.IGNORECASE) for mark in marks if mark):
            pairs.append((telling.say(f"glossary.{key}.term"), telling.say(f"glossary.{key}.means")))
    if not pairs:
        return None
    pairs.sort(key=lambda pair: pair[0].lower())
    ident = telling.id("summary", "words")
    # Running text: a table of its own would push page one onto a second page.
    said = "; ".join(f"{word}: {meaning}" for word, meaning in pairs)
    return Section(id=ident, title=telling.say("summary.words"), blocks=(Paragraph(text=f"{said}.", kind="note"),))


def _texts(blocks: Iterable[Block], sections: Iterable[Section]) -> Iterable[str]:
    for block in blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items
    for section in sections:
        yield section.title
        yield from _texts(section.blocks, section.sections)
