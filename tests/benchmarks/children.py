"""This module runs a command as a child process and measures it; it knows no benchmark."""

import os
import subprocess
import sys
from dataclasses import dataclass
from time import perf_counter

KIB_PER_MIB = 1024
# ru_maxrss counts bytes on macOS and KiB on Linux.
RSS_PER_MIB = KIB_PER_MIB**2 if sys.platform == "darwin" else KIB_PER_MIB


@dataclass(frozen=True, slots=True)
class Measured:
    """What one run took and printed.

    Attributes
    ----------
    seconds : float
        Wall time.
    cpu_seconds : float
        Time on all processors together; on a busy machine the steadier of the two.
    peak_mib : float
        Peak resident memory of the child.
    output : str
        What it printed.
    """

    seconds: float
    cpu_seconds: float
    peak_mib: float
    output: str


def measure(command: list[str], *, repeats: int = 1) -> Measured:
    """Run a command and return its best times and highest peak memory.

    Parameters
    ----------
    command : list of str
        Program and arguments.
    repeats : int
        How many times to run it.

    Raises
    ------
    RuntimeError
        If a run ends with an exit code other than 0; the message holds what it printed.
    """
    runs = [_run(command) for _ in range(repeats)]
    return Measured(
        seconds=min(run.seconds for run in runs),
        cpu_seconds=min(run.cpu_seconds for run in runs),
        peak_mib=max(run.peak_mib for run in runs),
        output=runs[-1].output,
    )


def _run(command: list[str]) -> Measured:
    """Run a command once; `wait4` reports the memory of this child alone."""
    start = perf_counter()
    with subprocess.Popen(
        command, stdout=subprocess.PIPE, stderr=subprocess.STDOUT, text=True
    ) as child:
        assert child.stdout is not None
        output = child.stdout.read()
        _, status, usage = os.wait4(child.pid, 0)
        seconds = perf_counter() - start
        child.returncode = os.waitstatus_to_exitcode(status)
    if child.returncode != 0:
        raise RuntimeError(f"{' '.join(command)} ended with {child.returncode}:\n{output}")
    return Measured(
        seconds=seconds,
        cpu_seconds=usage.ru_utime + usage.ru_stime,
        peak_mib=usage.ru_maxrss / RSS_PER_MIB,
        output=output,
    )
