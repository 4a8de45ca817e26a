"""Central types. Everything else imports from here; nothing here imports from the rest.

Each name loads its module on first use (`commission.lazy` says why).
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from commission.model.budget import Budget, Contribution, Distribution
    from commission.model.checklist import Checklist, ChecklistItem, default_checklist, read_checklist
    from commission.model.errors import Cancelled, CommissionError, InputError, StoreError
    from commission.model.events import (
        EVENT_KINDS,
        ActionKind,
        ActionLogged,
        ChecklistChosen,
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
    from commission.model.fate import Fate, FindingHistory
    from commission.model.imports import ImportOptions, ImportRow
    from commission.model.issued_sheet import SheetBass, SheetBassSeat, SheetChannel, SheetIssued, SheetSeat
    from commission.model.job import Action, Job, Reading, StoredResponse, UnusedEntry
    from commission.model.limits import CheckLimit, LimitsProfile, ProfileLimit, default_profile, read_profile
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
        PlanBox,
        PlanItem,
        PlanRay,
        RoomPlan,
        Row,
        Series,
        Table,
        TradeoffCurve,
        TradeoffPoint,
        table_of,
    )
    from commission.model.progress import CancelToken, Progress, unwatched
    from commission.model.protocols import AnalysesMemory, Decoder, Importer, Journal, Rig, Source
    from commission.model.signal import (
        FULL_SCALE,
        LOOPBACK,
        RELATIVE,
        SOUND_PRESSURE,
        UNSTATED,
        AnalysedNoise,
        AnalysedResponse,
        Analyses,
        Analysis,
        ComplexArray,
        FloatArray,
        LoadAnalysis,
        NoiseAnalysis,
        Response,
        RoomSound,
        Signal,
        SpectralLine,
        SweepRecording,
        UnusableError,
        freeze,
    )
    from commission.model.step import Capture, Prompt, Step, Task
    from commission.model.stored_verdicts import StoredVerdict, StoredVerdicts, VerdictsOfKind
    from commission.model.system import (
        AS_FOUND,
        AS_LEFT,
        DEFAULT_BANDS,
        Band,
        Channel,
        CrossoverFilter,
        CrossoverType,
        DelayRange,
        DelayUnit,
        Filter,
        FilterRanges,
        FilterWidth,
        Instrument,
        InstrumentKind,
        Mount,
        Obstacle,
        Polarity,
        Position,
        Processor,
        Role,
        Room,
        Seat,
        Setting,
        Steps,
        Sweep,
        System,
        Target,
        TrimRange,
        merge_settings,
    )
    from commission.model.verdict import GUARD_FACTOR, Check, Limit, Verdict, worst
else:  # type checkers would take every name for one that it can load
    from commission.lazy import loader

    __getattr__ = loader(__name__)
