"""Bounds of fields: the error that knows where the fault is, and the checks that raise it."""

__all__ = ["FieldError", "check", "check_least", "check_length"]


class FieldError(ValueError):
    """A field out of bounds, or a body of the wrong length.

    Attributes
    ----------
    offset : int
        Offset of the field in the body, bytes; -1 if the length is wrong.
    """

    def __init__(self, text: str, offset: int) -> None:
        super().__init__(text)
        self.offset = offset


def check(name: str, value: int, low: int, high: int, offset: int) -> None:
    """Raise `FieldError` unless ``low <= value <= high``."""
    if not low <= value <= high:
        raise FieldError(f"{name} {value}, {low} to {high} allowed", offset)


def check_length(name: str, body: bytes, length: int) -> None:
    """Raise `FieldError` unless the body is exactly that long."""
    if len(body) != length:
        raise FieldError(f"{name} body of {len(body)} bytes, {length} needed", -1)


def check_least(name: str, body: bytes, least: int) -> None:
    """Raise `FieldError` if the body is shorter than that."""
    if len(body) < least:
        raise FieldError(f"{name} body of {len(body)} bytes, at least {least} needed", -1)
