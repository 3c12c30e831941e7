"""Arrays of a trace as bytes: a compressed NumPy archive (npz), without pickle, every float64 bit by bit.

Samples of a converter take few values, and times go up in equal steps: written so, they take under a third of the room.
The archive needs this program no more than any npz does. Its members, with ``name`` one of the trace's arrays:

``name``
    The float64 values themselves, as older programs wrote all of them.
``name@steps1``, ``name@steps2``
    The values' 64-bit patterns, differenced once or twice (modulo 2**64, the first against 0), as 8 rows of bytes from
    the lowest to the highest. Back with NumPy alone, here for once differenced::

        steps = np.ascontiguousarray(archive["time_s@steps1"].T).view("<u8").ravel()
        time_s = np.cumsum(steps, dtype="u8").view("f8")

``name@levels`` and ``name@index``
    The different values in the order of their patterns, as ``@steps1``, and which of them each sample is, as 2 rows of
    bytes. Back: ``levels[np.ascontiguousarray(archive["pressure_pa@index"].T).view("<u2").ravel()]``.
"""

from __future__ import annotations

import io
import zipfile
import zlib
from collections.abc import Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from benchrig.analysis.results import Samples

__all__ = ["pack_arrays", "unpack_arrays"]

Bytes = npt.NDArray[np.uint8]
Patterns = npt.NDArray[np.uint64]

LEVEL = 6
"""Of the compression: 4 to 9 differ by two per cent in size and by a factor in time."""
FEW = 4
"""An array is written by its levels when it has so many times fewer different values than samples."""
MOST_LEVELS = 1 << 16
_STEPS = ("steps1", "steps2")


def pack_arrays(arrays: Mapping[str, Samples]) -> bytes:
    """Pack named one-dimensional arrays.

    Examples
    --------
    >>> packed = pack_arrays({"time_s": np.array([0.0, 0.1])})
    >>> unpack_arrays(packed)["time_s"].tolist()
    [0.0, 0.1]
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=LEVEL) as archive:
        for name, array in arrays.items():
            for member, content in _members(name, np.ascontiguousarray(array, dtype="<f8")):
                written = io.BytesIO()
                np.lib.format.write_array(written, content, allow_pickle=False)
                # A fixed date keeps equal arrays equal bytes.
                info = zipfile.ZipInfo(f"{member}.npy", (1980, 1, 1, 0, 0, 0))
                info.compress_type = zipfile.ZIP_DEFLATED
                archive.writestr(info, written.getvalue(), compresslevel=LEVEL)
    return out.getvalue()


def unpack_arrays(packed: bytes) -> dict[str, Samples]:
    """Unpack what `pack_arrays` packed, of this program or an older one, in the same order.

    Raises
    ------
    ValueError
        The bytes are damaged, or hold something else.
    """
    found: dict[str, Samples] = {}
    levels: Samples | None = None
    try:
        with np.load(io.BytesIO(packed), allow_pickle=False) as archive:
            for member in archive.files:
                name, _, how = member.rpartition("@")
                content = archive[member]
                if how == "levels":
                    levels = _from_steps(content, 1)
                elif how == "index" and levels is not None:
                    found[name] = levels[_joined(content, "<u2")]
                elif how in _STEPS:
                    found[name] = _from_steps(content, 1 + _STEPS.index(how))
                else:
                    found[member] = np.asarray(content, dtype=np.float64)
    except (zipfile.BadZipFile, zlib.error, OSError, EOFError, KeyError, IndexError, ValueError) as error:
        raise ValueError(f"the arrays of a trace are damaged: {error}") from error
    return found


def _members(name: str, array: Samples) -> list[tuple[str, npt.NDArray[Any]]]:
    patterns = array.view("<u8")
    levels, index = np.unique(patterns, return_inverse=True)
    if len(levels) * FEW <= len(array) and len(levels) <= MOST_LEVELS:
        return [(f"{name}@levels", _steps(levels, 1)), (f"{name}@index", _planes(index.ravel().astype("<u2")))]
    once, twice = _steps(patterns, 1), _steps(patterns, 2)
    # A quick look decides; the first differences win where it makes no odds.
    if len(zlib.compress(twice.tobytes(), 1)) < len(zlib.compress(once.tobytes(), 1)):
        return [(f"{name}@steps2", twice)]
    return [(f"{name}@steps1", once)]


def _steps(patterns: Patterns, times: int) -> Bytes:
    for _ in range(times):
        before = np.concatenate((np.zeros(1, dtype="<u8"), patterns[:-1]))[: len(patterns)]
        patterns = patterns - before  # modulo 2**64
    return _planes(patterns.astype("<u8"))


def _from_steps(planes: Bytes, times: int) -> Samples:
    patterns = _joined(planes, "<u8")
    for _ in range(times):
        patterns = np.cumsum(patterns, dtype=np.uint64)
    return patterns.astype("<u8").view("<f8").astype(np.float64, copy=False)


def _planes(numbers: npt.NDArray[Any]) -> Bytes:
    """Bytes of whole numbers as rows, the lowest first: rows of high bytes are nearly all alike."""
    return np.ascontiguousarray(numbers.view(np.uint8).reshape(len(numbers), numbers.itemsize).T)


def _joined(planes: Bytes, kind: str) -> npt.NDArray[Any]:
    if planes.dtype != np.uint8 or planes.ndim != 2 or len(planes) != np.dtype(kind).itemsize:
        raise ValueError(f"an array of {planes.dtype} {planes.shape} where rows of bytes were expected")
    return np.ascontiguousarray(planes.T).view(kind).ravel()
