"""This module gives each meter's page a file name; it touches no file."""

import hashlib
import re
import unicodedata

_LONGEST = 48
# Names that Windows keeps for devices, with or without an extension (Microsoft, "Naming Files,
# Paths, and Namespaces"; list from memory).
_DEVICES = {"CON", "PRN", "AUX", "NUL", "CONIN$", "CONOUT$"} | {
    f"{device}{number}" for device in ("COM", "LPT") for number in range(10)
}
# No lower-case letter: on a disk that ignores case, names that are kept as they are must differ.
_KEPT = re.compile(r"[A-Z0-9](?:[A-Z0-9._-]*[A-Z0-9_])?")
_MARK = "~"


def file_name(meter_id: str) -> str:
    """Return a file name for a meter's page: readable, safe anywhere, different for every id.

    Parameters
    ----------
    meter_id : str
        Any text.

    Notes
    -----
    An id of capital letters, digits and ``._-`` keeps its name.  Any other becomes what can be
    read of it, a tilde and ten hexadecimal digits of the SHA-256 of the id; no kept name holds a
    tilde, so the two kinds never meet.
    """
    kept = (
        _KEPT.fullmatch(meter_id) is not None
        and len(meter_id) <= _LONGEST
        and meter_id.split(".", maxsplit=1)[0] not in _DEVICES
    )
    if kept:
        return f"{meter_id}.html"
    ascii_only = unicodedata.normalize("NFKD", meter_id).encode("ascii", "ignore").decode()
    readable = re.sub(r"[^a-z0-9_]+", "-", ascii_only.lower()).strip("-")[:_LONGEST].strip("-")
    digest = hashlib.sha256(meter_id.encode("utf-8", "surrogatepass")).hexdigest()[:10]
    return f"{readable or 'meter'}{_MARK}{digest}.html"
