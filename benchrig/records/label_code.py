"""The text of the square code on pages and labels, made and read: ``BR2:store-run:tag:verdict:digest:later``."""

from __future__ import annotations

import hashlib
from dataclasses import dataclass
from urllib.parse import quote, unquote

from benchrig.records.run_record import RunRecord

__all__ = ["LabelCode", "label_code", "read_label_code"]

TAG_BYTES = 40
"""A longer tag would make the code's squares too small to read from paper."""
DIGEST_FIGURES = 10
_MARK, _OLDER_MARK = "BR2", "BR1"


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
    later : int or None
        How many later things (`records.later`) were known when it was made; None: older labels do not say.
    """

    run: str
    tag: str
    tag_digest: str
    verdict: str
    digest: str
    store: str = ""
    later: int | None = None

    @property
    def name(self) -> str:
        """The run's number, after its store's name where the label says it."""
        return f"{self.store}-{self.run}" if self.store else self.run

    def means_tag(self, tag: str) -> bool:
        """Whether this is a label of the part with that tag."""
        return tag == self.tag if self.tag else _tag_digest(tag) == self.tag_digest


def label_code(record: RunRecord) -> str:
    """Text of the code on a run's page and label.

    Fields are divided by colons; the tag is percent-encoded (RFC 3986), so it cannot hold one. Of a tag too long for
    the code there are only the first ten hexadecimal figures of its SHA-256, after a ``~``. The digest is the beginning
    of the record's. A run without a verdict says ``aborted``. The run's number stands after the beginning of its
    store's identity, so that the first runs of two stores have two codes. The last field is how many decisions about
    the part, withdrawals of what the run rests on, and later runs of the part were known.
    """
    tag = quote(record.intake.tag, safe="")
    if len(tag) > TAG_BYTES:
        tag = f"~{_tag_digest(record.intake.tag)}"
    verdict = record.verdict or record.ending
    return f"{_MARK}:{record.own_name}:{tag}:{verdict}:{record.digest[:DIGEST_FIGURES]}:{len(record.later)}"


def read_label_code(text: str) -> LabelCode | None:
    """Read what a scanner typed; None when it is no code of ours.

    Examples
    --------
    >>> read_label_code("BR2:9f3c5a17-0042:C-7%2F1:reject:0123456789:1")
    LabelCode(run='0042', tag='C-7/1', tag_digest='', verdict='reject', digest='0123456789', store='9f3c5a17', later=1)
    >>> read_label_code("BR1:0042:C-7%2F1:reject:0123456789").name
    '0042'
    >>> read_label_code("C-1042") is None
    True
    """
    mark, *fields = text.strip().split(":")
    later = None
    if mark == _MARK and len(fields) == 5 and fields[4].isdecimal() and len(fields[4]) < 6:
        later = int(fields.pop())
    elif mark != _OLDER_MARK:
        return None
    if len(fields) != 4 or not fields[1]:
        return None
    name, tag, verdict, digest = fields
    store, _, run = name.rpartition("-")
    if not run.isdigit() or (store and mark == _OLDER_MARK):
        return None
    if tag.startswith("~"):
        return LabelCode(run, "", tag[1:], verdict, digest, store, later)
    return LabelCode(run, unquote(tag), "", verdict, digest, store, later)


def _tag_digest(tag: str) -> str:
    return hashlib.sha256(tag.encode("utf-8", "replace")).hexdigest()[:10]
