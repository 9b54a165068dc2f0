"""The command line as a person runs it, within the process of the tests.

A process of its own spends seconds on loading libraries; `tests/cli/test_arguments.py` and what
tests signals, threads or loading start one.
"""

import contextlib
import io
import subprocess
import sys
from pathlib import Path
from unittest import mock

from drift.cli import main


def run_here(*arguments: object, cwd: Path | None = None) -> subprocess.CompletedProcess[str]:
    """Run the command line here, nobody at the keyboard; return what a process would.

    Parameters
    ----------
    arguments : object
        What stands after ``drift``.
    cwd : Path or None
        Folder to run in; None for that of now.
    """
    kept = (io.BytesIO(), io.BytesIO())
    said, trouble = (
        io.TextIOWrapper(bytes_, encoding="utf-8", newline="", write_through=True)
        for bytes_ in kept
    )
    command = ["drift", *map(str, arguments)]
    code = 0
    with (
        contextlib.ExitStack() as stack,
        contextlib.redirect_stdout(said),
        contextlib.redirect_stderr(trouble),
        mock.patch.object(sys, "argv", command),
        mock.patch.object(sys, "stdin", io.TextIOWrapper(io.BytesIO())),
    ):
        if cwd is not None:
            stack.enter_context(contextlib.chdir(cwd))
        try:
            main()
        except SystemExit as end:
            # None ends a process well, words that it prints end it with 1.
            code = end.code if isinstance(end.code, int) else int(end.code is not None)
    texts = [bytes_.getvalue().decode() for bytes_ in kept]
    return subprocess.CompletedProcess(command, code, *texts)
