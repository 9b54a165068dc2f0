"""Runs commands of drift, each in a process of its own that is stopped on the way.

Loading the libraries takes longer than a command over a small source.  So ``python -m
tests.stopped_run`` loads them once and then forks, before anything was run and any thread begun, a
process for each line of JSON that it is given: how and when to stop, the folder of `write`, and the
arguments of the command.  It answers with a line: exit code, output and messages.

How and when are one of

``write N``      killed at the Nth file below ROOT that is opened to write, renamed, made or removed
``size N``       killed when any file grows past N bytes
``time S``       killed after S seconds of the command
``full N``       no file may grow past N bytes, as on a disk that is full
``copy N``       not stopped; at every Nth of those writes the folder is copied beside it, as a kill
                 would leave it there
``key N``        interrupted by the keyboard where ``write N`` would kill
``key_at S``     interrupted by the keyboard after S seconds
``none 0``       not stopped; the last line says how many writes there were, and the seconds, as
                 with ``copy``
"""

import atexit
import functools
import importlib
import json
import os
import pkgutil
import resource
import shutil
import signal
import subprocess
import sys
import threading
from pathlib import Path
from time import perf_counter

import drift
from drift.cli import main
from drift.report.figures.assets import figures_script, library_script

# What the libraries load themselves when they are first used.
_LOADED_LATE = ("formulaic", "statsmodels.stats.multitest", "statsmodels.tsa.api", "scipy.signal")
ROOT = Path(__file__).resolve().parents[1]

_CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "os.link", "os.truncate"}
_writes = 0


def _is_write(event: str, given: tuple[object, ...], root: str) -> bool:
    path = given[0] if given else None
    if not isinstance(path, str | bytes | os.PathLike) or not os.fsdecode(path).startswith(root):
        return False
    if event in _CHANGES:
        return True
    return event == "open" and bool(int(str(given[2])) & (os.O_WRONLY | os.O_RDWR))


def _at_write(number: int, root: str, signal_number: int) -> None:
    def hook(event: str, given: tuple[object, ...]) -> None:
        global _writes  # noqa: PLW0603  # a hook keeps its count somewhere
        if _is_write(event, given, root):
            _writes += 1
            if _writes == number:
                os.kill(os.getpid(), signal_number)

    sys.addaudithook(hook)


def _copy_at_writes(every: int, root: str) -> None:
    def hook(event: str, given: tuple[object, ...]) -> None:
        global _writes  # noqa: PLW0603  # a hook keeps its count somewhere
        if _is_write(event, given, f"{root}{os.sep}"):
            _writes += 1
            if _writes % every == 0 and Path(root).is_dir():
                shutil.copytree(root, f"{root}.stops/{_writes:04}")

    sys.addaudithook(hook)


def _stop(how: str, when: float, root: str) -> None:
    if how in {"write", "none"}:
        _at_write(int(when), root, signal.SIGKILL)
    elif how == "copy":
        _copy_at_writes(int(when), root)
    elif how == "key":
        _at_write(int(when), root, signal.SIGINT)
    elif how == "key_at":
        timer = threading.Timer(when, os.kill, (os.getpid(), signal.SIGINT))
        timer.daemon = True
        timer.start()
    elif how == "time":
        # Without a handler its signal kills.
        signal.setitimer(signal.ITIMER_REAL, when)
    else:
        # Python is deaf to the signal of a file that grew too long; without that it kills.
        signal.signal(signal.SIGXFSZ, signal.SIG_DFL if how == "size" else signal.SIG_IGN)
        resource.setrlimit(resource.RLIMIT_FSIZE, (int(when), resource.RLIM_INFINITY))


def _run(how: str, when: float, root: str, arguments: list[str]) -> None:
    """Run a command in this process, and stop it on the way."""
    sys.argv = ["drift", *arguments]
    _stop(how, when, root)
    start = perf_counter()
    try:
        main()
    finally:
        if how in {"none", "copy"}:
            sys.stdout.write(f"{_writes} {perf_counter() - start:.3f}\n")


def _forked(asked: list[object]) -> dict[str, object]:
    """Run a command in a process of its own; return what became of it."""
    how, when, root, arguments = asked
    # Pipes, which no limit on the size of files concerns, and which hold more than a command says.
    ends = [os.pipe(), os.pipe()]
    child = os.fork()
    if not child:
        for number, (_, into) in enumerate(ends, start=1):
            os.dup2(into, number)
        os.dup2(os.open(os.devnull, os.O_RDONLY), 0)
        os.setpgid(0, 0)
        _run(str(how), float(str(when)), str(root), list(arguments))  # type: ignore[call-overload]
    _, status = os.waitpid(child, 0)
    _end_helpers(child)
    texts = []
    for out_of, into in ends:
        os.close(into)
        with os.fdopen(out_of, encoding="utf-8") as file:
            texts.append(file.read())
    code = os.waitstatus_to_exitcode(status)
    return {"code": code, "stdout": texts[0], "stderr": texts[1]}


def _end_helpers(group: int) -> None:
    """End the helpers that a killed process left in its group."""
    try:
        os.killpg(group, signal.SIGKILL)
    except ProcessLookupError:
        return


def _serve() -> None:
    """Run a command for each line of JSON."""
    for module in pkgutil.walk_packages(drift.__path__, "drift."):
        if not module.name.endswith("__main__"):
            importlib.import_module(module.name)
    for name in _LOADED_LATE:
        importlib.import_module(name)
    for line in sys.stdin:
        asked = json.loads(line)
        if not {"intake", "respond", "--data-only"} & {*asked[-1]}:
            # The same for every page; kept once made.
            library_script()
            figures_script()
        answer = _forked(asked)
        sys.stdout.write(json.dumps(answer) + "\n")
        sys.stdout.flush()


@functools.cache
def _server() -> subprocess.Popen[str]:
    """Start the process that runs commands; it ends when its input does."""
    server = subprocess.Popen(
        [sys.executable, "-m", "tests.stopped_run"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        text=True,
        cwd=ROOT,
        # A process forked from one in which a thread works on frames would wait for it forever.
        env=os.environ | {"POLARS_MAX_THREADS": "1"},
    )
    atexit.register(_end, server)
    return server


def _end(server: subprocess.Popen[str]) -> None:
    """End the process that runs commands."""
    assert server.stdin
    server.stdin.close()
    server.wait()


def run_stopped(
    how: str, when: float, root: Path, *arguments: object
) -> subprocess.CompletedProcess[str]:
    """Run a command and stop it on the way, as the head of this file says."""
    server = _server()
    assert server.stdin
    assert server.stdout
    asked = [how, when, str(root), [*map(str, arguments)]]
    server.stdin.write(json.dumps(asked) + "\n")
    server.stdin.flush()
    told = json.loads(server.stdout.readline())
    command = [*map(str, arguments)]
    return subprocess.CompletedProcess(command, told["code"], told["stdout"], told["stderr"])


if __name__ == "__main__":
    _serve()
