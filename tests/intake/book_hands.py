"""Hands that fill in a round's workbook: cells by meter, stage and point, as people type them."""

import shutil
import subprocess
from pathlib import Path
from typing import Any

import openpyxl

_LOCALE = """<?xml version="1.0" encoding="UTF-8"?>
<oor:items xmlns:oor="http://openoffice.org/2001/registry">
<item oor:path="/org.openoffice.Setup/L10N">
<prop oor:name="ooSetupSystemLocale" oor:op="fuse"><value>{}</value></prop></item>
</oor:items>
"""
SOFFICE = shutil.which("soffice")


class Book:
    """A workbook with its tabs by title; columns are known by what stands above them."""

    def __init__(self, path: Path) -> None:
        self.book = openpyxl.load_workbook(path)

    def heads(self, tab: str) -> dict[str, int]:
        """Return the columns of a tab by their heads."""
        return {cell.value: cell.column for cell in self.book[tab][3] if cell.value}

    def rows(self, tab: str, **told: Any) -> list[int]:
        """Return the rows of a tab that say something, by the first word of the head."""
        heads = {name.split(",")[0].split(".")[0]: at for name, at in self.heads(tab).items()}
        sheet = self.book[tab]
        return [
            row
            for row in range(4, sheet.max_row + 1)
            if all(sheet.cell(row, heads[name]).value == value for name, value in told.items())
        ]

    def put(self, tab: str, row: int, **typed: Any) -> None:
        """Type into a row of a tab."""
        heads = self.heads(tab)
        short = {name.split(",")[0].replace(" ", "_"): at for name, at in heads.items()}
        for name, value in typed.items():
            self.book[tab].cell(row, short[name]).value = value

    def read(self, meter: str, stage: str, point: float, *readings: Any, **typed: Any) -> list[int]:
        """Type the readings of one point; return their rows."""
        rows = self.rows("Readings", Meter=meter, Stage=stage, Point=point)[: len(readings)]
        for row, reading in zip(rows, readings, strict=True):
            self.put("Readings", row, Reading=reading, **typed)
        return rows

    def save(self, path: Path) -> Path:
        """Save it elsewhere."""
        self.book.save(path)
        return path


def saved_by_office(path: Path, folder: Path, *, locale: str, form: str = "xlsx") -> Path:
    """Open a workbook in LibreOffice of a country and save it there."""
    profile = folder / f"profile-{locale}"
    (profile / "user").mkdir(parents=True, exist_ok=True)
    settings = profile / "user" / "registrymodifications.xcu"
    settings.write_text(_LOCALE.format(locale), encoding="utf-8")
    out = folder / locale
    command = [str(SOFFICE), f"-env:UserInstallation={profile.as_uri()}", "--headless"]
    command += ["--convert-to", form, "--outdir", str(out), str(path)]
    subprocess.run(command, check=True, capture_output=True, timeout=120)
    return out / f"{path.stem}.{form}"
