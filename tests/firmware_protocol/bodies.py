"""From the plain values of the vectors to the protocol's tuples and back. Also runs on MicroPython."""

from firmware_protocol import knowledge
from firmware_protocol import messages as m

CHANNELS = ((m.COIL_CURRENT, 12, 3300), (m.PRESSURE, 16, 3300), (m.SUPPLY, 12, 3300), (m.AMBIENT, 12, 3300))
IDENTITY, BUILD = b"BOARD-01", 7


def _hello(fields):
    return m.Hello(*fields[:3], bytes.fromhex(fields[3]), *fields[4:10], tuple(tuple(entry) for entry in fields[10]))


def _about(fields):
    return m.About(*fields[:5], bytes.fromhex(fields[5]), bytes.fromhex(fields[6]), fields[7])


def _block(fields):
    return m.Block(*fields[:4], bytes.fromhex(fields[4]))


def _spread(pack):
    return lambda value: pack(*value)


# message: (tuple from the JSON fields, pack, unpack)
BODIES = {
    "hello": (_hello, m.pack_hello, m.unpack_hello),
    "status": (lambda f: m.Status(*f), m.pack_status, m.unpack_status),
    "arm": (lambda f: m.Arm(*f), _spread(m.pack_arm), m.unpack_arm),
    "set": (lambda f: f[0], m.pack_set, m.unpack_set),
    "read": (lambda f: m.Read(*f), _spread(m.pack_read), m.unpack_read),
    "reading": (lambda f: m.Reading(f[0], tuple(f[1])), m.pack_reading, m.unpack_reading),
    "capture": (lambda f: m.Capture(*f), m.pack_capture, m.unpack_capture),
    "progress": (lambda f: m.Progress(*f), m.pack_progress, m.unpack_progress),
    "block_request": (lambda f: m.BlockRequest(*f), _spread(m.pack_block_request), m.unpack_block_request),
    "block": (_block, m.pack_block, m.unpack_block),
    "refused": (lambda f: m.Refused(*f), m.pack_refused, m.unpack_refused),
    "about": (_about, knowledge.pack_about, knowledge.unpack_about),
    "self_test": (lambda f: m.SelfTest(*f), knowledge.pack_self_test, knowledge.unpack_self_test),
}
