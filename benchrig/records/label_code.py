"""The text of the square code on a label, made and read: ``BR2:store-run:tag:verdict:digest``."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from urllib.parse import quote, unquote

from benchrig.records.run_record import RunRecord

__all__ = ["LabelCode", "label_code", "read_label_code"]

TAG_BYTES = 40
"""A longer tag would make the code's squares too small to read from paper."""
DIGEST_FIGURES = 10
_MARK, _WITHOUT_STORE = "BR2", "BR1"


@dataclass(frozen=True)
class LabelCode:
    """What a label says.

    Attributes
    ----------
    run : str
        Number of the run, as it is printed.
    tag : str
        The part's tag; empty when it was too long for the code.
    tag_digest : str
        The first ten hexadecimal figures of the SHA-256 of such a long tag; empty otherwise.
    verdict : str
        Or ``aborted``.
    digest : str
        The beginning of the record's digest.
    store : str
        The first eight figures of the identity of the store that it was recorded in; empty on older labels.
    """

    run: str
    tag: str
    tag_digest: str
    verdict: str
    digest: str
    store: str = ""

    def means_tag(self, tag: str) -> bool:
        """Whether this is a label of the part with that tag."""
        return tag == self.tag if self.tag else _tag_digest(tag) == self.tag_digest


def label_code(record: RunRecord) -> str:
    """Text of the code on a run's label.

    Fields are divided by colons; the tag is percent-encoded (RFC 3986), so it cannot hold one. Of a tag too long for
    the code there are only the first ten hexadecimal figures of its SHA-256, after a ``~``. The digest is the beginning
    of the record's. A run without a verdict says ``aborted``. The run's number stands after the beginning of its
    store's identity, so that the first runs of two stores have two codes.
    """
    tag = quote(record.intake.tag, safe="")
    if len(tag) > TAG_BYTES:
        tag = f"~{_tag_digest(record.intake.tag)}"
    mark = _MARK if record.store else _WITHOUT_STORE
    return f"{mark}:{record.own_name}:{tag}:{record.verdict or record.ending}:{record.digest[:DIGEST_FIGURES]}"


def read_label_code(text: str) -> LabelCode | None:
    """Read what a scanner typed; None when it is no code of ours.

    Examples
    --------
    >>> read_label_code("BR1:0042:C-7%2F1:reject:0123456789")
    LabelCode(run='0042', tag='C-7/1', tag_digest='', verdict='reject', digest='0123456789', store='')
    >>> read_label_code("BR2:9f3c5a17-0042:C-7:reject:0123456789").store
    '9f3c5a17'
    >>> read_label_code("C-1042") is None
    True
    """
    fields = text.strip().split(":")
    if len(fields) != 5 or fields[0] not in (_MARK, _WITHOUT_STORE) or not fields[2]:
        return None
    mark, name, tag, verdict, digest = fields
    store, _, run = name.rpartition("-")
    if not run.isdigit() or bool(store) != (mark == _MARK):
        return None
    if tag.startswith("~"):
        return LabelCode(run, "", tag[1:], verdict, digest, store)
    return LabelCode(run, unquote(tag), "", verdict, digest, store)


def _tag_digest(tag: str) -> str:
    return hashlib.sha256(tag.encode("utf-8", "replace")).hexdigest()[:10]
