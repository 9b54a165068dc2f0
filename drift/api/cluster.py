"""This module sends parts of a fleet to a cluster that is there already.

Scheduling, moving and taking up again what a worker that died had begun are Dask's; nothing of it
is ours.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

from drift.api.at_work import Asked, Do
from drift.beside import Done
from drift.errors import DriftError
from drift.threads import cores

# What is said on the command line for a cluster on this machine.
LOCAL = "local"
# Seconds within which a scheduler must answer.
_PATIENCE_S = 30
# Times that a part is begun anew where its worker dies.
_AGAIN = 3


@contextmanager
def cluster_hands(address: str) -> Iterator[Do]:
    """Give what does pieces of work on the workers of a Dask scheduler, as `drift.api.at_work`.

    Parameters
    ----------
    address : str
        Of the scheduler, such as ``tcp://10.0.0.1:8786``; `LOCAL` for workers on this machine.
        Workers must have this version of the program, and reach the folder of the parts.

    Raises
    ------
    DriftError
        If the library is not there or the scheduler does not answer.
    """
    try:
        from distributed import Client, LocalCluster  # noqa: PLC0415  # only where asked for
    except ImportError as error:
        raise DriftError(
            what="needs the library distributed",
            where="--cluster",
            expected="drift installed with its extra [cluster]",
            hint="pip install 'drift[cluster]'",
        ) from error
    made: Any = None
    try:
        if address == LOCAL:
            made = LocalCluster(  # type: ignore[no-untyped-call]  # of a library partly typed
                n_workers=cores(), threads_per_worker=1, dashboard_address=None, silence_logs=50
            )
        client = Client(made or address, timeout=_PATIENCE_S)  # type: ignore[no-untyped-call]  # likewise
        with client:
            yield _Doing(client)
    except (OSError, TimeoutError, ValueError) as error:
        raise DriftError(
            what=f"does not answer ({error})",
            where=address,
            expected="the address of a Dask scheduler, or local",
        ) from error
    finally:
        if made is not None:
            made.close()


class _Doing:
    """Does pieces of work on the workers that a client knows."""

    def __init__(self, client: Any) -> None:  # noqa: ANN401  # of a library without types
        self._client = client

    def __call__(self, work: Callable[[Asked], Done], pieces: Sequence[Asked]) -> Iterator[Done]:
        """Yield what pieces of work gave, in order; each is forgotten then."""
        futures = self._client.map(work, pieces, pure=False, retries=_AGAIN)
        for future in futures:
            yield future.result()
            future.release()
