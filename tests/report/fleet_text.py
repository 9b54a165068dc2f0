"""All pages of a fleet review as one text."""

from drift.report import render
from drift.report.pages.fleet import FleetPage


def fleet_html(page: FleetPage) -> str:
    """Return the HTML of every page of the fleet review, one after the other."""
    return "\n".join(render.html_fleet(page).values())
