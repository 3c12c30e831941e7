"""What host and board say to each other, and the board's own logic. The specification is PROTOCOL.md."""
