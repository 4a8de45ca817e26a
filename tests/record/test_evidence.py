"""Every sentence of page one against the truth of 200 simulated visits with random faults, repairs and gaps.

The simulation decides what is wrong in which round, what is checked there and what is logged; findings and checks follow from
that. What page one may claim is worked out here from the simulation alone, without the program's own bookkeeping of findings.
The page is then changed on purpose, sentence by sentence, to see that a wrong claim is noticed.
"""

from __future__ import annotations

import random
import re
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from functools import cache
from typing import Any

import pytest
from builders import CREATED, LOUDSPEAKERS, cinema, defined, levels
from memory_journal import MemoryJournal

from commission.diagnosis.fates import follow
from commission.model import (
    AS_FOUND,
    AS_LEFT,
    ActionLogged,
    Analyses,
    Check,
    EventBody,
    Finding,
    FindingHistory,
    Limit,
    Outcome,
    ResponseStored,
    Step,
    Verdict,
)
from commission.record.content.context import Context
from commission.record.content.findings import finding_histories
from commission.record.content.page_one import summary_section
from commission.record.document import Bullets, Paragraph, Section
from commission.steps import step as step_of
from commission.visit import Visit

VISITS = 200
LIMIT = Limit(low=-1.0, high=1.0, unit="dB", basis="simulated")
U_DB = 0.3
VALUES = {Verdict.PASS: 0.1, Verdict.UNSURE: 1.0, Verdict.FAIL: -2.8}
"""A value for each verdict: inside, within 1.645 u of, and outside the limit."""
KINDS = {
    # id of a finding: (cause, step, check, how its line on page one begins)
    "wiring.polarity": ("electronics", "seats", "seats.polarity", "The two wires of"),
    "wiring.tweeter": ("electronics", "seats", "seats.treble", "Almost no high tones"),
    "wiring.woofer": ("electronics", "seats", "seats.lows", "Almost no low tones"),
    "settings.trims": ("settings", "levels", "levels.match", "The loudness of"),
    "house.squeak": ("room", "seats", "seats.squeak", "Likely: Squeak"),
}
"""The last is known to no table of the record: it represents a rule that somebody adds later."""
CHECKS = {
    "seats.polarity": "Polarity of each loudspeaker",
    "seats.treble": "High tones compared with the partner loudspeaker",
    "seats.lows": "Low tones compared with the partner loudspeaker",
    "seats.squeak": "Squeak",
    "levels.match": "Loudness of each loudspeaker",
}
"""What a check is called on page one."""
DID = {"repaired": "repaired", "adjusted": "adjusted", "replaced": "replaced"}


@dataclass
class Fault:
    kind: str
    channels: tuple[str, ...]
    rounds: tuple[str, ...]
    """Where it is."""
    action: str = ""
    late: bool = False
    """The action is logged after everything was measured."""
    cured: tuple[str, ...] = ()
    """Channels without the fault as left, where the others still have it."""

    def ill(self, round_id: str, channel: str) -> bool:
        return (
            round_id in self.rounds
            and channel in self.channels
            and not (round_id == AS_LEFT and channel in self.cured)
        )


@dataclass
class Truth:
    """The truth of one simulated visit."""

    channels: tuple[str, ...]
    rounds: tuple[str, ...]
    faults: list[Fault]
    verdicts: dict[tuple[str, str, str], Verdict] = field(default_factory=dict)
    """(round, check, channel) → verdict; what is missing was never thought of in that round."""

    def carried(self, round_id: str, check: str, channel: str) -> bool:
        return self.verdicts.get((round_id, check, channel), Verdict.NOT_TESTED) is not Verdict.NOT_TESTED

    def shown(self, fault: Fault, round_id: str) -> tuple[str, ...]:
        """The channels at which a round shows a fault."""
        check = KINDS[fault.kind][2]
        return tuple(c for c in fault.channels if fault.ill(round_id, c) and self.carried(round_id, check, c))

    def first(self, fault: Fault) -> str | None:
        return next((r for r in self.rounds if self.shown(fault, r)), None)

    def state(self, fault: Fault, channel: str) -> str:
        """The state by the newest round with the check: "fault", "gone", or "unknown" where no round after the first has
        it.
        """
        first = self.first(fault)
        assert first is not None
        check = KINDS[fault.kind][2]
        later = [r for r in self.rounds[self.rounds.index(first) + 1 :] if self.carried(r, check, channel)]
        if not later:
            return "fault" if first == self.rounds[-1] else "unknown"
        newest = self.verdicts[later[-1], check, channel]
        return "fault" if newest is Verdict.FAIL else "gone"


@cache
def simulated(seed: int) -> Truth:
    rng = random.Random(seed)
    mains = [c for c in LOUDSPEAKERS if not c.startswith("SUB")]
    channels = tuple(sorted(rng.sample(mains, rng.randint(3, 9)), key=mains.index))
    rounds = (AS_FOUND,) if rng.random() < 0.15 else (AS_FOUND, AS_LEFT)
    faults: list[Fault] = []
    for kind in rng.choices(list(KINDS), k=rng.randint(0, 5)):
        own = tuple(sorted(rng.sample(channels, rng.randint(1, 2)), key=mains.index))
        if any(each.kind == kind and set(each.channels) & set(own) for each in faults):
            continue
        where = rng.choice([(AS_FOUND,), (AS_FOUND,), (AS_FOUND, AS_LEFT), (AS_LEFT,)])
        action = rng.choice(["", "", "repaired", "adjusted", "replaced", "accepted", "later"])
        cured = own[1:] if len(where) == 2 and rng.random() < 0.4 else ()
        faults.append(Fault(kind, own, where, action, late=rng.random() < 0.2, cured=cured))
    truth = Truth(channels, rounds, faults)
    tidy = rng.random() < 0.25  # a visit in which everything was checked and nothing else is wrong
    for round_id in rounds:
        for check in CHECKS:
            for channel in channels:
                ill = any(KINDS[f.kind][2] == check and f.ill(round_id, channel) for f in faults)
                chance = 1.0 if tidy else rng.random()
                if chance < 0.15:
                    verdict = Verdict.NOT_TESTED
                elif chance < 0.3 and round_id == AS_LEFT:
                    continue
                elif ill or (0.3 < chance < 0.36):
                    verdict = Verdict.FAIL
                else:
                    verdict = Verdict.UNSURE if 0.36 < chance < 0.4 else Verdict.PASS
                truth.verdicts[round_id, check, channel] = verdict
    return truth


class SimulatedVisit(Visit):
    """A visit whose outcomes and findings follow from the truth; the program determines what became of the findings."""

    def __init__(self, truth: Truth) -> None:
        self.truth = truth
        before: list[Any] = []
        after: list[Any] = []
        last: list[Any] = []
        for round_id, into in ((AS_FOUND, before), (AS_LEFT, after)):
            for channel in truth.channels if round_id in truth.rounds else ():
                if truth.carried(round_id, "levels.match", channel):
                    into += levels({channel: 75.0}, round_id=round_id)
                if any(truth.carried(round_id, check, channel) for check in CHECKS if check.startswith("seats.")):
                    into.append(heard(round_id, channel))
        done: list[EventBody] = []
        for fault in truth.faults:
            first = truth.first(fault)
            if fault.action and first is not None:
                body = ActionLogged(
                    round=first,
                    finding=fault.kind,
                    title="as worded then",
                    channels=truth.shown(fault, first),
                    action=fault.action,  # type: ignore[arg-type]
                    by="N. Hale",
                    note="it is an heirloom" if fault.action == "accepted" else "",
                )
                (last if fault.late or first == AS_LEFT else done).append(body)
        system = defined(cinema(truth.channels, ["A2"]))
        super().__init__(MemoryJournal(CREATED, system, *before, *done, *after, *last), lambda *_: [])
        self._outcome_of = cache(self._simulated)

    @property
    def steps(self) -> tuple[Step, ...]:
        return step_of("levels"), step_of("seats")

    @property
    def analyses(self) -> Analyses:
        return Analyses(())

    def outcome(self, step_id: str, round_id: str) -> Outcome:
        return self._outcome_of(step_id, round_id)

    def _simulated(self, step_id: str, round_id: str) -> Outcome:
        own = [c for c in CHECKS if c.startswith(step_id)]
        checks = tuple(
            check_of(check, channel, self.truth.verdicts[round_id, check, channel])
            for check in own
            for channel in self.truth.channels
            if (round_id, check, channel) in self.truth.verdicts
        )
        done = sum(
            any(self.truth.carried(round_id, check, channel) for check in own) for channel in self.truth.channels
        )
        return Outcome(step=step_id, round=round_id, checks=checks, done=done, total=len(self.truth.channels))

    def findings(self, round_id: str) -> tuple[Finding, ...]:
        out = []
        for fault in self.truth.faults:
            cause, step_id, check, _ = KINDS[fault.kind]
            if shown := self.truth.shown(fault, round_id):
                out.append(
                    Finding(
                        id=fault.kind,
                        cause=cause,  # type: ignore[arg-type]
                        title=f"squeak in {' and '.join(shown)}",
                        channels=shown,
                        alternatives=("something else",),
                        remedy="Tighten the screws.",
                        step=step_id,
                        check=check,
                    )
                )
        return tuple(out)

    def failures(self, round_id: str) -> tuple[str, ...]:
        return ()

    def finding_histories(self, round_id: str) -> tuple[FindingHistory, ...]:
        return follow(self.job, round_id, self.findings, self.outcomes)


def heard(round_id: str, channel: str) -> ResponseStored:
    return ResponseStored(
        round=round_id, channel=channel, seat="A2", kind="impulse", file_name="a.wav", file_sha256="0" * 64
    )


def check_of(check: str, channel: str, verdict: Verdict) -> Check:
    tested = verdict is not Verdict.NOT_TESTED
    made = Check(
        id=check,
        channel=channel,
        seat="A2",
        value=VALUES[verdict] if tested else None,
        unit="dB",
        uncertainty=U_DB,
        limit=LIMIT,
        why_not=None if tested else "it was not measured",
        text="squeak",
    )
    assert made.verdict is verdict
    return made


# --- page one as sentences ------------------------------------------------------------------------------------------


@dataclass
class Page:
    bottom_line: str
    intro: str
    remains: list[str]
    """Bullets, or the one sentence that says there is nothing."""
    gone: list[str]
    causes: list[str]
    """Sentences on causes of which no fault was found."""
    done: list[str]

    @property
    def lines(self) -> list[str]:
        return [self.bottom_line, self.intro, *self.remains, *self.gone, *self.causes, *self.done]


@cache
def page_of(seed: int) -> Page:
    """Page one of a simulated visit."""
    context = Context(SimulatedVisit(simulated(seed)))
    made = summary_section(context, finding_histories(context))

    def items(ident: str) -> tuple[list[str], list[str]]:
        part = next((p for p in made.sections if p.id == ident), Section(id="none", title=""))
        bullets = [text for block in part.blocks if isinstance(block, Bullets) for text in block.items]
        return bullets, [block.text for block in part.blocks if isinstance(block, Paragraph)]

    texts = [block.text for block in made.blocks if isinstance(block, Paragraph)]
    remains, found = items("summary-remains"), items("summary-found")
    return Page(texts[0], " ".join(texts[1:]), [*remains[0], *remains[1]], *found, items("summary-done")[0])


WORDS = ("no", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine", "ten")


def wrong_claims(page: Page, truth: Truth) -> list[str]:
    """Claims on the page that the truth does not support, and true ones that the page omits."""
    return [*_of_faults(page, truth), *_of_checks(page, truth), *_of_the_whole(page, truth)]


def _named(fault: Fault, channels: tuple[str, ...], lines: list[str]) -> list[str]:
    """Lines about a fault of that kind that name these channels."""
    start = KINDS[fault.kind][3]
    names = [rf"\b({c}|{LOUDSPEAKERS[c][0]})\b" for c in channels]
    return [each for each in lines if each.startswith(start) and all(re.search(n, each) for n in names)]


def _of_faults(page: Page, truth: Truth) -> Iterator[str]:
    for fault in truth.faults:
        first = truth.first(fault)
        if first is None:
            others = any(truth.first(each) for each in truth.faults if each.kind == fault.kind)
            if not others and _named(fault, (), [*page.remains, *page.gone]):
                yield f"{fault.kind} is on the page, and nothing shows it"
            continue
        channels = truth.shown(fault, first)
        states = {channel: truth.state(fault, channel) for channel in channels}
        gone, remains = _named(fault, channels, page.gone), _named(fault, channels, page.remains)
        if set(states.values()) == {"gone"}:
            if not gone or remains:
                yield f"{fault} is gone, and the page does not say so"
        elif gone or not remains:
            yield f"{fault} is not known to be gone ({states}), and does not remain on the page"
        for line in (*gone, *remains):
            yield from _of_line(line, fault, truth, states)


def _of_line(line: str, fault: Fault, truth: Truth, states: dict[str, str]) -> Iterator[str]:
    names = {LOUDSPEAKERS[c][0]: state for c, state in states.items()}
    for claim, needed in (
        ("no longer found", "gone"),
        ("Not measured again", "unknown"),
        ("Still there", "fault"),
    ):
        for found in re.finditer(
            rf"{claim}(?:: ([^.;]*?))?(?=[.,;]|$)", line, re.IGNORECASE if needed == "gone" else 0
        ):
            meant = [n for n in names if found[1] is None or n in found[1]]
            if any(names[n] != needed for n in meant):
                yield f"“{claim}”: {line} ({names})"
    since = fault.action in DID and (fault.late or truth.first(fault) == truth.rounds[-1])
    if "not measured since" in line and not since and "unknown" not in states.values():
        yield f"it was measured after the repair: {line}"
    for did in DID:
        if re.search(rf"(?:[.:] {did.capitalize()}|it was {did})\b", line) and fault.action != did:
            yield f"{did} is not in the log: {line}"
    if re.search(r"\baccepted\b", line, re.IGNORECASE) and fault.action != "accepted":
        yield f"nobody accepted it: {line}"
    if not re.search(r"\blikely\b", line, re.IGNORECASE):
        yield f"another cause is possible: {line}"
    if "fault" in states.values() and fault.action not in ("accepted", *DID) and "What it takes" not in line:
        yield f"what it takes is missing: {line}"


def _newest(truth: Truth) -> dict[tuple[str, str], tuple[str, Verdict]]:
    """(check, channel) → the newest round with it and its verdict; NOT_TESTED where there is none."""
    out: dict[tuple[str, str], tuple[str, Verdict]] = {}
    for (round_id, check, channel), verdict in truth.verdicts.items():
        known = out.get((check, channel))
        if known is None or verdict is not Verdict.NOT_TESTED:
            out[check, channel] = (round_id, verdict)
    return out


def _explained(truth: Truth, check: str, channel: str) -> bool:
    """Whether a remaining fault explains the result of a check."""
    also = {"wiring.tweeter": ("levels.match",), "wiring.woofer": ("levels.match",)}
    for fault in truth.faults:
        first = truth.first(fault)
        if first is None or check not in (KINDS[fault.kind][2], *also.get(fault.kind, ())):
            continue
        named = {c for r in truth.rounds for c in truth.shown(fault, r)}
        still = {truth.state(fault, c) for c in truth.shown(fault, first)} != {"gone"}
        if channel in named and (still or channel in truth.shown(fault, truth.rounds[-1])):
            return True
    return False


def _of_checks(page: Page, truth: Truth) -> Iterator[str]:
    last = truth.rounds[-1]
    for check, name in CHECKS.items():
        own = {channel: state for (c, channel), state in _newest(truth).items() if c == check}
        counts = dict.fromkeys(("failed", "unsure", "untested", "outdated", "passed"), 0)
        for channel, (round_id, verdict) in own.items():
            if verdict is Verdict.NOT_TESTED:
                counts["untested"] += 1
            elif verdict is Verdict.PASS:
                counts["passed"] += round_id != last
            elif _explained(truth, check, channel):
                continue
            elif round_id != last:
                counts["outdated"] += 1
            else:
                counts["failed" if verdict is Verdict.FAIL else "unsure"] += 1
        small = name[0].lower() + name[1:]
        for key, pattern in (
            ("failed", rf"^{name}: (\d+) of (\d+) outside the limit"),
            ("unsure", rf"^Too close to the limit to decide:.*\b{small} \((\d+) of (\d+)\)"),
            ("untested", rf"^Not tested:.*\b{small} \((\d+) of (\d+)\)"),
            ("outdated", rf"^Outside a limit or undecided before.*\b{small} \((\d+) of (\d+)\)"),
            ("passed", rf"^Within the limit before.*\b{small} \((\d+) of (\d+)\)"),
        ):
            found = [(int(m[1]), int(m[2])) for line in page.remains if (m := re.search(pattern, line))]
            if found != ([(counts[key], len(own))] if counts[key] else []):
                yield f"{check}: {counts[key]} of {len(own)} are {key}, and the page says {found}"
    centre = _newest(truth).get(("levels.match", "FC"))
    for line in page.remains if centre == (last, Verdict.FAIL) else ():
        alone = line.startswith(CHECKS["levels.match"]) and not _explained(truth, "levels.match", "FC")
        about = alone or re.match(r"The loudness of [^:.]*\bCentre\b", line)
        if about and "Dialogue is quiet: Centre" not in line:
            yield f"the centre is 2.8 dB low, and nothing is reported about quiet dialogue: {line}"


def _is_unknown(line: str) -> bool:
    """Whether a line about a problem says that no measurement shows whether it is still there."""
    about = any(KINDS[k][3] in line[:60] for k in KINDS)
    return about and bool(re.search("present state is not known|cannot show whether it is gone", line))


def _of_the_whole(page: Page, truth: Truth) -> Iterator[str]:
    faults = [f for f in truth.faults if truth.first(f) is not None]
    open_faults = [f for f in faults if {truth.state(f, c) for c in truth.shown(f, truth.first(f) or "")} != {"gone"}]
    newest = _newest(truth)
    loose = any(v is not Verdict.PASS or r != truth.rounds[-1] for r, v in newest.values())
    text = " ".join(page.lines)
    if (open_faults or loose) and re.search(
        r"Nothing that was checked remains|everything that was checked is within", text
    ):
        yield "something is open, and the page says there is nothing"
    if not (open_faults or loose) and len(truth.rounds) > 1 and "Nothing that was checked remains" not in text:
        yield "nothing is open, and the page does not say so"
    problems = sum(any(KINDS[k][3] in line[:60] for k in KINDS) for line in page.remains)
    gone = len(page.gone)
    counts = (
        ((r"(\w+) problems? (?:remain|w|found before may)", r"(\w+) more may remain"), problems),
        ((r"(\w+) problems? found before may", r"(\w+) more may remain"), sum(map(_is_unknown, page.remains))),
        ((r"(\w+) found before (?:is|are)",), gone),
    )
    for patterns, count in counts:
        words = [m[1].lower() for pattern in patterns if (m := re.search(pattern, page.bottom_line))]
        printed = sum(WORDS.index(word) for word in words if word in WORDS)
        if printed != count and not (gone and not problems):
            yield f"{count} are on the page, and its first line says {printed}: {page.bottom_line}"
    if open_faults and not re.search(r"^\w+ problems? (remain|was|were|found before may)", page.bottom_line):
        yield f"problems are open: {page.bottom_line}"
    logged = [f.action for f in faults]
    for action, word in (("repaired", "repair"), ("adjusted", "adjustment"), ("replaced", "replacement")):
        lines = [line for line in page.done if re.search(rf"\b{word}s? (?:was|were) logged", line)]
        printed = WORDS.index(lines[0].split()[0].lower()) if lines else 0
        if printed != logged.count(action):
            yield f"{logged.count(action)} {word}s are logged, and the page says {printed}"
    if "does not say who caused a fault" not in page.intro:
        yield "who caused a fault is left open"
    needed = {"equipment and wiring": "electronics", "the settings": "settings", "the room": "room"}
    for line in page.causes:
        for name, cause in needed.items():
            failing = [
                check
                for (_, check, _), v in truth.verdicts.items()
                if v is Verdict.FAIL and check in RULE_CHECKS[cause]
            ]
            if "no fault" in line and name in line and failing:
                yield f"{failing} failed: {line}"


RULE_CHECKS = {
    "electronics": {"seats.polarity", "seats.treble", "seats.lows"},
    "settings": {"levels.match"},
    "room": set(),
}


def test_no_sentence_claims_more_than_the_simulation_supports() -> None:
    wrong = {}
    for seed in range(VISITS):
        truth = simulated(seed)
        if claims := wrong_claims(page_of(seed), truth):
            wrong[seed] = claims
    assert not wrong, "\n".join(f"visit {seed}: {text}" for seed, texts in list(wrong.items())[:8] for text in texts)


# --- the check must be able to fail ---------------------------------------------------------------------------------

Change = Callable[[str], str]
CHANGES: dict[str, Change] = {
    "gone without a measurement": lambda t: re.sub(
        r"Not measured again(: [^.]*?)?, so its .*? known", "No longer found", t
    ),
    "repaired without an entry": lambda t: t.replace("No longer found.", "Repaired."),
    "still there though it is gone": lambda t: re.sub(r"^(The two.*)No longer found\.$", r"\1Still there.", t),
    "a cause as certain": lambda t: re.sub(r"\b(most )?likely ?", "", t, flags=re.IGNORECASE),
    "nothing remains": lambda t: re.sub(r"^(Too close|Not tested).*", "Nothing that was checked remains open.", t),
    "within limits": lambda t: re.sub(r", but .*\.$", ", and everything that was checked is within its limits.", t),
    "fewer failed": lambda t: re.sub(r"(\d+) of (\d+) outside", lambda m: f"{int(m[1]) - 1} of {m[2]} outside", t),
    "fewer undecided": lambda t: re.sub(r"^(Too .*\()(\d+)( of)", lambda m: f"{m[1]}{int(m[2]) + 1}{m[3]}", t),
    "a failed kind left out": lambda t: "" if "outside the limit" in t else t,
    "untested left out": lambda t: "" if t.startswith("Not tested") else t,
    "what passed before left out": lambda t: "" if t.startswith("Within the limit") else t,
    "outdated left out": lambda t: "" if t.startswith("Outside a limit or") else t,
    "an open fault left out": lambda t: "" if "You notice" in t else t,
    "a miscount": lambda t: re.sub(r"^(One|Two|Three) (problem)", r"Nine \2", t),
    "dialogue forgotten": lambda t: re.sub(r"Dialogue is quiet: Centre.*?loudspeakers\. ", "", t),
    "blame": lambda t: t.replace("does not say who", "says who"),
    "a repair too many": lambda t: re.sub(
        r"^One (repair|adjustment|replacement) was logged", r"Two \1s were logged", t
    ),
    "accepted by nobody": lambda t: t.replace("Still there.", "Accepted by the client."),
}


@pytest.mark.parametrize("change", list(CHANGES))
def test_a_wrong_sentence_is_noticed(change: str) -> None:
    """Every page that contains the changed sentence must be found wrong."""
    tried = 0
    for seed in range(VISITS):
        truth = simulated(seed)
        page = page_of(seed)
        lines = page.lines
        changed = [CHANGES[change](line) for line in lines]
        if changed == lines:
            continue
        n, m, k, c = 2, len(page.remains), len(page.gone), len(page.causes)
        other = Page(
            changed[0],
            changed[1],
            [t for t in changed[n : n + m] if t],
            changed[n + m : n + m + k],
            changed[n + m + k : n + m + k + c],
            changed[n + m + k + c :],
        )
        assert wrong_claims(other, truth), (seed, changed)
        tried += 1
        if tried == 5:
            break
    assert tried >= 3, "the simulation hardly ever gives such a sentence"
