"""The wheel and the source archive hold all that runs need, and run outside the checkout."""

import os
import re
import shlex
import subprocess
import sys
import sysconfig
import tarfile
import zipfile
from pathlib import Path

import pytest

from drift.version import __version__

ROOT = Path(__file__).resolve().parents[1]
RUNTIME = ROOT / ".locks" / "runtime.lock"
READINGS = (
    "meter_id,performed_on,stage,correct_air_pct,reading_air_pct\nA,2026-01-05,as_found,5.0,5.1\n"
)
PROGRAMS = "Scripts" if os.name == "nt" else "bin"
VERSIONS = ("3.11", "3.12", "3.13")


@pytest.fixture(scope="module")
def dist(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Build both by the command of DEVELOPERS.md, into a folder of its own."""
    text = (ROOT / "DEVELOPERS.md").read_text(encoding="utf-8")
    (command,) = re.findall(r"`\.venv/bin/python (-m hatchling build.*?)`", text)
    folder = tmp_path_factory.mktemp("dist")
    built = [sys.executable, *shlex.split(command), "-d", str(folder)]
    subprocess.run(built, check=True, capture_output=True, cwd=ROOT)
    return folder


@pytest.fixture(scope="module")
def wheel(dist: Path) -> Path:
    (path,) = dist.glob("*.whl")
    return path


def test_the_wheel_holds_every_module_query_and_template(wheel: Path) -> None:
    """What lies in drift/, queries/ and reports/ is in the wheel, and no tests or samples are."""
    members = set(zipfile.ZipFile(wheel).namelist())
    assert members >= expected_members()
    assert "drift/py.typed" in members
    assert not any(name.startswith(("tests/", "sample_history/")) for name in members)


def expected_members() -> set[str]:
    """Return modules, texts of the guide, queries and templates by their names in a wheel."""
    code = [path for end in ("py", "md") for path in (ROOT / "drift").rglob(f"*.{end}")]
    return {path.relative_to(ROOT).as_posix() for path in code} | {
        f"drift/{path.relative_to(ROOT).as_posix()}"
        for folder in ("queries", "reports")
        for path in (ROOT / folder).iterdir()
        if path.is_file()
    }


def test_the_source_archive_builds_the_same_wheel(dist: Path, wheel: Path, tmp_path: Path) -> None:
    """Unpacked elsewhere; it holds the sample, the tests and both locks too."""
    (archive,) = dist.glob("*.tar.gz")
    assert archive.name == f"drift-{__version__}.tar.gz"
    with tarfile.open(archive) as opened:
        opened.extractall(tmp_path, filter="data")
    (source,) = tmp_path.iterdir()
    for name in ("sample_history/readings.csv", "requirements.lock", ".locks/runtime.lock"):
        assert (source / name).read_bytes() == (ROOT / name).read_bytes()
    command = [sys.executable, "-m", "hatchling", "build", "--target", "wheel"]
    subprocess.run(command, check=True, capture_output=True, cwd=source)
    (again,) = (source / "dist").glob("*.whl")
    assert members_of(again) == members_of(wheel)


def members_of(wheel: Path) -> dict[str, bytes]:
    with zipfile.ZipFile(wheel) as opened:
        return {name: opened.read(name) for name in opened.namelist()}


def test_the_wheel_says_what_it_is(wheel: Path) -> None:
    """Version, Python and run-time packages; no licence, which is the owner's to give."""
    metadata = next(
        content.decode() for name, content in members_of(wheel).items() if name.endswith("METADATA")
    )
    assert f"\nVersion: {__version__}\n" in metadata
    assert "\nRequires-Python: >=3.11\n" in metadata
    assert not re.search(r"^License", metadata, re.MULTILINE)
    assert "The licence is left to the owner" in " ".join(metadata.split())


def test_the_wheel_runs_without_the_checkout(wheel: Path, tmp_path: Path) -> None:
    """Installed in an environment of its own, it reviews a folder with its own templates.

    Libraries are those of this environment, added behind its own.
    """
    python = environment(tmp_path / "env", Path(sys.executable))
    libraries = sysconfig.get_path("purelib")
    lib = subprocess.run(
        [python, "-c", "import sysconfig; print(sysconfig.get_path('purelib'))"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout.strip()
    Path(lib, "libraries.pth").write_text(libraries + "\n", encoding="utf-8")
    pip_install(python, "--no-index", "--no-deps", wheel)
    at = subprocess.run(
        [python, "-P", "-c", "import drift; print(drift.__file__)"],
        check=True,
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert str(tmp_path / "env") in at.stdout
    reviews(python, tmp_path)


@pytest.mark.long
@pytest.mark.parametrize("version", VERSIONS)
def test_a_full_install_from_the_run_time_lock_reviews(
    version: str, wheel: Path, tmp_path: Path
) -> None:
    """Packages by hash from the index, run-time ones alone, on each Python that is here."""
    base = interpreter(version)
    if base is None:
        pytest.skip(f"no Python {version} here")
    python = environment(tmp_path / "env", base)
    pip_install(python, "--require-hashes", "-r", RUNTIME)
    pip_install(python, "--no-index", "--no-deps", wheel)
    listed = subprocess.run(
        [sys.executable, "-m", "pip", "--python", str(python), "list", "--format", "freeze"],
        check=True,
        capture_output=True,
        text=True,
    ).stdout
    names = {line.partition("==")[0].lower() for line in listed.splitlines()}
    assert names.isdisjoint({"pytest", "mypy", "ruff", "playwright", "hypothesis"})
    size = sum(path.stat().st_size for path in (tmp_path / "env").rglob("*") if path.is_file())
    print(f"Python {version}: {len(names)} packages, {size / 1e6:.0f} MB")
    reviews(python, tmp_path)


def environment(folder: Path, base: Path) -> Path:
    """Make an environment without pip; return its Python."""
    subprocess.run([base, "-m", "venv", "--without-pip", str(folder)], check=True)
    return folder / PROGRAMS / Path(sys.executable).name


def pip_install(python: Path, *what: object) -> None:
    """Install into an environment by the pip of this one."""
    command = [sys.executable, "-m", "pip", "--python", str(python), "install", "-q"]
    subprocess.run([*command, *map(str, what)], check=True, capture_output=True)


def interpreter(version: str) -> Path | None:
    """Return a Python of a version: on the path, or among those of pyenv."""
    kept = Path.home() / ".pyenv" / "versions"
    for path in (f"python{version}", *kept.glob(f"{version}.*/bin/python{version}")):
        try:
            asked = [str(path), "-c", "import sys; print(sys.executable)"]
            ran = subprocess.run(asked, capture_output=True, text=True, check=False)
        except OSError:
            continue
        if ran.returncode == 0:
            return Path(ran.stdout.strip())
    return None


def reviews(python: Path, folder: Path) -> None:
    """Review a small history by the program of an environment, far from any checkout."""
    source, out = folder / "source", folder / "out"
    source.mkdir()
    (source / "r.csv").write_text(READINGS, encoding="utf-8")
    arguments = ["review", str(source), "--out", str(out), "--as-of", "2026-02-01"]
    command = [str(python.parent / "drift"), *arguments]
    ran = subprocess.run(command, capture_output=True, text=True, cwd=folder, check=False)
    assert ran.returncode == 0, ran.stderr
    assert (out / "meters" / "A.html").is_file()
    assert (out / "guide.html").is_file()
