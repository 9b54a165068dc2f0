"""This module prints the pages of a review as PDF through an installed browser.

The browser is one of the Chromium family, run without a window, a profile or a network: pages are
opened from disk and need nothing else.  Page numbers and repeated heads come from the pages' own
print style.
"""

import os
import re
import shutil
import subprocess
import tempfile
from collections.abc import Callable
from concurrent.futures import ThreadPoolExecutor, as_completed
from datetime import date
from pathlib import Path

from drift.errors import DriftError

# Executables of the family under the names that they are installed by (common practice, no
# source).
_USUAL_NAMES = (
    "chromium",
    "chromium-browser",
    "google-chrome",
    "google-chrome-stable",
    "chrome",
    "microsoft-edge",
    "msedge",
)
_ARGUMENTS = (
    "--headless",
    "--disable-gpu",
    "--disable-quic",
    "--disable-sync",
    "--disable-extensions",
    "--disable-background-networking",
    "--disable-component-update",
    "--no-first-run",
    "--no-default-browser-check",
    "--no-pdf-header-footer",
    "--host-resolver-rules=MAP * ~NOTFOUND",  # no name is looked up, whatever a page asks for
)
# A page takes about a second; a browser that hangs must not hang the review.
_LONGEST_SECONDS = 120
_HINT = "print a page from any browser instead: its print style has page numbers too"
_DATES = re.compile(rb"/(CreationDate|ModDate) \(D:\d{14}")


def find_browser(asked: Path | None) -> Path:
    """Return the browser to print with.

    Parameters
    ----------
    asked : Path or None
        A program, by path or by name; None to look for the usual names.

    Raises
    ------
    DriftError
        If there is none.
    """
    for name in (str(asked),) if asked else _USUAL_NAMES:
        if found := shutil.which(name):
            return Path(found)
    if asked:
        raise DriftError(
            what="is no program that can be run",
            where=str(asked),
            expected="a browser of the Chromium family",
            hint=_HINT,
        )
    raise DriftError(
        what="no browser was found to print with",
        where="--pdf",
        expected=f"one of {', '.join(_USUAL_NAMES[:3])} or their like on the PATH",
        hint=f"name one with --browser PATH, or {_HINT}",
    )


def print_pages(
    pages: list[str],
    folder: Path,
    *,
    browser: Path,
    as_of: date,
    progress: Callable[[int, int], None],
) -> list[str]:
    """Print each page into a PDF file beside it, on all cores.

    Parameters
    ----------
    pages : list of str
        Names of HTML files below `folder`.
    folder : Path
        Where they are.
    browser : Path
        From `find_browser`.
    as_of : date
        The review's date, which the files give as their own, so that the same pages printed by
        the same browser give the same bytes.
    progress : callable
        Told how many pages are printed and how many there are.

    Returns
    -------
    list of str
        Names of the PDF files below `folder`, in the order of `pages`.

    Raises
    ------
    DriftError
        If the browser fails or prints nothing.
    """
    names = [str(Path(page).with_suffix(".pdf").as_posix()) for page in pages]
    with ThreadPoolExecutor(os.cpu_count() or 1) as pool:
        begun = [
            pool.submit(_print_page, browser, folder / page, folder / name, as_of)
            for page, name in zip(pages, names, strict=True)
        ]
        try:
            for done, future in enumerate(as_completed(begun), start=1):
                future.result()
                progress(done, len(begun))
        except BaseException:
            pool.shutdown(cancel_futures=True)
            raise
    return names


def _print_page(browser: Path, page: Path, pdf: Path, as_of: date) -> None:
    """Print one page, in a profile of its own that is gone afterwards."""
    pdf.unlink(missing_ok=True)
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as profile:
        # Written into the profile's folder: a confined browser may write nowhere else.
        printed = Path(profile) / "page.pdf"
        command = [
            str(browser),
            *_ARGUMENTS,
            *_unconfined(),
            f"--user-data-dir={profile}",
            f"--print-to-pdf={printed}",
            page.resolve().as_uri(),
        ]
        try:
            ran = subprocess.run(  # noqa: S603  # the user's own browser, on a page just written
                command,
                stdin=subprocess.DEVNULL,
                capture_output=True,
                check=False,
                timeout=_LONGEST_SECONDS,
            )
        except (OSError, subprocess.TimeoutExpired) as error:
            raise _failure(browser, page, str(error)) from error
        content = printed.read_bytes() if printed.is_file() else b""
    if not content.startswith(b"%PDF"):
        said = ran.stderr.decode("utf-8", "replace").strip().splitlines()
        raise _failure(browser, page, said[-1] if said else f"exit code {ran.returncode}")
    day = as_of.strftime("%Y%m%d000000").encode()
    pdf.write_bytes(_DATES.sub(rb"/\1 (D:" + day, content))


def _unconfined() -> tuple[str, ...]:
    """Return what a browser needs to run for the administrator, as in a container."""
    as_administrator = hasattr(os, "geteuid") and os.geteuid() == 0
    return ("--no-sandbox",) if as_administrator else ()


def _failure(browser: Path, page: Path, said: str) -> DriftError:
    """Return the error of a page that was not printed."""
    return DriftError(
        what=f"was not printed ({said})",
        where=str(page),
        expected=f"a PDF file from {browser}",
        hint=f"try another with --browser PATH, or {_HINT}",
    )
