"""Where the rooms meet: a charger's folder to figures and findings, kept in derived/ until something changes."""

from brickbook.analysis.analyse import Analysis, analyse_charger, study_rules
from brickbook.analysis.gather import Gathered, gather
from brickbook.analysis.intake import Intake, Wishes, check_wishes, look_at, plateaus_in, read_as, shape_for
from brickbook.analysis.store import Stored, code_digest, is_current, load, save, view_for

__all__ = [
    "Analysis",
    "Gathered",
    "Intake",
    "Stored",
    "Wishes",
    "analyse_charger",
    "check_wishes",
    "code_digest",
    "gather",
    "is_current",
    "load",
    "look_at",
    "plateaus_in",
    "read_as",
    "save",
    "shape_for",
    "study_rules",
    "view_for",
]
