"""Where the rooms meet: a charger's folder to figures and findings, kept in derived/ until something changes."""

from brickbook.analysis.analyse import Analysis, analyse_charger, study_rules
from brickbook.analysis.gather import Gathered, gather
from brickbook.analysis.store import Stored, code_digest, is_current, load, save, view_for

__all__ = [
    "Analysis",
    "Gathered",
    "Stored",
    "analyse_charger",
    "code_digest",
    "gather",
    "is_current",
    "load",
    "save",
    "study_rules",
    "view_for",
]
