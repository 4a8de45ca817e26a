"""Central types. Everything else imports from here and nothing here imports from the rest.

A name loads its module when it is first asked for: the first screen needs few of them, and every frozen data class takes
more than half a millisecond to be made.
"""

from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from commission.model.budget import Budget, Contribution, Distribution
    from commission.model.errors import Cancelled, CommissionError, InputError, StoreError
    from commission.model.events import (
        EVENT_KINDS,
        Decided,
        EarlierFigure,
        EarlierVisit,
        Event,
        EventBody,
        JobCreated,
        LimitsChosen,
        Noted,
        PhotoAttached,
        ReadingEntered,
        ResponseKind,
        ResponseStored,
        RoundOpened,
        SettingEntered,
        Signed,
        StimulusStored,
        SystemDefined,
        Withdrawn,
    )
    from commission.model.imports import ImportOptions, ImportRow
    from commission.model.job import Job, Reading, StoredResponse
    from commission.model.judged import Judged, JudgedKind, JudgedPlace
    from commission.model.limits import LimitsProfile, ProfileLimit, default_profile, read_profile
    from commission.model.outcome import (
        Advice,
        Cause,
        Choice,
        Column,
        Curve,
        Finding,
        Grid,
        GridCell,
        Outcome,
        PlanItem,
        RoomPlan,
        Row,
        Series,
        Table,
    )
    from commission.model.protocols import CancelToken, Decoder, Importer, Journal, Progress, Rig, Source
    from commission.model.signal import (
        Analysed,
        Analyses,
        Analysis,
        ComplexArray,
        FloatArray,
        Response,
        Signal,
        UnusableError,
        freeze,
    )
    from commission.model.step import Capture, Prompt, Step, Task
    from commission.model.system import (
        AS_FOUND,
        AS_LEFT,
        DEFAULT_BANDS,
        Band,
        Channel,
        DelayRange,
        DelayUnit,
        Instrument,
        InstrumentKind,
        Polarity,
        Position,
        Processor,
        Role,
        Room,
        Seat,
        Setting,
        Sweep,
        System,
        TrimRange,
    )
    from commission.model.verdict import GUARD_FACTOR, Check, Limit, Verdict, worst
else:
    # In the order of need: what every open job needs comes first, and no module needs one that stands after it.
    _MODULES = (
        "errors", "system", "verdict", "limits", "judged", "events", "job", "signal", "imports", "budget", "outcome",
        "step", "protocols",
    )  # fmt: skip

    def __getattr__(name: str) -> Any:
        from importlib import import_module

        if name in __all__:
            for module in _MODULES:
                found = getattr(import_module(f"{__name__}.{module}"), name, None)
                if found is not None:
                    globals()[name] = found
                    return found
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")


__all__ = [
    "AS_FOUND",
    "AS_LEFT",
    "DEFAULT_BANDS",
    "EVENT_KINDS",
    "GUARD_FACTOR",
    "Advice",
    "Analysed",
    "Analyses",
    "Analysis",
    "Band",
    "Budget",
    "CancelToken",
    "Cancelled",
    "Capture",
    "Cause",
    "Channel",
    "Check",
    "Choice",
    "Column",
    "CommissionError",
    "ComplexArray",
    "Contribution",
    "Curve",
    "Decided",
    "Decoder",
    "DelayRange",
    "DelayUnit",
    "Distribution",
    "EarlierFigure",
    "EarlierVisit",
    "Event",
    "EventBody",
    "Finding",
    "FloatArray",
    "Grid",
    "GridCell",
    "ImportOptions",
    "ImportRow",
    "Importer",
    "InputError",
    "Instrument",
    "InstrumentKind",
    "Job",
    "JobCreated",
    "Journal",
    "Judged",
    "JudgedKind",
    "JudgedPlace",
    "Limit",
    "LimitsChosen",
    "LimitsProfile",
    "Noted",
    "Outcome",
    "PhotoAttached",
    "PlanItem",
    "Polarity",
    "Position",
    "Processor",
    "ProfileLimit",
    "Progress",
    "Prompt",
    "Reading",
    "ReadingEntered",
    "Response",
    "ResponseKind",
    "ResponseStored",
    "Rig",
    "Role",
    "Room",
    "RoomPlan",
    "RoundOpened",
    "Row",
    "Seat",
    "Series",
    "Setting",
    "SettingEntered",
    "Signal",
    "Signed",
    "Source",
    "Step",
    "StimulusStored",
    "StoreError",
    "StoredResponse",
    "Sweep",
    "System",
    "SystemDefined",
    "Table",
    "Task",
    "TrimRange",
    "UnusableError",
    "Verdict",
    "Withdrawn",
    "default_profile",
    "freeze",
    "read_profile",
    "worst",
]
