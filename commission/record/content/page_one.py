"""Page one, for the homeowner in plain words; every technical term is explained.

No sentence says more than was measured: "no longer found" needs a check that would show the fault, "repaired" an entry
in the log, "nothing remains" a visit in which nothing failed, was undecided, or was left out.
"""

from __future__ import annotations

import re
from collections.abc import Iterable

from commission.diagnosis.unexplained_checks import rules_of_cinema
from commission.dsp.variance import Word
from commission.model import AS_LEFT, Cause, Fate, Finding, FindingHistory, Outcome, Verdict
from commission.model.formatting import number
from commission.model.noise_states import CALIBRATOR, known_state
from commission.model.units import clean_text, counted
from commission.record.content.context import (
    FOUND,
    Context,
    capital,
    mains,
    measured,
    measured_in,
    only_found,
    sentence,
)
from commission.record.content.earlier_visit import earlier_section, quieter_since
from commission.record.content.findings import (
    CAUSES,
    description,
    hidden,
    is_improvement,
    merged,
    of_the_cinema,
    plain,
    status_sentences,
)
from commission.record.content.open_checks import (
    OpenKind,
    below_the_sides,
    counted_sentence,
    failed_sentences,
    level_of_dialogue,
    open_kinds,
)
from commission.record.content.plain_findings import INSTALLER, PLAIN_FINDINGS
from commission.record.content.seats import bass_band, compared_mains, seat_figures, seat_sentences, tone_counts
from commission.record.content.steps import says
from commission.record.document import Block, Bullets, Paragraph, Section
from commission.steps import dialogue
from commission.steps.handover import SettingChange, missing_repeats, not_typed_in, setting_changes

CAUSE_NAMES: dict[Cause, str] = {
    "electronics": "equipment and wiring",
    "settings": "the settings",
    "room": "the room",
}
NO_FAULT = "The measurements showed no fault in"
NO_FAULT_IN_PART = "Not everything was tested; the tests that were made showed no fault in"
NOT_JUDGED = "Too little was measured to say anything about"
NOT_YET = "Other faults must be repaired first, before anything is known about"
NOTHING_OPEN = "Nothing that was checked remains open."
BLAME = "The record says what was measured and done; it does not say who caused a fault."
LEVEL_FINDINGS = ("settings.trims", "settings.channel-level", "settings.dialogue-level")
"""Findings caused by a wrong trim, and also by a loudspeaker with a dead driver since the earlier visit."""
OVERHEAD = "What hangs overhead is for a licensed trade."
PLAIN_STEPS = {
    "checklist": ("Checklist (power, door, picture, remote control)", "items"),
    "layout": ("Layout (where everything is)", "places"),
    "quiet": ("Quiet (how loud the room itself is)", "kinds of state"),
    "wiring": ("Wiring (how each loudspeaker sounds when loud)", "recordings"),
    "dialogue": ("Dialogue (how well speech is understood)", "seats"),
    "levels": ("Levels (how loud each loudspeaker is)", "loudspeakers"),
    "distances": ("Distances (when each loudspeaker is heard)", "loudspeakers"),
    "seats": ("Seats (what is heard at each seat)", "recordings"),
}
"""A step as the homeowner may know it, by its id, and what is counted in it; others use their title."""
GLOSSARY = (
    ("dB", "dB (decibel)", "a measure of loudness: 1 dB is barely audible, 10 dB is about twice as loud"),
    ("ms", "ms (millisecond)", "a thousandth of a second, in which sound travels 34 cm (a little over a foot)"),
    ("NC", "NC (noise criterion)", "how loud the room is by itself: 15 is very quiet, 35 is clearly audible"),
    ("nulls?", "null", "a place where sound waves cancel each other, so that a tone is missing there"),
    ("polarity", "polarity", "whether a loudspeaker pushes first, as it should, or pulls first"),
    ("processor", "processor", "the device that sends each loudspeaker its part of the sound"),
    ("reference seat", "reference seat", "the seat for which timing and loudness are set exactly"),
    ("subwoofers?", "subwoofer", "a loudspeaker for the deepest tones only"),
    ("trims?", "trim", "the loudness set for one loudspeaker in the processor"),
)
"""Technical terms: (a pattern that finds them on the page, the term as listed, its meaning)."""


def summary_section(context: Context, histories: tuple[FindingHistory, ...]) -> Section:
    """Page one."""
    ident = context.id("summary")
    alone = only_found(context)
    kinds = open_kinds(context, histories)
    gone = merged(each for each in histories if each.fate.gone)
    remaining = merged(each for each in histories if not each.fate.gone)
    loose = [*_partly_done(context, alone), *([] if alone else _not_measured_again(context))]
    parts = [
        earlier_section(context),
        _remaining_section(context, remaining, kinds, loose, alone),
        _resolved(context, gone, histories),
        _done(context, alone),
        _seats(context),
    ]
    sections = [part for part in parts if part is not None]
    intro: list[Block] = [Paragraph(text=_bottom_line(context, gone, remaining, kinds, loose, alone), kind="lead")]
    if scope := _scope(context, alone):
        intro.append(Paragraph(text=scope))
    if spoken := _speech(context):
        intro.append(Paragraph(text=spoken))
    if any(response.body.source == "rehearsal" for response in context.job.responses):
        practice = "Practice: these measurements are of a simulated room, not of a real cinema."
        intro.insert(0, Paragraph(text=practice, kind="missing"))
    words = _glossary(context, intro, sections)
    if words is not None:
        sections.append(words)
    return Section(id=ident, title="In plain words", blocks=tuple(intro), sections=tuple(sections))


# --- the bottom line ------------------------------------------------------------------------------------------------


def _bottom_line(
    context: Context,
    gone: list[FindingHistory],
    remaining: list[FindingHistory],
    kinds: list[OpenKind],
    loose: list[str],
    alone: bool,
) -> str:
    """The present state of the cinema in one sentence."""
    if not context.job.system.channels:
        return "Nothing is known about this cinema yet; this record contains only what was entered by hand."
    if not any(measured(context.job)):
        return "Nothing has been measured in this cinema yet; this record contains only what was entered by hand."
    was = sum(map(of_the_cinema, gone))
    now = sum(map(of_the_cinema, remaining))
    open_ends = _open_points(remaining, kinds, loose)
    unknown = sum(of_the_cinema(each) for each in remaining if each.fate in _UNKNOWN)
    if now:
        if alone and not unknown:
            return f"{_problems(now)} found in your cinema, and no change is recorded."
        rest = f"; {count_word(was)} found before {'is' if was == 1 else 'are'} no longer found" if was else ""
        return f"{_remaining(now, unknown)}{rest}."
    state = (
        f"The {count_word(was)} problems found before are no longer found"
        if was > 1
        else "The one problem found before is no longer found"
        if was
        else "No problem with a known cause was found"
    )
    if open_ends:
        return f"{state}, but {open_ends}."
    return f"{state}, and everything that was checked is within its limits."


_UNKNOWN = frozenset({Fate.NOT_MEASURED_AGAIN, Fate.NOT_DETERMINED, Fate.REPAIRED_NOT_MEASURED})
"""Fates in which no measurement shows whether the problem is still there."""


def _remaining(count: int, unknown: int) -> str:
    """How many problems remain; the `unknown` ones were not seen again and only may remain."""
    if unknown == count:
        return (
            f"{capital(count_word(count))} problem{'s' if count > 1 else ''} found before may remain in your cinema"
        )
    seen = count - unknown
    more = f", and {count_word(unknown)} more may remain" if unknown else ""
    return f"{capital(count_word(seen))} problem{'s remain' if seen > 1 else ' remains'} in your cinema{more}"


def _open_points(remaining: list[FindingHistory], kinds: list[OpenKind], loose: list[str]) -> str:
    """Open points in a cinema without a known problem, as a clause; "" if there are none."""
    failed = sum(bool(kind.failed) for kind in kinds)
    undecided = sum(bool(kind.unsure) for kind in kinds)
    untested = any(kind.untested or kind.outdated or kind.passed_before for kind in kinds)
    ends = []
    if any(map(is_improvement, remaining)):
        ends.append("the sum of subwoofers and front loudspeakers can be better")
    if failed:
        ends.append(f"{counted(failed, 'kind')} of check {'is' if failed == 1 else 'are'} outside the limits")
    if undecided:
        ends.append(f"{counted(undecided, 'kind')} of check {'is' if undecided == 1 else 'are'} too close to call")
    if untested or loose or not all(map(is_improvement, remaining)):
        ends.append("not everything was tested")
    return " and ".join(ends)


COUNTS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def count_word(count: int) -> str:
    """A count in a sentence: "two"; digits above ten."""
    return COUNTS[count] if count < len(COUNTS) else str(count)


def _problems(count: int) -> str:
    return f"{capital(count_word(count))} problem{' was' if count == 1 else 's were'}"


def _speech(context: Context) -> str:
    """Whether speech is understood, the question of most clients; "" if no step measured it."""
    rounds = [r for r in (context.after, FOUND) if r is not None]
    known = [(r, dialogue.solve(context.job, r, context.visit.analyses)) for r in rounds]
    found = next(((r, each) for r, each in known if each.seats), None)
    if found is None:
        return ""
    round_id, result = found
    worst = dialogue.worst_of(result.heard)
    checks = [each.check for each in result.seats]
    start = f"Dialogue, {context.round(round_id)}: "
    if worst is None or worst.sti is None:
        why = result.why_no_noise or "the recordings do not show it"
        return f"{start}how well speech is understood was not determined, because {why}."
    figure = f"{number(worst.sti, 2)} on a scale from 0 to 1 at {context.seat_name(worst.seat)}"
    figure += ", the lowest seat" if len(result.heard) > 1 else ""
    failed = [check.seat for check in checks if check.verdict is Verdict.FAIL and check.seat is not None]
    good = f"good begins at {number(checks[0].limit.lower, 2)}" if checks[0].limit is not None else ""
    if failed:
        names = context.seat_names(failed)
        cost = dialogue.CAUSES[worst.cause]
        return f"{start}speech is hard to follow at {names} ({figure}; {good}). The main cause is {cost}."
    if all(check.verdict is Verdict.PASS for check in checks):
        return f"{start}speech is understood at every seat that was measured ({figure}; {good})."
    return f"{start}whether speech is understood at every seat is too close to call ({figure}; {good})."


def _scope(context: Context, alone: bool) -> str:
    """What was measured, and what this page leaves out; "" if nothing was measured."""
    system, job = context.job.system, context.job
    if not system.channels or not any(measured(job)):
        return ""
    size = f"{counted(len(system.channels), 'loudspeaker')} and {counted(len(system.seats), 'seat')}"
    return (
        f"Your cinema, with {size}, was measured {_when_measured(context, alone)} This page is in plain words; the rest "
        f"is for the next installer. {BLAME}"
    )


def _when_measured(context: Context, alone: bool) -> str:
    """The meaning of "was measured" in this visit."""
    standing = "as it is; no change is recorded."
    if alone or context.after is None:
        return standing
    first, again = any(measured_in(context.job, FOUND)), any(measured_in(context.job, context.after))
    if not again:
        return "as it was found. The settings as left are recorded, but it was not measured again after that."
    if not first and context.after == AS_LEFT:
        return "as it was left, but not as it was found, so what has changed is not known."
    if not first:
        return standing
    if context.after != AS_LEFT:
        return f"as it was found and again during the work ({context.round(context.after)}), but not as it was left."
    return f"as it was found and{', in part,' if any(missing_repeats(context.job)[:2]) else ''} again as it was left."


# --- what was found -------------------------------------------------------------------------------------------------


def _resolved(context: Context, gone: list[FindingHistory], histories: tuple[FindingHistory, ...]) -> Section | None:
    """Faults that are no longer found, and causes for which no fault showed."""
    if not any(measured(context.job)):
        return None
    blocks: list[Block] = []
    if gone:
        items = tuple(
            f"{description(context, each.first, 'was')} {_dialogue(context, each.first, each.round, 'was')}"
            f"{status_sentences(context, each)}"
            for each in gone
        )
        blocks.append(Bullets(items=items))
    texts: dict[str, list[str]] = {}
    for cause in CAUSES:
        if not any(each.first.cause == cause and of_the_cinema(each) for each in histories):
            if worth := _silence(context, cause):
                texts.setdefault(worth, []).append(CAUSE_NAMES[cause])
    blocks += [Paragraph(text=f"{worth}: {'; '.join(causes)}.") for worth, causes in texts.items()]
    if not blocks:
        return None
    title = "What was wrong, and is no longer found" if gone else "Where no fault was found"
    if not gone and set(texts) <= {NOT_JUDGED, NOT_YET}:
        title = "What could not be decided"
    return Section(id=context.id("summary", "found"), title=title, blocks=tuple(blocks))


def _silence(context: Context, cause: Cause) -> str:
    """How far the absence of findings of a cause can be relied on; "" if a check of it failed or is unsure.

    A rule is silent for good reason only where the checks that it rests on were carried out, and no other fault spoils
    what was measured for it.
    """
    rules = [
        rule
        for rule in rules_of_cinema()
        if rule.cause == cause and (not rule.returns or context.job.earlier is not None)
    ]
    rounds = [r for r in (FOUND, context.after) if r is not None]
    # The layout is known before anything is measured, and not every room has every kind of loudspeaker.
    needed = {rule.check for rule in rules if rule.step != "layout"}
    spoilt = {r for r in rounds if hidden(context, cause, context.visit.findings(r))}
    outcomes = [context.outcome(step.id, r) for step in context.visit.steps for r in rounds if r not in spoilt]
    carried = _carried_out(outcomes)
    if not needed & carried:
        behind = _carried_out(context.outcome(step.id, r) for step in context.visit.steps for r in spoilt)
        return NOT_YET if needed & behind else NOT_JUDGED
    own = {rule.check for rule in rules}
    verdicts = [check.verdict for outcome in outcomes for check in outcome.checks if check.kind in own]
    if Verdict.FAIL in verdicts or Verdict.UNSURE in verdicts:
        return ""
    whole = all(
        any(o.state == "done" for o in outcomes if o.step == step_id) for step_id in {rule.step for rule in rules}
    )
    whole = whole and not any(context.visit.failures(r) for r in rounds)
    return NO_FAULT if needed <= carried and whole and Verdict.NOT_TESTED not in verdicts else NO_FAULT_IN_PART


def _carried_out(outcomes: Iterable[Outcome]) -> set[str]:
    return {check.kind for outcome in outcomes for check in outcome.checks if check.verdict is not Verdict.NOT_TESTED}


def _dialogue(context: Context, finding: Finding, round_id: str, tense: str) -> str:
    """The meaning of a wrong level if it is of the loudspeaker that carries the dialogue; else ""."""
    if finding.step != "levels":
        return ""
    checks = [c for c in context.outcome("levels", round_id).checks if c.channel in finding.channels]
    if finding.id == "settings.dialogue-level":
        return below_the_sides(context, round_id, tense)
    return level_of_dialogue(context, [c for c in checks if c.verdict is Verdict.FAIL], tense)


# --- what was done --------------------------------------------------------------------------------------------------


def _done(context: Context, alone: bool) -> Section | None:
    """What was done: logged repairs, changed settings, measurements."""
    readings, responses = measured(context.job)
    items = []
    if alone and not readings and not responses and not context.job.actions:
        return None
    for action, one in (("repaired", "repair"), ("adjusted", "adjustment"), ("replaced", "replacement")):
        count = sum(each.body.action == action for each in context.job.actions)
        if count:
            items.append(f"{capital(count_word(count))} {one}{' was' if count == 1 else 's were'} logged.")
    if not alone:
        changes = _settings_done(context, setting_changes(context.job))
        items += changes or ["No change of settings is recorded."]
    counts = []
    if readings:
        counts.append("one hand reading" if readings == 1 else f"{readings} hand readings")
    if responses:
        several = f"{responses} recordings of a test sound at the seats"
        counts.append("one recording of a test sound at a seat" if responses == 1 else several)
    noises = sum(
        known_state(each.body.state or "") != CALIBRATOR for each in context.job.noises if not each.body.channel
    )
    if noises:
        counts.append(f"{noises} recording{'s' if noises > 1 else ''} of the room's own noise")
    if counts:
        items.append(f"Measurements: {context.listed(counts)}.")
    return Section(id=context.id("summary", "done"), title="What was done", blocks=(Bullets(items=tuple(items)),))


def _settings_done(context: Context, changes: Iterable[SettingChange]) -> list[str]:
    changes = tuple(changes)
    total, items = len(changes), []
    both = [(c.trim_found_db, c.trim_left_db) for c in changes]
    trims = [abs(b - a) for a, b in both if a is not None and b is not None and a != b]
    if trims:
        items.append(
            f"New loudness settings are recorded for {len(trims)} of {total} loudspeakers, with "
            f"{'changes of up to' if trims[1:] else 'a change of'} {number(max(trims), 1)} dB."
        )
    delays = sum(
        c.distance_left is not None and c.distance_found is not None and c.distance_left != c.distance_found
        for c in changes
    )
    if delays:
        items.append(f"New timing settings are recorded for {delays} of {total} loudspeakers.")
    turned = [
        c.channel
        for c in changes
        if None not in (c.polarity_found, c.polarity_left) and c.polarity_found != c.polarity_left
    ]
    if turned:
        items.append(f"New polarity settings are recorded for {context.channel_names(turned)}.")
    fresh = sum(
        c.noted and (c.trim_found_db, c.distance_found, c.polarity_found) == (None, None, None) for c in changes
    )
    if fresh:
        items.append(f"Settings are recorded for the first time for {fresh} of {total} loudspeakers.")
    return items


def _seats(context: Context) -> Section | None:
    """What changed at each seat, or its state today."""
    job, ident = context.job, context.id("summary", "seats")
    again = context.after is None or bool(job.responses_of(context.after))
    if not job.responses or not job.system.seats or not again:
        if context.after is None or not measured(job)[0] + len(job.responses):
            return None
        how = "again" if job.responses else "one by one"
        text = f"The seats were not measured {how}, so what changed at each of them is not known."
        return Section(id=ident, title="Each seat, before and after", blocks=(Paragraph(text=text),))
    title = "What each seat hears today" if context.after is None else "Each seat, before and after"
    remarks = [
        (
            "Loudness: quietest to loudest loudspeaker. Timing: first sound to last. Both without subwoofers; "
            "smaller is better."
        )
    ]
    by_seat = seat_figures(context)
    sentences = seat_sentences(context, by_seat)
    figures = [figure for own in by_seat.values() for figure in own]
    tracked = {figure.kind for figure in figures if (figure.before, figure.now) != (None, None)}
    counted, everyone = compared_mains(context), len(mains(job))
    if 0 < counted < everyone and "loudness" in tracked:
        remarks.append(f"Loudness covers the {counted} of {everyone} loudspeakers that were measured each time.")
    if context.after is not None and any(figure.word is Word.SAME for figure in figures):
        remarks.append("“No real change”: too small to measure.")
    if "bass" in tracked:
        remarks.append(f"Deep bass ({bass_band(job)} Hz): difference from the average of the seats.")
    better, worse, count = tone_counts(context)
    if count:
        remarks.append(f"Evenness of tone between seats: {better} of {count} comparisons better, {worse} worse.")
    if len(context.job.system.seats) > 1:
        remarks.append(
            "Other seats are nearer to some loudspeakers than the reference seat; no setting changes that."
        )
    blocks = (Bullets(items=sentences), Paragraph(text=" ".join(remarks), kind="note"))
    return Section(id=ident, title=title, blocks=blocks)


# --- what remains ---------------------------------------------------------------------------------------------------


def _remaining_section(
    context: Context, remaining: list[FindingHistory], kinds: list[OpenKind], loose: list[str], alone: bool
) -> Section | None:
    """Open problems with their remedies, unexplained failed checks, and checks undecided or not tested."""
    if not any(measured(context.job)):
        return None
    items = [_open_item(context, each) for each in remaining]
    items += failed_sentences(context, kinds)
    items += counted_sentence(
        "Outside a limit or undecided before, and not checked again", ((kind, kind.outdated) for kind in kinds)
    )
    items += counted_sentence("Too close to the limit to decide", ((kind, kind.unsure) for kind in kinds))
    if context.after is not None and any(
        measured_in(context.job, context.after)
    ):  # otherwise one line states it for all
        items += counted_sentence(
            "Within the limit before, and not checked again", ((kind, kind.passed_before) for kind in kinds)
        )
    items += counted_sentence("Not tested", ((kind, kind.untested) for kind in kinds))
    items += loose
    untyped = () if alone else not_typed_in(context.job)
    if untyped:
        items.append(
            f"Changed settings of {context.channel_names(untyped)} are recorded, but not confirmed as entered. What it "
            "takes: compare them with the processor."
        )
    title = "What is wrong, and what it takes" if alone else "What remains, and what it takes"
    ident = context.id("summary", "remains")
    if not items:
        return Section(id=ident, title=title, blocks=(Paragraph(text=NOTHING_OPEN),))
    return Section(id=ident, title=title, blocks=(Bullets(items=tuple(items)),))


def _open_item(context: Context, history: FindingHistory) -> str:
    """One open problem: what it is, its effect, its severity, what mending takes and who does it."""
    finding = history.finding
    known = PLAIN_FINDINGS.get(finding.id)
    seen = bool(history.now) or history.fate is Fate.STILL_THERE
    parts = [description(context, finding, "now" if seen else "was")]
    newest = context.after or FOUND
    parts.append(_dialogue(context, finding, newest if seen else history.round, "now" if seen else "was").strip())
    parts.append(status_sentences(context, history))
    effort, who = _effort(context, finding), known.who if known is not None else INSTALLER
    if finding.id in LEVEL_FINDINGS and (lost := quieter_since(context) & set(finding.channels)):
        names = context.channel_names(each for each in finding.channels if each in lost)
        who = INSTALLER
        effort = f"Find out first why {names} became quieter (cable, amplifier, driver): no setting can correct that."
    if history.fate is Fate.ACCEPTED:
        return " ".join(filter(None, parts))
    if known is not None and seen:
        parts.append(f"You notice: {known.notice} How bad: {known.severity}.")
    if not seen and effort:
        effort = f"Measure again. If it is still so, {effort[0].lower()}{effort[1:]}"
    if effort:
        parts.append(f"What it takes ({who}): {effort}")
    return " ".join(filter(None, parts))


def _effort(context: Context, finding: Finding) -> str:
    """The effort, with a caution if someone has to work on loudspeakers overhead."""
    system = context.job.system
    high = any(
        (channel := system.channel(each)) is not None and channel.role == "height" for each in finding.channels
    )
    effort = plain(context, finding, "mending") or sentence(clean_text(finding.remedy))
    return f"{effort} {OVERHEAD}" if effort and high and finding.cause == "electronics" else effort


def _partly_done(context: Context, alone: bool) -> list[str]:
    """Steps that were done partly or not at all."""
    last = FOUND if alone or context.after is None else context.after
    untouched, part = [], []
    for step in context.visit.steps:
        outcomes = [context.outcome(step.id, round_id) for round_id in context.job.rounds]
        if step.entry == "none":
            continue
        name, things = PLAIN_STEPS.get(step.id, (clean_text(step.title), ""))
        if not any(says(outcome) for outcome in outcomes):
            untouched.append(name)
        elif step.entry != "form" and 0 < (outcome := context.outcome(step.id, last)).done < outcome.total:
            part.append(
                f"{name}: {outcome.done} of {outcome.total} {things}".rstrip() + "; the rest was not measured."
            )
    if untouched:
        part.append(f"Not examined in this visit: {context.listed(untouched)}.")
    return part


def _not_measured_again(context: Context) -> list[str]:
    """What was measured at first but not at the end, if anything was measured at the end."""
    if context.after is None or not any(measured_in(context.job, context.after)):
        return ["Nothing was measured again after the first measurement."] if any(measured(context.job)) else []
    unread, lost, heard, channels = missing_repeats(context.job, context.after)
    items = [f"Loudness was not measured again: {context.channel_names(unread)}."] if unread else []
    if lost:
        names = context.channel_names(channels)
        items.append(f"{lost} of {heard} recordings at the seats were not repeated: {names}.")
    return items


def _glossary(context: Context, intro: Iterable[Block], sections: Iterable[Section]) -> Section | None:
    """The technical terms that page one uses, each with its meaning."""
    text = " ".join(_texts(intro, sections))
    pairs = [
        (term, meaning)
        for pattern, term, meaning in GLOSSARY
        if re.search(rf"(?<!\w)(?:{pattern})(?!\w)", text, re.IGNORECASE)
    ]
    if not pairs:
        return None
    ident = context.id("summary", "words")
    # Running text: a separate table would push page one onto a second page.
    sentence = "; ".join(f"{word}: {meaning}" for word, meaning in pairs)
    return Section(id=ident, title="Words on page one", blocks=(Paragraph(text=f"{sentence}.", kind="note"),))


def _texts(blocks: Iterable[Block], sections: Iterable[Section]) -> Iterable[str]:
    for block in blocks:
        if isinstance(block, Paragraph):
            yield block.text
        elif isinstance(block, Bullets):
            yield from block.items
    for section in sections:
        yield section.title
        yield from _texts(section.blocks, section.sections)
