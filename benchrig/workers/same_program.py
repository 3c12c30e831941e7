"""What has to be the same on two computers for the same results to the last bit."""

from __future__ import annotations

import hashlib
import platform
from functools import lru_cache
from importlib.metadata import version
from importlib.util import find_spec
from pathlib import Path

__all__ = ["program"]

_OURS = ("benchrig", "simulators", "firmware_protocol")


@lru_cache(maxsize=1)
def program() -> dict[str, str]:
    """Versions of what computes, by name; of our own code the beginning of a digest of all its lines besides.

    A processor of another kind may still round otherwise in a last bit: that is not told here.
    """
    return {
        "Python": ".".join(platform.python_version_tuple()[:2]),
        "benchrig": f"{version('benchrig')} ({_lines()})",
        **{name: version(name) for name in ("numpy", "scipy")},
    }


def _lines() -> str:
    found = hashlib.sha256()
    for package in _OURS:
        spec = find_spec(package)
        for folder in sorted((spec.submodule_search_locations or ()) if spec is not None else ()):
            for path in sorted(Path(folder).rglob("*.py")):
                found.update(f"{package}/{path.relative_to(folder).as_posix()}\n".encode() + path.read_bytes())
    return found.hexdigest()[:8]
