"""This module names everything that can go wrong for a user.

::

    DriftError              anything the user can put right; exit code 2
    ├── SourceError         the folder, a file in it or its tables cannot be used
    ├── StoreError          the store file cannot be opened, read or written
    └── PolicyError         the policy file holds something that cannot be meant
"""

from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from drift.visible import visible


class DriftError(Exception):
    """A problem said in four parts, so that it cannot be raised bare.

    Parameters
    ----------
    what : str
        What is wrong, as one clause.
    where : str
        The file, table, column or option that it concerns.
    expected : str
        What would have been right.
    hint : str
        What the user can do next; empty where `expected` already says it.
    """

    def __init__(self, *, what: str, where: str, expected: str, hint: str = "") -> None:
        self.what = visible(what)
        self.where = visible(where)
        self.expected = visible(expected)
        self.hint = visible(hint)
        super().__init__(f"{self.where}: {self.what}; expected {self.expected}")

    def __reduce__(self) -> tuple[object, ...]:
        """Let it be raised in the process that handed the work over, with all that it says."""
        return _raised_again, (type(self), self.args, self.__dict__)


def _raised_again(
    kind: type[DriftError], args: tuple[object, ...], said: dict[str, object]
) -> DriftError:
    """Return an error of another process as it was there."""
    error = kind.__new__(kind, *args)
    error.__dict__.update(said)
    return error


class SourceError(DriftError):
    """The folder, a file in it or its tables cannot be used."""


class StoreError(DriftError):
    """The store file cannot be opened, read or written."""


class PolicyError(DriftError):
    """The policy file holds something that cannot be meant."""


@contextmanager
def written_into(out: Path) -> Iterator[None]:
    """Say of a block that writes into the folder of ``--out`` what stood in its way.

    Raises
    ------
    DriftError
        If the block fails to write.
    """
    try:
        yield
    except OSError as error:
        raise DriftError(
            what=f"cannot be written ({error.strerror})",
            where=str(error.filename or out),
            expected="a folder that may be written to",
            hint="choose another with --out",
        ) from error
