"""Arrays of a trace as bytes: a compressed NumPy archive (npz) of float64 arrays, without pickle."""

from __future__ import annotations

import io
import zipfile
from collections.abc import Mapping

import numpy as np

from benchrig.analysis.results import Samples

__all__ = ["pack_arrays", "unpack_arrays"]


def pack_arrays(arrays: Mapping[str, Samples]) -> bytes:
    """Pack named one-dimensional arrays.

    Every float64 comes back as it was, bit by bit. The level of compression is low on purpose: noisy samples hardly
    shrink further, and a run should not wait for it.

    Examples
    --------
    >>> packed = pack_arrays({"time_s": np.array([0.0, 0.1])})
    >>> unpack_arrays(packed)["time_s"].tolist()
    [0.0, 0.1]
    """
    out = io.BytesIO()
    with zipfile.ZipFile(out, "w", zipfile.ZIP_DEFLATED, compresslevel=1) as archive:
        for name, array in arrays.items():
            member = io.BytesIO()
            np.lib.format.write_array(member, np.ascontiguousarray(array, dtype="<f8"), allow_pickle=False)
            # A fixed date keeps equal arrays equal bytes.
            info = zipfile.ZipInfo(f"{name}.npy", (1980, 1, 1, 0, 0, 0))
            info.compress_type = zipfile.ZIP_DEFLATED
            archive.writestr(info, member.getvalue(), compresslevel=1)
    return out.getvalue()


def unpack_arrays(packed: bytes) -> dict[str, Samples]:
    """Unpack what `pack_arrays` packed, in the same order.

    Raises
    ------
    ValueError
        The bytes are damaged, or hold something else.
    """
    try:
        with np.load(io.BytesIO(packed), allow_pickle=False) as archive:
            return {name: np.asarray(archive[name], dtype=np.float64) for name in archive.files}
    except (zipfile.BadZipFile, OSError, EOFError, KeyError) as error:
        raise ValueError(f"the arrays of a trace are damaged: {error}") from error
