"""Page one: for the homeowner, in plain words, every technical one explained."""

from __future__ import annotations

import re
from collections.abc import Iterable

from commission.diagnosis import RULES
from commission.model import AS_LEFT, Cause, Finding, Outcome, Step, Verdict
from commission.model.show import number
from commission.model.units import clean_text, counted
from commission.record.content.context import FOUND, Context, mains, measured, measured_in, only_found, sentence
from commission.record.content.earlier_visit import earlier_section
from commission.record.content.findings import CAUSES, TrackedFinding, fate_sentence, hidden, merged, plain, takes
from commission.record.content.seats import bass_band, compared_mains, seat_figures, seat_sentences, tone_counts
from commission.record.content.steps import says
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.steps.handover import SettingChange, not_again, not_typed_in, setting_changes

CAUSE_HEADINGS: dict[Cause, str] = {
    "electronics": "Equipment and wiring:",
    "settings": "Settings of the processor:",
    "room": "The room itself:",
}
CAUSE_NAMES: dict[Cause, str] = {
    "electronics": "equipment and wiring",
    "settings": "the settings",
    "room": "the room",
}
NO_FAULT = "The measurements showed no fault in"
NO_FAULT_IN_PART = "As far as it was tested, which was not everything, no fault showed in"
NOT_JUDGED = "Too little was measured to judge"
NOT_YET = "Not to be judged before the rest is put right"
THE_REST = "the rest is for whoever works on it next."
OVERHEAD = "What hangs overhead is for a licensed trade."
PLAIN_STEPS = {
    "layout": "Layout (where everything stands)",
    "levels": "Levels (how loud each loudspeaker is)",
    "distances": "Distances (when each loudspeaker is heard)",
    "seats": "Seats (what is heard at each seat)",
}
"""How the homeowner may know a step, by its id; others are named by their title."""
GLOSSARY = (
    ("dB", "dB (decibel)", "the step of loudness: 1 dB is barely heard, 10 dB is about twice as loud"),
    ("ms", "ms (millisecond)", "a thousandth of a second; sound goes 34 cm (a little over a foot) in it"),
    ("nulls?", "null", "a place where sound waves cancel each other, so that a tone is missing there"),
    ("polarity", "polarity", "whether a loudspeaker pushes first, as it should, or pulls first"),
    ("processor", "processor", "the device that sends each loudspeaker its part of the sound"),
    ("reference seat", "reference seat", "the seat for which timing and loudness are set exactly"),
    ("subwoofers?", "subwoofer", "a loudspeaker for the deepest tones only"),
    ("trims?", "trim", "the loudness set for one loudspeaker in the processor"),
)
"""Technical words: a pattern that finds them on the page, how they are listed, what they mean."""


def summary_section(context: Context, found: tuple[TrackedFinding, ...]) -> Section:
    """Page one."""
    ident = context.id("summary")
    alone = only_found(context)
    parts = [
        earlier_section(context),
        _wrong(context, found, alone),
        _done(context, found, alone),
        _seats(context),
        _remains(context, found, alone),
    ]
    sections = [part for part in parts if part is not None]
    intro: list[Block] = [Paragraph(text=_intro(context, alone), kind="lead")]
    if any(response.body.source == "rehearsal" for response in context.job.responses):
        intro.insert(
            0,
            Paragraph(
                text="Practice: these measurements are of a simulated room, and of no real cinema.", kind="missing"
            ),
        )
    words = _glossary(context, intro, sections)
    if words is not None:
        sections.append(words)
    return Section(id=ident, title="In plain words", blocks=tuple(intro), sections=tuple(sections))


def _intro(context: Context, alone: bool) -> str:
    system = context.job.system
    readings, responses = measured(context.job)
    loudspeakers, places = counted(len(system.channels), "loudspeaker"), counted(len(system.seats), "seat")
    if not system.channels:
        return "Nothing is known of this cinema yet: this record holds what was noted, and nothing is judged."
    if not readings and not responses:
        return (
            f"This record is of a cinema with {loudspeakers} and {places}. Nothing has been measured yet: it holds what "
            "was noted, and nothing is judged."
        )
    return f"Your cinema, {loudspeakers} and {places}, was measured {_when_measured(context, alone)} {THE_REST}"


def _when_measured(context: Context, alone: bool) -> str:
    """What "was measured" means in this visit."""
    what_was_found = "This page tells in plain words what was found;"
    what_came_of_it = "This page tells in plain words what came of it;"
    standing = f"as it stands; no change is noted. {what_was_found}"
    if alone or context.after is None:
        return standing
    first, again = any(measured_in(context.job, FOUND)), any(measured_in(context.job, context.after))
    if not again:
        return (
            "as it was found. Settings are noted as it was left, but it was not measured again after that. "
            f"{what_came_of_it}"
        )
    if not first and context.after == AS_LEFT:
        return f"as it was left, but not as it was found: what has changed is not known. {what_was_found}"
    if not first:
        return standing
    if context.after != AS_LEFT:
        return (
            f"as it was found and again in between ({context.round(context.after)}), but not as it was left. "
            f"{what_came_of_it}"
        )
    missing, lost, _, _ = not_again(context.job)
    if missing or lost:
        return f"as it was found and, in part, again as it was left. {what_came_of_it}"
    return f"as it was found and again as it was left. {what_came_of_it}"


def _wrong(context: Context, found: tuple[TrackedFinding, ...], alone: bool) -> Section | None:
    """What was wrong, by cause."""
    ident = context.id("summary", "wrong")
    title = "What is wrong" if alone else "What was wrong"
    if not found and not any(
        says(context.outcome(step.id, FOUND)) and step.entry in ("readings", "responses")
        for step in context.visit.steps
    ):
        nothing = f"Nothing was measured{'' if alone else ' as it was found'}, so nothing can be said about it."
        return Section(id=ident, title=title, blocks=(Paragraph(text=nothing),))
    blocks: list[Block] = []
    for cause in CAUSES:
        own = merged(tracked for tracked in found if tracked.first.cause == cause and tracked.fate != "new")
        if own:
            items = tuple(_wrong_item(context, tracked) for tracked in own)
            blocks += [Paragraph(text=CAUSE_HEADINGS[cause]), Bullets(items=items)]
    new = merged(tracked for tracked in found if tracked.fate == "new")
    if new:
        items = tuple(plain(context, tracked.first, "now") for tracked in new)
        blocks += [Paragraph(text="Not there when the visit began, but at its end:"), Bullets(items=items)]
    said: dict[str, list[Cause]] = {}
    for cause in CAUSES:
        if not any(tracked.first.cause == cause and _of_the_cinema(tracked) for tracked in found):
            said.setdefault(_judged(context, cause), []).append(cause)
    for key, causes in said.items():
        names = "; ".join(CAUSE_NAMES[cause] for cause in causes)
        blocks.append(Paragraph(text=f"{key}: {names}."))
    return Section(id=ident, title=title, blocks=tuple(blocks))


def _of_the_cinema(tracked: TrackedFinding) -> bool:
    """Whether a finding is a fault of the cinema: those of the measurement itself are listed with a cause, and are none."""
    return not tracked.first.id.startswith("measurement.")


def _judged(context: Context, cause: str) -> str:
    """What the silence of a cause is worth: no fault, none as far as it was tested, not judged yet, or not judged.

    A rule is silent for good reason only where the checks that it rests on were judged, and none of its kind is judged
    where other faults spoil what was measured.
    """
    rules = [rule for rule in RULES if rule.cause == cause and not rule.id.startswith("measurement.")]
    rounds = [r for r in (FOUND, context.after) if r is not None]
    needed = {rule.check for rule in rules}
    spoilt = {r for r in rounds if hidden(context, cause, context.visit.findings(r))}
    outcomes = [context.outcome(step.id, r) for step in context.visit.steps for r in rounds if r not in spoilt]
    judged = _judged_checks(outcomes)
    if not needed & judged:
        behind = _judged_checks(context.outcome(step.id, r) for step in context.visit.steps for r in spoilt)
        return NOT_YET if needed & behind else NOT_JUDGED
    whole = all(
        any(o.state == "done" for o in outcomes if o.step == step_id) for step_id in {rule.step for rule in rules}
    )
    return NO_FAULT if needed <= judged and whole else NO_FAULT_IN_PART


def _judged_checks(outcomes: Iterable[Outcome]) -> set[str]:
    return {check.id for outcome in outcomes for check in outcome.checks if check.verdict is not Verdict.NOT_TESTED}


def _effort(context: Context, finding: Finding) -> str:
    """What it would take, with the caution where hands go to loudspeakers overhead."""
    system = context.job.system
    high = any(
        (channel := system.channel(each)) is not None and channel.role == "height" for each in finding.channels
    )
    effort = takes(context, finding)
    if effort and high and finding.cause == "electronics":
        return f"{sentence(effort)} {OVERHEAD}"
    return effort


_SEEN_LATE = ("first seen", "hidden at first")


def _wrong_item(context: Context, tracked: TrackedFinding) -> str:
    """What was wrong is over only where it is not seen any more; a visit that changed nothing says what it would take."""
    said = plain(context, tracked.first, "now" if not tracked.fate or tracked.fate in _SEEN_LATE else "was")
    if not tracked.fate and (effort := _effort(context, tracked.first)):
        return f"{said} What it would take: {sentence(effort)}"
    return f"{said} {fate_sentence(context, tracked)}".strip()


def _done(context: Context, found: tuple[TrackedFinding, ...], alone: bool) -> Section | None:
    """What was done: faults mended, settings changed, measurements made."""
    readings, responses = measured(context.job)
    items = []
    if alone and not readings and not responses:
        return None
    mended = [tracked for tracked in found if tracked.fate == "mended"]
    wiring = sum(tracked.first.cause == "electronics" and _of_the_cinema(tracked) for tracked in mended)
    if wiring:
        items.append(
            "One fault of the equipment or its wiring was put right, and measured again."
            if wiring == 1
            else f"{wiring} faults of the equipment or its wiring were put right, and measured again."
        )
    if not alone:
        items += _settings_done(context, setting_changes(context.job))
        if not items:
            items.append("No change of a setting is noted.")
    counts = []
    if readings:
        counts.append("one reading by hand" if readings == 1 else f"{readings} readings by hand")
    if responses:
        several = f"{responses} recordings of a test sound, seat by seat"
        counts.append("one recording of a test sound at a seat" if responses == 1 else several)
    if counts:
        items.append(f"Measured in all: {context.listed(counts)}.")
    return Section(id=context.id("summary", "done"), title="What was done", blocks=(Bullets(items=tuple(items)),))


def _settings_done(context: Context, changes: Iterable[SettingChange]) -> list[str]:
    changes = tuple(changes)
    total, items = len(changes), []
    both = [(c.trim_found_db, c.trim_left_db) for c in changes]
    trims = [abs(b - a) for a, b in both if a is not None and b is not None and a != b]
    if trims:
        items.append(
            f"Loudness set anew: {len(trims)} of {total} loudspeakers, by {'up to ' if trims[1:] else ''}"
            f"{number(max(trims), 1)} dB."
        )
    delays = sum(
        c.distance_left is not None and c.distance_found is not None and c.distance_left != c.distance_found
        for c in changes
    )
    if delays:
        items.append(f"Timing set anew: {delays} of {total} loudspeakers.")
    turned = [
        c.channel
        for c in changes
        if None not in (c.polarity_found, c.polarity_left) and c.polarity_found != c.polarity_left
    ]
    if turned:
        items.append(f"Polarity changed in the processor: {context.channel_names(turned)}.")
    fresh = sum(
        c.noted and (c.trim_found_db, c.distance_found, c.polarity_found) == (None, None, None) for c in changes
    )
    if fresh:
        items.append(f"Settings noted for the first time: {fresh} of {total} loudspeakers.")
    return items


def _seats(context: Context) -> Section | None:
    """What became of each seat, or how it is today."""
    job, ident = context.job, context.id("summary", "seats")
    again = context.after is None or bool(job.responses_of(context.after))
    if not job.responses or not job.system.seats or not again:
        if context.after is None or not measured(job)[0] + len(job.responses):
            return None
        how = "again" if job.responses else "one by one"
        text = f"The seats were not recorded {how}, so what changed at each of them is not known."
        return Section(id=ident, title="Each seat, before and after", blocks=(Paragraph(text=text),))
    title = "How each seat is served today" if context.after is None else "Each seat, before and after"
    remarks = [
        (
            "Loudness: loudest loudspeaker to softest. Timing: first sound to last. Both without subwoofers; "
            "the less, the better."
        )
    ]
    sentences = seat_sentences(context)
    tracked = {f.kind for own in seat_figures(context).values() for f in own if (f.before, f.now) != (None, None)}
    counted, everyone = compared_mains(context), len(mains(job))
    if 0 < counted < everyone and "loudness" in tracked:
        remarks.append(f"Loudness is of the {counted} of {everyone} loudspeakers that were recorded each time.")
    if context.after is not None and any("no real change" in text for text in sentences):
        remarks.append("“No real change” is less than can be measured.")
    if "bass" in tracked:
        remarks.append(f"Deep bass ({bass_band(job)} Hz): off the average of the seats.")
    better, worse, count = tone_counts(context)
    if count:
        remarks.append(f"Evenness of tone between seats: of {count} comparisons {better} better, {worse} worse.")
    if len(context.job.system.seats) > 1:
        remarks.append("Away from the reference seat one sits nearer to some loudspeakers; no setting cures that.")
    blocks = (Bullets(items=sentences), Paragraph(text=" ".join(remarks), kind="note"))
    return Section(id=ident, title=title, blocks=blocks)


def _remains(context: Context, found: tuple[TrackedFinding, ...], alone: bool) -> Section | None:
    """What remains and what it would take."""
    items = [] if alone else [_open_item(context, tracked) for tracked in merged(found) if tracked.open]
    last = FOUND if alone or context.after is None else context.after
    not_done, part = [], []
    for step in context.visit.steps:
        outcomes = [context.outcome(step.id, round_id) for round_id in context.job.rounds]
        if step.entry == "none":
            continue
        if not any(says(outcome) for outcome in outcomes):
            not_done.append(_plain_step(step))
        elif step.entry != "form" and 0 < (outcome := context.outcome(step.id, last)).done < outcome.total:
            part.append(f"{_plain_step(step)}: {outcome.done} of {outcome.total} done; the rest is not judged.")
    items += part
    if not_done:
        items.append(f"Not examined in this visit: {context.listed(not_done)}.")
    if not alone:
        items += _not_again(context)
        untyped = not_typed_in(context.job)
        if untyped:
            items.append(
                (
                    "One changed setting is noted, but not ticked off as typed in. What it would take: compare it "
                    "with what the processor shows."
                )
                if len(untyped) == 1
                else (
                    f"{len(untyped)} of {len(context.job.system.channels)} loudspeakers have changed settings that are "
                    "noted, but not ticked off as typed in. What it would take: compare them with what the processor "
                    "shows."
                )
            )
    title = "What is still open" if alone else "What remains, and what it would take"
    ident = context.id("summary", "remains")
    if not items and alone:
        return None
    if not items:
        return Section(id=ident, title=title, blocks=(Paragraph(text="Nothing of what was examined remains open."),))
    return Section(id=ident, title=title, blocks=(Bullets(items=tuple(items)),))


def _plain_step(step: Step) -> str:
    """A step as the homeowner may know it."""
    return PLAIN_STEPS.get(step.id) or clean_text(step.title)


def _not_again(context: Context) -> list[str]:
    """What was measured at first and not at the end, where anything was measured at the end."""
    if context.after is None or not any(measured_in(context.job, context.after)):
        return []  # said at the top already
    unread, lost, heard, channels = not_again(context.job)
    items = [f"Loudness was not read again: {context.channel_names(unread)}."] if unread else []
    if lost:
        names = context.channel_names(channels)
        items.append(f"{lost} of {heard} recordings at the seats were not made again: {names}.")
    return items


def _open_item(context: Context, tracked: TrackedFinding) -> str:
    finding = tracked.now or tracked.first
    effort = _effort(context, finding)
    if tracked.now is not None:
        said = plain(context, finding, "now")
        return f"{said} What it would take: {sentence(effort)}" if effort else said
    said = f"{plain(context, finding, 'was')} {fate_sentence(context, tracked)}"
    return (
        f"{said} What it would take: measure it again and, where it is still so: {sentence(effort)}"
        if effort
        else said
    )


def _glossary(context: Context, intro: Iterable[Block], sections: Iterable[Section]) -> Section | None:
    """The technical words that page one uses, each with what it means."""
    text = " ".join(_texts(intro, sections))
    pairs = [
        (term, meaning)
        for pattern, term, meaning in GLOSSARY
        if re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text, re.IGNORECASE)
    ]
    if not pairs:
        return None
    ident = context.id("summary", "words")
    # Running text: a table of its own would push page one onto a second page.
    said = "; ".join(f"{word}: {meaning}" for word, meaning in pairs)
    return Section(id=ident, title="Words on this page", blocks=(Paragraph(text=f"{said}.", kind="note"),))


def _texts(blocks: Iterable[Block], sections: Iterable[Section]) -> Iterable[str]:
    for block in blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items
    for section in sections:
        yield section.title
        yield from _texts(section.blocks, section.sections)
