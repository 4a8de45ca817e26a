"""Central types. Everything else imports from here and nothing here imports from the rest.

Each name loads its module when it is first asked for (`commission.lazy` says why).
"""

from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from commission.model.budget import Budget as Budget
    from commission.model.budget import Contribution as Contribution
    from commission.model.budget import Distribution as Distribution
    from commission.model.checklist import Checklist as Checklist
    from commission.model.checklist import ChecklistItem as ChecklistItem
    from commission.model.checklist import default_checklist as default_checklist
    from commission.model.checklist import read_checklist as read_checklist
    from commission.model.errors import Cancelled as Cancelled
    from commission.model.errors import CommissionError as CommissionError
    from commission.model.errors import InputError as InputError
    from commission.model.errors import StoreError as StoreError
    from commission.model.events import EVENT_KINDS as EVENT_KINDS
    from commission.model.events import ActionKind as ActionKind
    from commission.model.events import ActionLogged as ActionLogged
    from commission.model.events import ChecklistChosen as ChecklistChosen
    from commission.model.events import Decided as Decided
    from commission.model.events import EarlierFigure as EarlierFigure
    from commission.model.events import EarlierVisit as EarlierVisit
    from commission.model.events import Event as Event
    from commission.model.events import EventBody as EventBody
    from commission.model.events import JobCreated as JobCreated
    from commission.model.events import LimitsChosen as LimitsChosen
    from commission.model.events import Noted as Noted
    from commission.model.events import PhotoAttached as PhotoAttached
    from commission.model.events import ReadingEntered as ReadingEntered
    from commission.model.events import ResponseKind as ResponseKind
    from commission.model.events import ResponseStored as ResponseStored
    from commission.model.events import RoundOpened as RoundOpened
    from commission.model.events import SettingEntered as SettingEntered
    from commission.model.events import Signed as Signed
    from commission.model.events import StimulusStored as StimulusStored
    from commission.model.events import SystemDefined as SystemDefined
    from commission.model.events import Withdrawn as Withdrawn
    from commission.model.fate import Fate as Fate
    from commission.model.fate import Followed as Followed
    from commission.model.imports import ImportOptions as ImportOptions
    from commission.model.imports import ImportRow as ImportRow
    from commission.model.issued_sheet import SheetBass as SheetBass
    from commission.model.issued_sheet import SheetBassSeat as SheetBassSeat
    from commission.model.issued_sheet import SheetChannel as SheetChannel
    from commission.model.issued_sheet import SheetIssued as SheetIssued
    from commission.model.issued_sheet import SheetSeat as SheetSeat
    from commission.model.job import Action as Action
    from commission.model.job import Job as Job
    from commission.model.job import LeftOut as LeftOut
    from commission.model.job import Reading as Reading
    from commission.model.job import StoredResponse as StoredResponse
    from commission.model.limits import CheckLimit as CheckLimit
    from commission.model.limits import LimitsProfile as LimitsProfile
    from commission.model.limits import ProfileLimit as ProfileLimit
    from commission.model.limits import default_profile as default_profile
    from commission.model.limits import read_profile as read_profile
    from commission.model.outcome import Advice as Advice
    from commission.model.outcome import Cause as Cause
    from commission.model.outcome import Choice as Choice
    from commission.model.outcome import Column as Column
    from commission.model.outcome import Curve as Curve
    from commission.model.outcome import Finding as Finding
    from commission.model.outcome import Grid as Grid
    from commission.model.outcome import GridCell as GridCell
    from commission.model.outcome import Outcome as Outcome
    from commission.model.outcome import PlanBox as PlanBox
    from commission.model.outcome import PlanItem as PlanItem
    from commission.model.outcome import PlanRay as PlanRay
    from commission.model.outcome import RoomPlan as RoomPlan
    from commission.model.outcome import Row as Row
    from commission.model.outcome import Series as Series
    from commission.model.outcome import Table as Table
    from commission.model.outcome import table_of as table_of
    from commission.model.progress import CancelToken as CancelToken
    from commission.model.progress import Progress as Progress
    from commission.model.progress import unwatched as unwatched
    from commission.model.protocols import AnalysesMemory as AnalysesMemory
    from commission.model.protocols import Decoder as Decoder
    from commission.model.protocols import Importer as Importer
    from commission.model.protocols import Journal as Journal
    from commission.model.protocols import Rig as Rig
    from commission.model.protocols import Source as Source
    from commission.model.signal import FULL_SCALE as FULL_SCALE
    from commission.model.signal import LOOPBACK as LOOPBACK
    from commission.model.signal import RELATIVE as RELATIVE
    from commission.model.signal import SOUND_PRESSURE as SOUND_PRESSURE
    from commission.model.signal import UNSTATED as UNSTATED
    from commission.model.signal import Analysed as Analysed
    from commission.model.signal import AnalysedNoise as AnalysedNoise
    from commission.model.signal import Analyses as Analyses
    from commission.model.signal import Analysis as Analysis
    from commission.model.signal import ComplexArray as ComplexArray
    from commission.model.signal import FloatArray as FloatArray
    from commission.model.signal import LoadAnalysis as LoadAnalysis
    from commission.model.signal import NoiseAnalysis as NoiseAnalysis
    from commission.model.signal import Response as Response
    from commission.model.signal import RoomSound as RoomSound
    from commission.model.signal import Signal as Signal
    from commission.model.signal import SpectralLine as SpectralLine
    from commission.model.signal import SweepRecording as SweepRecording
    from commission.model.signal import UnusableError as UnusableError
    from commission.model.signal import freeze as freeze
    from commission.model.step import Capture as Capture
    from commission.model.step import Prompt as Prompt
    from commission.model.step import Step as Step
    from commission.model.step import Task as Task
    from commission.model.stored_verdicts import Judged as Judged
    from commission.model.stored_verdicts import JudgedKind as JudgedKind
    from commission.model.stored_verdicts import JudgedPlace as JudgedPlace
    from commission.model.system import AS_FOUND as AS_FOUND
    from commission.model.system import AS_LEFT as AS_LEFT
    from commission.model.system import DEFAULT_BANDS as DEFAULT_BANDS
    from commission.model.system import Band as Band
    from commission.model.system import Channel as Channel
    from commission.model.system import DelayRange as DelayRange
    from commission.model.system import DelayUnit as DelayUnit
    from commission.model.system import Filter as Filter
    from commission.model.system import FilterRanges as FilterRanges
    from commission.model.system import FilterWidth as FilterWidth
    from commission.model.system import Instrument as Instrument
    from commission.model.system import InstrumentKind as InstrumentKind
    from commission.model.system import Mount as Mount
    from commission.model.system import Obstacle as Obstacle
    from commission.model.system import Polarity as Polarity
    from commission.model.system import Position as Position
    from commission.model.system import Processor as Processor
    from commission.model.system import Role as Role
    from commission.model.system import Room as Room
    from commission.model.system import Seat as Seat
    from commission.model.system import Setting as Setting
    from commission.model.system import Steps as Steps
    from commission.model.system import Sweep as Sweep
    from commission.model.system import System as System
    from commission.model.system import Target as Target
    from commission.model.system import TrimRange as TrimRange
    from commission.model.system import merge_settings as merge_settings
    from commission.model.verdict import GUARD_FACTOR as GUARD_FACTOR
    from commission.model.verdict import Check as Check
    from commission.model.verdict import Limit as Limit
    from commission.model.verdict import Verdict as Verdict
    from commission.model.verdict import worst as worst
else:
    from commission.lazy import loader

    NAMES = {
        "budget": ("Budget", "Contribution", "Distribution"),
        "checklist": ("Checklist", "ChecklistItem", "default_checklist", "read_checklist"),
        "errors": ("Cancelled", "CommissionError", "InputError", "StoreError"),
        "events": (
            "EVENT_KINDS",
            "ActionKind",
            "ActionLogged",
            "ChecklistChosen",
            "Decided",
            "EarlierFigure",
            "EarlierVisit",
            "Event",
            "EventBody",
            "JobCreated",
            "LimitsChosen",
            "Noted",
            "PhotoAttached",
            "ReadingEntered",
            "ResponseKind",
            "ResponseStored",
            "RoundOpened",
            "SettingEntered",
            "Signed",
            "StimulusStored",
            "SystemDefined",
            "Withdrawn",
        ),
        "fate": ("Fate", "Followed"),
        "imports": ("ImportOptions", "ImportRow"),
        "issued_sheet": ("SheetBass", "SheetBassSeat", "SheetChannel", "SheetIssued", "SheetSeat"),
        "job": ("Action", "Job", "LeftOut", "Reading", "StoredResponse"),
        "stored_verdicts": ("Judged", "JudgedKind", "JudgedPlace"),
        "limits": ("CheckLimit", "LimitsProfile", "ProfileLimit", "default_profile", "read_profile"),
        "outcome": (
            "Advice",
            "Cause",
            "Choice",
            "Column",
            "Curve",
            "Finding",
            "Grid",
            "GridCell",
            "Outcome",
            "PlanBox",
            "PlanItem",
            "PlanRay",
            "RoomPlan",
            "Row",
            "Series",
            "Table",
            "table_of",
        ),
        "progress": ("CancelToken", "Progress", "unwatched"),
        "protocols": ("AnalysesMemory", "Decoder", "Importer", "Journal", "Rig", "Source"),
        "signal": (
            "Analysed",
            "AnalysedNoise",
            "Analyses",
            "Analysis",
            "ComplexArray",
            "FloatArray",
            "FULL_SCALE",
            "LOOPBACK",
            "RELATIVE",
            "SOUND_PRESSURE",
            "UNSTATED",
            "LoadAnalysis",
            "NoiseAnalysis",
            "Response",
            "Signal",
            "RoomSound",
            "SpectralLine",
            "SweepRecording",
            "UnusableError",
            "freeze",
        ),
        "step": ("Capture", "Prompt", "Step", "Task"),
        "system": (
            "AS_FOUND",
            "AS_LEFT",
            "DEFAULT_BANDS",
            "Band",
            "Channel",
            "DelayRange",
            "DelayUnit",
            "Filter",
            "FilterRanges",
            "FilterWidth",
            "Instrument",
            "InstrumentKind",
            "Mount",
            "Obstacle",
            "Polarity",
            "Position",
            "Processor",
            "Role",
            "Room",
            "Seat",
            "Setting",
            "Steps",
            "Sweep",
            "System",
            "Target",
            "TrimRange",
            "merge_settings",
        ),
        "verdict": ("GUARD_FACTOR", "Check", "Limit", "Verdict", "worst"),
    }
    __all__ = [name for names in NAMES.values() for name in names]
    __getattr__ = loader(__name__, NAMES)
