"""Pages and labels signed with the bench's key as they are written, and held against the store later.

The signature stands in a comment at the end of the file, of HTML or PDF, and covers every byte before it.
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Callable, Iterable, Iterator
from contextlib import suppress
from pathlib import Path

import sqlalchemy as sa

from benchrig.errors import ConfigError
from benchrig.records.bench_keys import BenchKeys, signature_fits
from benchrig.records.run_record import RunRecord
from benchrig.records.seal_check import Fault
from benchrig.records.seals import entries

__all__ = ["check_pages", "signed_page", "signed_pdf"]

_NAMED = re.compile(r"run-(\d{4,17})(?:-[A-Za-z0-9-]*?([0-9a-f]{8}))?(-label)?\.(?:html|pdf)")
_SIGNED = re.compile(rb"(?:<!--|%) signed with the bench's key ([0-9a-f]{16}): ([0-9a-f]{128})(?: -->)?\n\Z")


def signed_page(html: str, record: RunRecord, keys: BenchKeys) -> str:
    """The page with its signature; as it is where the bench's key cannot be read, or there is none yet."""
    return html + _signature(html.encode(), record, keys, "<!-- {} -->\n")


def signed_pdf(pdf: bytes, record: RunRecord, keys: BenchKeys) -> bytes:
    """The same of a PDF: readers pass over a comment behind its end."""
    ended = pdf if pdf.endswith(b"\n") else pdf + b"\n"
    return ended + _signature(ended, record, keys, "% {}\n").encode()


def _signature(told: bytes, record: RunRecord, keys: BenchKeys, comment: str) -> str:
    with suppress(ConfigError):
        signer = keys.there(record.bench.name, simulated=record.bench.simulated)
        if signer is not None:
            return comment.format(f"signed with the bench's key {signer.name}: {signer.sign(_told(told))}")
    return ""


def check_pages(
    connection: sa.Connection, folder: Path, digests: Callable[[str], Iterable[str] | None]
) -> Iterator[tuple[Path, Fault | None]]:
    """Hold each page and label in a folder against its signature and the record that it is of.

    Parameters
    ----------
    digests : callable
        From the name of a run, with its store's where the file says it, to the digests of its record; None for a run
        that is not there.

    Yields
    ------
    tuple
        The file, and what is wrong with it. A file without a signature is left out: it was made before there were any,
        or where the key could not be read.
    """
    known = {entry.key: str(entry.told().get("public", "")) for _, entry in entries(connection, "kind = 'key'")}
    for path in sorted(folder.iterdir()) if folder.is_dir() else ():
        named = _NAMED.fullmatch(path.name)
        if named is None:
            continue
        text = path.read_bytes()
        signed = _SIGNED.search(text)
        if signed is None:
            if b"signed with the bench's key" in text:
                yield path, Fault(f"the file {path.name}", "changed", "its signature is damaged")
            continue
        yield path, _fault(path, text, signed, known, digests(f"{named[2]}-{named[1]}" if named[2] else named[1]))


def _fault(
    path: Path, text: bytes, signed: re.Match[bytes], known: dict[str, str], digests: Iterable[str] | None
) -> Fault | None:
    what = f"the file {path.name}"
    key, signature = signed[1].decode(), signed[2].decode()
    told = text[: signed.start()]
    if not known.get(key):
        return Fault(what, "sealed with another key", f"it is signed with the key {key}, which no bench here has")
    if not signature_fits(known[key], signature, _told(told)):
        return Fault(what, "changed", "something in it was changed since it was made")
    if digests is None:
        return Fault(what, "removed", "the record that it is of is not in the store")
    if not any(digest.encode() in told for digest in digests):
        return Fault(what, "swapped", "it tells of another record than the one of its number in the store")
    return None


def _told(html: bytes) -> bytes:
    return f"benchrig page 1 {hashlib.sha256(html).hexdigest()}".encode()
