"""What stands folded below a dossier says the truth in a line."""

import pytest

from drift.report.pages.dossier_annex import conformity_line
from drift.report.pages.dossier_conformity import VerdictRow


def judged(stage: str, point: float, verdict: str, p: float | None) -> VerdictRow:
    return VerdictRow(
        point_pct=point,
        stage=stage,
        bias=0.1,
        expanded_u=0.05,
        limit=0.1,
        verdict=verdict,
        p_conform=p,
    )


@pytest.mark.parametrize(
    ("last", "said"),
    [
        (
            [
                judged("as found", 0.0, "passes", 0.92),
                judged("as left", 0.0, "passes", 0.999),
                judged("as found", 5.0, "fails", 0.18),
                judged("as left", 5.0, "passes", 0.97),
            ],
            (
                "as found fails at 5 %, an 18 % chance that it conforms; "
                "as left passes at 0 % and 5 %, a 97 % chance that it conforms; simple acceptance"
            ),
        ),
        (
            [judged("as found", 5.0, "passes conditionally", None)],
            "as found passes at 5 %; simple acceptance",
        ),
        (
            [judged("as found", 5.0, "cannot say", None)],
            "as found cannot say; simple acceptance",
        ),
        ([], "no reading to judge"),
    ],
)
def test_conformity_is_told_as_found_and_as_left(last: list[VerdictRow], said: str) -> None:
    """A meter that failed as found and was put right did not fail as it left the bench."""
    *_, gist = conformity_line(last, "simple_acceptance")
    assert gist.replace("\u00a0", " ") == said
