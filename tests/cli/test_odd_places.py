"""What is named on the command line and is no plain file or folder is refused, never waited for."""

import os
import re
import sys
from pathlib import Path

import pytest

from drift.cli import main
from drift.cli.options import EXIT_UNUSABLE
from drift.intake.mapping import MAPPING_FILE
from tests.csv_folders import readings, write

KINDS = {
    "link": "is a link",
    "pipe": "is a pipe",
    "device": "is a (link|device)",
    "folder": "is a folder|cannot be read",
    "name not UTF-8": "a name that is not UTF-8",
    "name of two lines": "a name that holds a line break",
}
ODD_NAMES = {"name not UTF-8": b"odd\xff", "name of two lines": b"odd\nname"}


def placed(path: Path, kind: str, *, whole: Path) -> Path:
    """Put something odd at a path, or beside it under an odd name; a link leads to `whole`."""
    if kind == "link":
        path.symlink_to(whole)
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "device":
        path.symlink_to(os.devnull)
    elif kind == "folder":
        path.mkdir()
    else:
        path = Path(os.fsdecode(bytes(path.parent) + b"/" + ODD_NAMES[kind]))
        whole.rename(path)
    return path


@pytest.mark.parametrize(
    ("what", "kind"),
    [
        *(("--policy", kind) for kind in KINDS),
        # A folder is what it should be.
        *(("--previous", kind) for kind in KINDS if kind != "folder"),
        # Its name is given.
        *((MAPPING_FILE, kind) for kind in KINDS if kind not in ODD_NAMES),
    ],
)
def test_no_odd_place_is_read(
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    what: str,
    kind: str,
) -> None:
    """One sentence, exit code 2, nothing written, whatever stands behind it."""
    source = write(tmp_path / "lab", r=readings("A,2024-01-05,as_found,5,5.1"))
    whole = tmp_path / "whole"
    if what == "--previous":
        whole.mkdir()
    else:
        whole.write_text("")
    odd = placed(source / what if what == MAPPING_FILE else tmp_path / "odd", kind, whole=whole)
    if what == "--policy" and kind == "device":
        odd = Path(os.devnull)
    arguments = ["drift", "review", str(source), "--out", str(tmp_path / "out"), "--data-only"]
    monkeypatch.setattr(sys, "argv", arguments + ([] if what == MAPPING_FILE else [what, str(odd)]))
    with pytest.raises(SystemExit) as ended:
        main()
    said = capsys.readouterr()
    sentence = said.err.split("\n\nhint:")[0].rstrip("\n")
    assert ended.value.code == EXIT_UNUSABLE
    assert re.search(KINDS[kind], sentence)
    assert sentence.startswith("drift: ")
    assert sentence.isprintable()
    assert not said.out
    assert not (tmp_path / "out").exists()
