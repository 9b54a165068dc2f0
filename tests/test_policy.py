"""The policy file: typed, bounded, and clear about what it cannot mean."""

from pathlib import Path

import pytest

from drift.errors import PolicyError
from drift.policy import Policy, read_policy


def written(folder: Path, text: str) -> Path:
    path = folder / "policy.toml"
    path.write_text(text, encoding="utf-8")
    return path


def test_without_a_file_the_defaults_hold() -> None:
    """No file is the default policy."""
    assert read_policy(None) == Policy()


def test_a_file_changes_only_what_it_names(tmp_path: Path) -> None:
    """Whole numbers serve as numbers, lists as tuples, and the rest keeps its default."""
    chosen = read_policy(
        written(tmp_path, "tolerance_pct = 1\npoints_pct = [0, 5]\ncomparison = 'rounding'\n")
    )
    assert chosen.tolerance_pct == 1.0
    assert chosen.points_pct == (0.0, 5.0)
    assert chosen.comparison == "rounding"
    assert chosen.interval_days == Policy().interval_days


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("toleranse_pct = 0.1", "unknown key 'toleranse_pct'"),
        ("tolerance_pct = 'wide'", "wrong type"),
        ("tolerance_pct = true", "wrong type"),
        ("interval_days = 91.5", "wrong type"),
        ("points_pct = [0, 'five']", "wrong type"),
        ("tolerance_pct = -0.1", "out of range"),
        ("tolerance_pct = nan", "out of range"),
        ("baseline_visits = 2", "out of range"),
        ("comparison = 'eyeball'", "unknown"),
        ("points_pct = [5, 0]", "ascending"),
        ("points_pct = []", "ascending"),
        ("watch_probability = 0.9", "exceeds drifting_probability"),
        ("rules = ['beyond_limit']", "did you mean 'beyond_limits'"),
        ("charts = ['individual']", "did you mean 'individuals'"),
        ("charts = []", "charts is empty"),
        ("limits = 'sigmas'", "did you mean 'sigma'"),
        ("tolerance_pct 0.1", "is not TOML"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """Each refusal says what is wrong."""
    with pytest.raises(PolicyError, match=says.replace("(", r"\(")):
        read_policy(written(tmp_path, text))


def test_a_misspelt_key_names_the_nearest(tmp_path: Path) -> None:
    """The hint holds the key that was probably meant."""
    with pytest.raises(PolicyError) as caught:
        read_policy(written(tmp_path, "toleranse_pct = 0.1"))
    assert "tolerance_pct" in caught.value.hint


def test_a_missing_file_is_an_error(tmp_path: Path) -> None:
    """A policy asked for and not there is never the default policy."""
    with pytest.raises(PolicyError, match="cannot be read"):
        read_policy(tmp_path / "none.toml")
