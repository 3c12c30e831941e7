"""The flash of a board: MicroPython, and behind it the file system with the files that BOARD.md copies there."""

from __future__ import annotations

from pathlib import Path

from firmware_protocol.rp2040.firmware_files import FILES
from tests.helpers import REPOSITORY

BYTES = 2 * 1024 * 1024
FILE_SYSTEM_AT = 640 * 1024  # what MicroPython leaves to the program: MICROPY_HW_FLASH_STORAGE_BYTES of the RPI_PICO
BLOCK_BYTES = 4096


def firmware_files() -> dict[str, bytes]:
    """Content of each file on the board, by its path there."""
    return {path: firmware_source(path).read_bytes() for path in FILES}


def firmware_source(path: str) -> Path:
    """Where the file with that path on the board comes from."""
    inside = path.lstrip("/")
    return REPOSITORY / (inside if "/" in inside else f"firmware_protocol/rp2040/{inside}")


def write_flash(to: Path, folder: Path, files: dict[str, bytes]) -> Path:
    """Write the content of a flash that has MicroPython and these files on it.

    Parameters
    ----------
    to : Path
        The file to write.
    folder : Path
        What fetch.sh made.
    files : dict of str to bytes
        By their path on the board; an empty file system if there are none.
    """
    from littlefs import LittleFS

    blocks = (BYTES - FILE_SYSTEM_AT) // BLOCK_BYTES
    system = LittleFS(block_size=BLOCK_BYTES, block_count=blocks, disk_version=0x0002_0000)
    for path, content in files.items():
        parent = path.rsplit("/", 1)[0]
        if parent:
            system.makedirs(parent, exist_ok=True)
        with system.open(path, "wb") as file:
            file.write(content)
    interpreter = (folder / "micropython.bin").read_bytes()
    assert len(interpreter) <= FILE_SYSTEM_AT
    to.write_bytes(interpreter.ljust(FILE_SYSTEM_AT, b"\xff") + bytes(system.context.buffer))
    return to
