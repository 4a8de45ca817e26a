"""Page one: for the homeowner, in plain words, every technical one explained."""

from __future__ import annotations

import re
from collections.abc import Iterable

from commission.diagnosis import RULES
from commission.model import AS_LEFT, Finding, Outcome, Step, Verdict
from commission.model.show import number
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.record.drift_told import earlier_section
from commission.record.findings_told import CAUSES, Told, fate_told, hidden, merged, plain, takes
from commission.record.outcomes import says
from commission.record.seats_told import bass_band, compared_mains, seat_figures, seat_sentences, tone_words
from commission.record.telling import FOUND, Telling, mains, measured, measured_in, only_found, sentence
from commission.steps.handover import SettingChange, not_again, not_typed_in, setting_changes


def summary_section(telling: Telling, found: tuple[Told, ...]) -> Section:
    """Page one."""
    ident = telling.id("summary")
    alone = only_found(telling)
    parts = [
        earlier_section(telling),
        _wrong(telling, found, alone),
        _done(telling, found, alone),
        _seats(telling),
        _remains(telling, found, alone),
    ]
    sections = [part for part in parts if part is not None]
    intro: list[Block] = [Paragraph(text=_intro(telling, alone), kind="lead")]
    if any(response.body.source == "rehearsal" for response in telling.job.responses):
        intro.insert(0, Paragraph(text=telling.say("summary.practice"), kind="missing"))
    words = _glossary(telling, intro, sections)
    if words is not None:
        sections.append(words)
    return Section(id=ident, title=telling.say("summary.title"), blocks=tuple(intro), sections=tuple(sections))


def _intro(telling: Telling, alone: bool) -> str:
    system = telling.job.system
    readings, responses = measured(telling.job)
    counts = {
        "loudspeakers": telling.say("summary.loudspeakers", len(system.channels)),
        "seats": telling.say("summary.seat_count", len(system.seats)),
    }
    if not system.channels:
        return telling.say("summary.intro_empty")
    if not readings and not responses:
        return telling.say("summary.intro_nothing", **counts)
    if alone or telling.after is None:
        return telling.say("summary.intro_alone", **counts)
    first, again = any(measured_in(telling.job, FOUND)), any(measured_in(telling.job, telling.after))
    if not again:
        return telling.say("summary.intro_not_again", **counts)
    if not first:
        left = telling.after == AS_LEFT
        return telling.say("summary.intro_only_left" if left else "summary.intro_alone", **counts)
    if telling.after != AS_LEFT:
        return telling.say("summary.intro_between", round=telling.round(telling.after), **counts)
    missing, lost, _, _ = not_again(telling.job)
    return telling.say("summary.intro_part" if missing or lost else "summary.intro", **counts)


def _wrong(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What was wrong, by cause."""
    ident = telling.id("summary", "wrong")
    title = telling.say("summary.wrong_now" if alone else "summary.wrong")
    if not found and not any(
        says(telling.outcome(step.id, FOUND)) and step.entry in ("readings", "responses")
        for step in telling.visit.steps
    ):
        nothing = telling.say("summary.not_examined_now" if alone else "summary.not_examined")
        return Section(id=ident, title=title, blocks=(Paragraph(text=nothing),))
    blocks: list[Block] = []
    for cause in CAUSES:
        own = merged(telling, (told for told in found if told.first.cause == cause and told.fate != "new"))
        if own:
            items = tuple(_wrong_item(telling, told) for told in own)
            blocks += [Paragraph(text=telling.say(f"causes.{cause}_plain")), Bullets(items=items)]
    new = merged(telling, (told for told in found if told.fate == "new"))
    if new:
        items = tuple(plain(telling, told.first, "is") for told in new)
        blocks += [Paragraph(text=telling.say("summary.new")), Bullets(items=items)]
    said: dict[str, list[str]] = {}
    for cause in CAUSES:
        if not any(told.first.cause == cause and _of_the_cinema(told) for told in found):
            said.setdefault(_judged(telling, cause), []).append(cause)
    for key, causes in said.items():
        names = "; ".join(telling.say(f"causes.{cause}_in") for cause in causes)
        blocks.append(Paragraph(text=telling.say(f"summary.{key}", causes=names)))
    return Section(id=ident, title=title, blocks=tuple(blocks))


def _of_the_cinema(told: Told) -> bool:
    """Whether a finding is a fault of the cinema: those of the measurement itself are listed with a cause, and are none."""
    return not told.first.id.startswith("measurement.")


def _judged(telling: Telling, cause: str) -> str:
    """What the silence of a cause is worth: no fault, none as far as it was tested, not judged yet, or not judged.

    A rule is silent for good reason only where the checks that it rests on were judged, and none of its kind is judged
    where other faults spoil what was measured.
    """
    rules = [rule for rule in RULES if rule.cause == cause and not rule.id.startswith("measurement.")]
    rounds = [r for r in (FOUND, telling.after) if r is not None]
    needed = {rule.check for rule in rules}
    spoilt = {r for r in rounds if hidden(telling, cause, telling.visit.findings(r))}
    outcomes = [telling.outcome(step.id, r) for step in telling.visit.steps for r in rounds if r not in spoilt]
    judged = _judged_checks(outcomes)
    if not needed & judged:
        behind = _judged_checks(telling.outcome(step.id, r) for step in telling.visit.steps for r in spoilt)
        return "not_yet" if needed & behind else "not_judged"
    whole = all(
        any(o.state == "done" for o in outcomes if o.step == step_id) for step_id in {rule.step for rule in rules}
    )
    return "nothing_wrong" if needed <= judged and whole else "nothing_wrong_part"


def _judged_checks(outcomes: Iterable[Outcome]) -> set[str]:
    return {check.id for outcome in outcomes for check in outcome.checks if check.verdict is not Verdict.NOT_TESTED}


def _effort(telling: Telling, finding: Finding) -> str:
    """What it would take, with the caution where hands go to loudspeakers overhead."""
    system = telling.job.system
    high = any(
        (channel := system.channel(each)) is not None and channel.role == "height" for each in finding.channels
    )
    effort = takes(telling, finding)
    if effort and high and finding.cause == "electronics":
        return f"{sentence(effort)} {telling.say('remains.overhead')}"
    return effort


_SEEN_LATE = ("first seen", "hidden at first")


def _wrong_item(telling: Telling, told: Told) -> str:
    """What was wrong is over only where it is not seen any more; a visit that changed nothing says what it would take."""
    said = plain(telling, told.first, "is" if not told.fate or told.fate in _SEEN_LATE else "was")
    if not told.fate and (effort := _effort(telling, told.first)):
        return telling.say("remains.takes", what=said, effort=sentence(effort))
    return f"{said} {fate_told(telling, told)}".strip()


def _done(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What was done: faults mended, settings changed, measurements made."""
    readings, responses = measured(telling.job)
    items = []
    if alone and not readings and not responses:
        return None
    mended = [told for told in found if told.fate == "mended"]
    wiring = sum(told.first.cause == "electronics" and _of_the_cinema(told) for told in mended)
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
    delays = sum(
        c.distance_left is not None and c.distance_found is not None and c.distance_left != c.distance_found
        for c in changes
    )
    if delays:
        items.append(telling.say("done.delays", delays, all=total))
    turned = [
        c.channel
        for c in changes
        if None not in (c.polarity_found, c.polarity_left) and c.polarity_found != c.polarity_left
    ]
    if turned:
        items.append(telling.say("done.polarity", channels=telling.channel_names(turned)))
    fresh = sum(
        c.noted and (c.trim_found_db, c.distance_found, c.polarity_found) == (None, None, None) for c in changes
    )
    if fresh:
        items.append(telling.say("done.first_noted", fresh, all=total))
    return items


def _seats(telling: Telling) -> Section | None:
    """What became of each seat, or how it is today."""
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
    told = {f.kind for own in seat_figures(telling).values() for f in own if (f.before, f.now) != (None, None)}
    counted, everyone = compared_mains(telling), len(mains(job))
    if 0 < counted < everyone and "loudness" in told:
        remarks.append(telling.say("seats.only_some", count=counted, all=everyone))
    if telling.after is not None and any(telling.say("seats.word.same") in text for text in sentences):
        remarks.append(telling.say("seats.meaning_change"))
    if "bass" in told:
        remarks.append(telling.say("seats.meaning_bass", band=bass_band(job)))
    better, worse, count = tone_words(telling)
    if count:
        remarks.append(telling.say("seats.tone", better=better, worse=worse, all=count))
    if len(telling.job.system.seats) > 1:
        remarks.append(telling.say("seats.geometry"))
    blocks = (Bullets(items=sentences), Paragraph(text=" ".join(remarks), kind="note"))
    return Section(id=ident, title=title, blocks=blocks)


def _remains(telling: Telling, found: tuple[Told, ...], alone: bool) -> Section | None:
    """What remains and what it would take."""
    items = [] if alone else [_open_item(telling, told) for told in merged(telling, found) if told.open]
    last = FOUND if alone or telling.after is None else telling.after
    not_done, part = [], []
    for step in telling.visit.steps:
        outcomes = [telling.outcome(step.id, round_id) for round_id in telling.job.rounds]
        if step.entry == "none":
            continue
        if not any(says(outcome) for outcome in outcomes):
            not_done.append(_plain_step(telling, step))
        elif step.entry != "form" and 0 < (outcome := telling.outcome(step.id, last)).done < outcome.total:
            part.append(
                telling.say("remains.part", step=_plain_step(telling, step), done=outcome.done, all=outcome.total)
            )
    items += part
    if not_done:
        items.append(telling.say("remains.not_done", steps=telling.listed(not_done)))
    if not alone:
        items += _not_again(telling)
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


def _plain_step(telling: Telling, step: Step) -> str:
    """A step as the homeowner may know it."""
    key = f"plain_steps.{step.id}"
    return telling.say(key) if telling.words.has(key) else telling.told(step.title)


def _not_again(telling: Telling) -> list[str]:
    """What was measured at first and not at the end, where anything was measured at the end."""
    if telling.after is None or not any(measured_in(telling.job, telling.after)):
        return []  # said at the top already
    unread, lost, heard, channels = not_again(telling.job)
    items = [telling.say("remains.not_read", channels=telling.channel_names(unread))] if unread else []
    if lost:
        names = telling.channel_names(channels)
        items.append(telling.say("remains.not_recorded", count=lost, all=heard, channels=names))
    return items


def _open_item(telling: Telling, told: Told) -> str:
    finding = told.now or told.first
    effort = _effort(telling, finding)
    if told.now is not None:
        said = plain(telling, finding, "is")
        return telling.say("remains.takes", what=said, effort=sentence(effort)) if effort else said
    said = f"{plain(telling, finding, 'was')} {fate_told(telling, told)}"
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
