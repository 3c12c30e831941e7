"""The bench file of the demo bench, as a person would have written it after measuring the bench's constants."""

from __future__ import annotations

import re
from functools import cache
from pathlib import Path

__all__ = ["demo_bench_toml", "with_addresses", "with_stand_in", "with_tank"]

_PLACES = (Path(__file__).parents[1] / "fixtures" / "demo", Path(__file__).parent / "demo")
"""Where it lies: in the source tree, and beside the installed package."""
TANK_CHILL = "chill_k = 28.0              # how much colder than the walls it is when it has been let down"
TANK = """[tank]                      # vacuum tank between pump and isolation valve, with a vacuum switch of its own
volume_l = 2.0
let_down_s = 0.9            # from the drawn tank to the hold vacuum
leak_most_sccm = 30.0       # tank, pump and check valve together may let in no more"""


@cache
def _text() -> str:
    for place in _PLACES:
        if (place / "bench.toml").is_file():
            return (place / "bench.toml").read_text(encoding="utf-8")
    raise FileNotFoundError(f"bench.toml is in none of {', '.join(map(str, _PLACES))}: the installation is not whole")


def demo_bench_toml(port: str = "memory", meter_address: str = "memory") -> str:
    """Return the text of the demo bench's file.

    Parameters
    ----------
    port : str
        Of the board: "memory" or the path of a serial port.
    meter_address : str
        Of the multimeter: "memory" or a VISA address.

    Returns
    -------
    str
        TOML.

    Examples
    --------
    >>> import tomllib
    >>> tomllib.loads(demo_bench_toml("/tmp/board", "TCPIP::127.0.0.1::5025::SOCKET"))["board"]["port"]
    '/tmp/board'
    """
    return with_addresses(_text(), port, meter_address)


def with_addresses(text: str, port: str, meter_address: str) -> str:
    """Write other addresses of board and meter into the text of a bench file, and leave the rest as it is.

    Raises
    ------
    ValueError
        The text has no line for one of them.

    Examples
    --------
    >>> with_addresses(demo_bench_toml("a", "b"), "memory", "memory") == demo_bench_toml()
    True
    """
    for table, key, value in (("board", "port", port), ("meter", "address", meter_address)):
        line = re.compile(
            rf"(^\[{table}\](?:(?!^\[).)*?^{key}\s*=\s*)(\"[^\"\n]*\"|'[^'\n]*')", re.MULTILINE | re.DOTALL
        )
        found = line.search(text)
        if found is None:
            raise ValueError(f'The bench file has no line {key} = "..." in its table [{table}].')
        text = text[: found.start(2)] + _quoted(value) + text[found.end(2) :]
    return text


def with_tank(text: str) -> str:
    """Write the demonstration's vacuum tank into a bench file that has none; gas let down is colder than pumped down.

    Examples
    --------
    >>> import tomllib
    >>> tomllib.loads(with_tank(demo_bench_toml()))["tank"]["volume_l"]
    2.0
    """
    if re.search(r"^\[tank\]", text, re.MULTILINE):
        return text
    text = re.sub(r"^chill_k = .*$", TANK_CHILL, text, count=1, flags=re.MULTILINE)
    return text.replace("[background]", f"{TANK}\n\n[background]", 1)


def with_stand_in(text: str, address: str) -> str:
    """Write into a bench file who connects references in place of a person.

    Examples
    --------
    >>> with_stand_in("[bench]", "127.0.0.1:5000").splitlines()[1]
    'stand_in = "127.0.0.1:5000"   # connects references in place of a person'
    """
    line = f"[bench]\nstand_in = {_quoted(address)}   # connects references in place of a person"
    return text.replace("[bench]", line, 1)


def _quoted(text: str) -> str:
    """Write a TOML basic string."""
    escaped = "".join(f"\\u{ord(c):04x}" if c in '"\\' or ord(c) < 0x20 or ord(c) == 0x7F else c for c in text)
    return f'"{escaped}"'
