"""The named tuples of messages.py: plain ones on the board, typed ones (typed.py) for a type checker."""

TYPE_CHECKING = False
if TYPE_CHECKING:
    from firmware_protocol.typed import About as About
    from firmware_protocol.typed import Arm as Arm
    from firmware_protocol.typed import Block as Block
    from firmware_protocol.typed import BlockRequest as BlockRequest
    from firmware_protocol.typed import Capture as Capture
    from firmware_protocol.typed import Hello as Hello
    from firmware_protocol.typed import Progress as Progress
    from firmware_protocol.typed import Read as Read
    from firmware_protocol.typed import Reading as Reading
    from firmware_protocol.typed import Refused as Refused
    from firmware_protocol.typed import SelfTest as SelfTest
    from firmware_protocol.typed import Status as Status
else:
    from collections import namedtuple

    About = namedtuple("About", "capabilities reset_reason uptime_s free_bytes rejected unique firmware text".split())
    Arm = namedtuple("Arm", "host_silent_ms coil_limit_ms over_current_raw".split())
    Block = namedtuple("Block", "capture_id first count channels data".split())
    BlockRequest = namedtuple("BlockRequest", "capture_id first count".split())
    Capture = namedtuple(
        "Capture",
        "capture_id channel_mask period_us samples switch_at switch_outputs release_at release_outputs".split(),
    )
    Hello = namedtuple(
        "Hello",
        "major minor build identity outputs capture_words "
        "max_body silent_min_ms silent_max_ms coil_max_ms channels".split(),
    )
    Progress = namedtuple("Progress", "capture_id recorded samples finished switched_us released_us".split())
    Read = namedtuple("Read", "channel_mask samples".split())
    Reading = namedtuple("Reading", "samples sums".split())
    Refused = namedtuple("Refused", "request_kind code detail".split())
    SelfTest = namedtuple("SelfTest", "done failed driven read_back reference".split())
    Status = namedtuple("Status", "board_ms outputs inputs armed capturing cause cause_ms".split())
