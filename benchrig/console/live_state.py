"""Where the bench stands, as every browser sees it: made of what the bench process tells, whole for whoever joins."""

from __future__ import annotations

from typing import Any

__all__ = ["LiveState"]

Document = dict[str, Any]
MOST_POINTS = 20_000
"""Of both curves together; a run has a few thousand."""
ENDINGS = ("verdict", "stopped", "fault", "check ended", "calibrated", "died")


class LiveState:
    """One piece of work, the last one or the one that goes on.

    Attributes
    ----------
    number : int
        Counts the pieces of work since the console was started; 0 before the first.
    phase : {"idle", "working", "asking", "ended"}
    """

    def __init__(self) -> None:
        self.number = 0
        self.phase = "idle"
        self.bench: Document = {}
        self.begin({})
        self.number, self.phase = 0, "idle"

    @property
    def busy(self) -> bool:
        """Whether something is going on at the bench."""
        return self.phase in ("working", "asking")

    def begin(self, work: Document) -> None:
        """A piece of work was sent to the bench."""
        self.number += 1
        self.phase = "working"
        self.work = work
        self.run = ""
        self.planned_s = self.elapsed_s = 0.0
        self.step: Document = {}
        self.did: list[Document] = []
        self.said: list[str] = []
        self.uncalibrated: list[str] = []
        self.question: Document | None = None
        self.do_now: Document | None = None
        self.ended: Document | None = None
        self.stopping = False
        self.curves: list[Document] = []
        self._points = 0

    def hear(self, message: Document) -> Document | None:
        """Take what the bench process tells; return samples to hand on, everything else is in the state."""
        said = message.pop("say")
        at = message.pop("at", None)
        match said:
            case "samples":
                self.elapsed_s = message["from_s"] + message["after_s"][-1]
                if self._points < MOST_POINTS and self.busy:
                    self._points += len(message["values"])
                    numbered = {"work": self.number, "n": len(self.curves), "at": at, **message}
                    self.curves.append(numbered)
                    return numbered
            case "bench":
                self.bench = message
            case "plan":
                self.planned_s = message["seconds"]
            case "run":
                self.run = message["run"]
            case "step":
                self.step = {**message, "done_s": 0.0, "reading": ""}
            case "progress":
                self.step = {**self.step, **message}
            case "did" | "checked":
                self.did.append(message)
                self.do_now = None
            case "warned":
                self.said.append(message["text"])
            case "uncalibrated":
                self.uncalibrated = message["missing"]
            case "asks":
                self.question, self.phase = message, "asking"
            case "asked":
                self.question, self.phase = None, "working"
            case "do now":
                self.do_now = message
            case _ if said in ENDINGS and self.busy:
                self.phase, self.question = "ended", None
                self.ended = {"how": said, **message}
                self.run = message.get("run") or self.run
            case _:
                pass
        return None

    def stop_asked(self) -> None:
        """Somebody pressed stop."""
        self.stopping = self.busy

    def document(self) -> Document:
        """All but the curves."""
        return {
            "number": self.number,
            "phase": self.phase,
            "bench": self.bench,
            "work": self.work,
            "run": self.run,
            "planned_s": self.planned_s,
            "elapsed_s": self.elapsed_s,
            "step": self.step,
            "did": self.did,
            "said": self.said,
            "uncalibrated": self.uncalibrated,
            "question": self.question,
            "do_now": self.do_now,
            "ended": self.ended,
            "stopping": self.stopping,
        }
