"""This package turns a review into the data of its pages; it writes no HTML and no file."""

from drift.figures.drawing import warm_up
from drift.pages.dossier import dossier_page
from drift.pages.evidence import evidence_page
from drift.pages.fleet import fleet_page
from drift.pages.names import file_name
from drift.pages.retirement import retirement_page
from drift.pages.shares import shares

__all__ = [
    "dossier_page",
    "evidence_page",
    "file_name",
    "fleet_page",
    "retirement_page",
    "shares",
    "warm_up",
]
