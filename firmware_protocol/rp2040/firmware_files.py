"""The files that make up a board's firmware, and their digest: one list for the board and for whoever installs it."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from collections.abc import Callable
    from typing import Any

__all__ = ["FILES", "digest"]

_PROTOCOL = ("__init__", "fields", "frame", "tuples", "messages", "knowledge", "repeats", "running_capture", "board")
_RP2040 = ("__init__", "firmware_files", "registers", "pins", "boot", "monotonic", "usb", "port", "main")
FILES = tuple(
    ["/firmware_protocol/" + name + ".py" for name in _PROTOCOL]
    + ["/firmware_protocol/rp2040/" + name + ".py" for name in _RP2040]
    + ["/main.py", "/boot.py"]
)
"""Paths on the board, in the order in which they are written: what starts the rest comes last."""


def digest(sha256: "Any", read: "Callable[[str], bytes]") -> bytes:
    """First eight bytes of the SHA-256 over path and content of each file; a file that is missing counts as empty.

    Parameters
    ----------
    sha256 : callable
        ``hashlib.sha256``.
    read : callable
        Gives the content of a file, or raises OSError.
    """
    total = sha256(b"")
    for path in FILES:
        total.update(path.encode() + b"\0")
        try:
            total.update(read(path))
        except OSError:
            pass
    return bytes(total.digest()[:8])
