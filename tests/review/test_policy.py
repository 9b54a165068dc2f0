"""The policy file: typed, bounded, and clear about what it cannot mean."""

import dataclasses
import os
import re
import resource
import subprocess
import sys
from pathlib import Path

import pytest

from drift.errors import PolicyError
from drift.review.policy import Policy, choices_of, read_policy
from drift.review.policy_checks import BOUNDS, ORDERED
from tests.csv_folders import readings, write

_ROOM = 6 * 2**30


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


def test_a_byte_order_mark_is_no_part_of_the_file(tmp_path: Path) -> None:
    """Saved by an editor that puts one first, the file says the same."""
    assert read_policy(written(tmp_path, "\ufefftolerance_pct = 0.2\n")).tolerance_pct == 0.2


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
        ("points_pct = [0, 31]", "out of range"),
        ("points_pct = [nan]", "out of range"),
        ("stop_probability = 1.1", "out of range"),
        ("required_points_pct = [5, 0]", "ascending"),
        ("required_points_pct = [0, 31]", "out of range"),
        ("required_points_pct = ['five']", "wrong type"),
        ("rules = ['beyond_limit']", "did you mean 'beyond_limits'"),
        ("charts = ['zzz']", "'zzz' is unknown; expected among individuals,"),
        ("charts = ['individual']", "did you mean 'individuals'"),
        ("charts = []", "charts is empty"),
        ("charts = ['marks']", "did you mean 'mark'"),
        ("baseline_dates = ['2025-01-01']", "first and a last day"),
        ("baseline_dates = ['2025-06-30', '2025-01-01']", "first and a last day"),
        ("baseline_dates = ['spring', 'summer']", "first and a last day"),
        ("baseline_dates = '2025-01-01'", "wrong type"),
        ("phase_level = 0", "out of range"),
        ("limits = 'sigmas'", "did you mean 'sigma'"),
        ("intervals = 91", "intervals = 91 has the wrong type"),
        ("target = 0.9", "unknown key 'target'"),
        ("[tolerance_pct]\nwide = 1", "wrong type"),
        ("[intervals]\ntarget = 1.0", "intervals.target = 1.0 is out of range"),
        ("[intervals]\ntarget = 'high'", "intervals.target = 'high' has the wrong type"),
        ("[intervals]\nshortest_days = 120", "intervals.shortest_days exceeds"),
        ("[retirement]\nceiling_days = 91", "unknown key 'retirement.ceiling_days'"),
        ("[retirement]\ncheck_price = -1", "retirement.check_price = -1.0 is out of range"),
        ("[retirement]\nleft_out_visits = 4", "exceeds retirement.recent_adjustments"),
        ("decision_rule = 'guarded_by_2u'", "did you mean 'guarded_by_u'"),
        ("tolerance_pct 0.1", "is not TOML"),
        ("tolerance_pct = 1e-6", "out of range"),
        ("resolution_pct = 1e-7", "out of range"),
        ("points_pct = [" + ", ".join(f"{n / 10}" for n in range(40)) + "]", "40 points"),
        ("charts = ['ewma', 'ewma']", "charts names one twice"),
        ("rules = ['beyond_limits', 'beyond_limits']", "rules names one twice"),
        ("tolerance_pct = 1" + "0" * 400, "more digits than can be meant"),
        ("interval_days = 0x" + "f" * 9000, "more digits than can be meant"),
        ("rules = " + "[" * 9000, "is not TOML"),
    ],
)
def test_what_cannot_be_meant_is_refused(tmp_path: Path, text: str, says: str) -> None:
    """Each refusal says what is wrong."""
    with pytest.raises(PolicyError) as caught:
        read_policy(written(tmp_path, text))
    told = f"{caught.value} {caught.value.hint}"
    assert re.search(says.replace("(", r"\("), told), told


def test_a_table_changes_only_what_it_names(tmp_path: Path) -> None:
    """Whole numbers serve as numbers in a table too, and the rest of it keeps its default."""
    chosen = read_policy(
        written(tmp_path, "[intervals]\nceiling_days = 61\n[retirement]\ncheck_price = 40\n")
    )
    assert chosen.intervals == dataclasses.replace(Policy().intervals, ceiling_days=61)
    assert chosen.retirement == dataclasses.replace(Policy().retirement, check_price=40.0)
    assert choices_of(chosen)["intervals.ceiling_days"] == 61
    assert choices_of(chosen)["tolerance_pct"] == Policy().tolerance_pct


def test_a_misspelt_key_names_the_nearest(tmp_path: Path) -> None:
    """The hint holds the key that was probably meant."""
    with pytest.raises(PolicyError) as caught:
        read_policy(written(tmp_path, "toleranse_pct = 0.1"))
    assert "tolerance_pct" in caught.value.hint
    with pytest.raises(PolicyError) as caught:
        read_policy(written(tmp_path, "[intervals]\nceiling = 61"))
    assert "intervals.ceiling_days" in caught.value.hint


@pytest.mark.parametrize(
    ("text", "hint"),
    [
        ("ceiling_days = 61", "it belongs in [intervals]"),
        ("[retirement]\ntarget = 0.9", "it belongs in [intervals]"),
        ("[intervals]\nband_level = 0.9", "it belongs before the first table"),
    ],
)
def test_a_key_in_the_wrong_place_is_told_its_own(tmp_path: Path, text: str, hint: str) -> None:
    """TOML reads all that follows a table's head as that table's."""
    with pytest.raises(PolicyError) as caught:
        read_policy(written(tmp_path, text))
    assert caught.value.hint == hint


def test_what_is_no_file_or_too_long_is_never_read(tmp_path: Path) -> None:
    """A pipe that nobody writes to would never end, nor would a device."""
    os.mkfifo(tmp_path / "pipe")
    with pytest.raises(PolicyError, match="is a pipe"):
        read_policy(tmp_path / "pipe")
    with pytest.raises(PolicyError, match="is a device"):
        read_policy(Path(os.devnull))
    with pytest.raises(PolicyError, match="too long"):
        read_policy(written(tmp_path, "# much\n" * 200_000))


def test_a_missing_file_is_an_error(tmp_path: Path) -> None:
    """A policy asked for and not there is never the default policy."""
    with pytest.raises(PolicyError, match="does not exist"):
        read_policy(tmp_path / "none.toml")


def _extremes() -> list[tuple[str, float]]:
    """Return every field that has bounds, at the lowest and at the highest."""
    return [(name, end) for name, low, high in BOUNDS for end in (low, high)]


@pytest.mark.long
@pytest.mark.parametrize(("name", "end"), _extremes())
def test_every_choice_at_its_bounds_can_be_reviewed(tmp_path: Path, name: str, end: float) -> None:
    """What may be chosen can be worked out, in the memory of a small machine."""
    given = {name: end}
    while moved := [
        (less, more)
        for less, more in ORDERED
        if given.get(less, choices_of(Policy())[less]) > given.get(more, choices_of(Policy())[more])  # type: ignore[operator]  # numbers
    ]:
        less, more = moved[0]
        given |= {more: given[less]} if less in given else {less: given[more]}
    lines: dict[str, list[str]] = {"": []}
    for key, value in given.items():
        table, _, field = key.rpartition(".")
        whole = isinstance(choices_of(Policy())[key], int)
        lines.setdefault(table, []).append(f"{field} = {int(value) if whole else float(value)}")
    text = "".join(
        (f"[{table}]\n" if table else "") + "\n".join(fields) + "\n"
        for table, fields in lines.items()
    )
    rows = [f"A,2024-{month:02}-15,as_found,5.0,{5 + month / 100}" for month in range(1, 13)]
    source = write(tmp_path / "in", readings=readings(*rows, "B,2024-01-15,as_found,0,30"))
    command = [sys.executable, "-m", "drift", "review", str(source), "--data-only", "--policy"]
    ran = subprocess.run(
        [*command, str(written(tmp_path, text)), "--out", str(tmp_path / "out")],
        capture_output=True,
        text=True,
        check=False,
        timeout=300,
        preexec_fn=lambda: resource.setrlimit(resource.RLIMIT_AS, (_ROOM, _ROOM)),
    )
    assert (ran.returncode, ran.stderr) == (0, "")
