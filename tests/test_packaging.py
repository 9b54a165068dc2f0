"""The wheel holds all that runs need, and nothing of the checkout is needed beside it."""

import subprocess
import sys
import zipfile
from pathlib import Path

import pytest

ROOT = Path(__file__).resolve().parents[1]


@pytest.fixture(scope="module")
def wheel(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("wheel")
    subprocess.run(
        [
            sys.executable,
            "-m",
            "pip",
            "wheel",
            "-q",
            "--no-build-isolation",
            "--no-deps",
            "--wheel-dir",
            str(folder),
            str(ROOT),
        ],
        check=True,
        capture_output=True,
    )
    return next(folder.glob("*.whl"))


def test_the_wheel_holds_every_module_query_and_template(wheel: Path) -> None:
    """What lies in drift/, queries/ and reports/ is in the wheel, and no tests or samples are."""
    members = set(zipfile.ZipFile(wheel).namelist())
    expected = {path.relative_to(ROOT).as_posix() for path in (ROOT / "drift").rglob("*.py")} | {
        f"drift/{path.relative_to(ROOT).as_posix()}"
        for folder in ("queries", "reports")
        for path in (ROOT / folder).iterdir()
        if path.is_file()
    }
    assert expected - members == set()
    assert "drift/py.typed" in members
    assert not any(name.startswith(("tests/", "sample_history/")) for name in members)


def test_the_wheel_runs_without_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere, it reviews a folder and finds its own queries and templates."""
    source, unpacked, out = tmp_path / "source", tmp_path / "unpacked", tmp_path / "out"
    source.mkdir()
    (source / "r.csv").write_text(
        "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\nA,2026-01-05,as_found,5.0,5.1\n",
        encoding="utf-8",
    )
    zipfile.ZipFile(wheel).extractall(unpacked)
    program = (
        f"import sys; sys.path.insert(0, {str(unpacked)!r}); import drift; print(drift.__file__); "
        "from drift.cli import main; main()"
    )
    ran = subprocess.run(
        [
            sys.executable,
            "-P",
            "-c",
            program,
            "review",
            str(source),
            "--out",
            str(out),
            "--as-of",
            "2026-02-01",
        ],
        capture_output=True,
        text=True,
        cwd=tmp_path,
        check=False,
    )
    assert ran.returncode == 0, ran.stderr
    assert str(unpacked) in ran.stdout
    assert (out / "meters" / "A.html").is_file()
