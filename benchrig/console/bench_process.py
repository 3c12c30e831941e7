"""The bench process: owns the ports, works the bench when it is told to, and tells all that happens.

Commands come as lines of JSON on standard input, what happens goes out as lines on standard output. Once the input
ends, nobody is there any more: whatever is going on is stopped as by Ctrl-C, which leaves all outputs off and the
record closed, and the process ends. Killed outright it leaves that to the board, which switches off by itself when its
host falls silent; the record is closed when the store is next opened.
"""

from __future__ import annotations

import json
import os
import queue
import sys
import threading
import traceback
from contextlib import suppress
from pathlib import Path
from typing import IO, Any, cast

from benchrig import stop_requests
from benchrig.application.bench_check import check_bench
from benchrig.application.bench_choice import open_bench
from benchrig.application.events import Event
from benchrig.application.operators import own_hands
from benchrig.application.paths import model_folders, shared_store_named, store_path
from benchrig.application.qualification import QualificationRequest, check_tag, qualify_valve
from benchrig.bench.opening import OpenedBench
from benchrig.catalogue import Catalogue
from benchrig.clock import RealClock
from benchrig.console.messages import event_document, line_of
from benchrig.console.page_questions import Answer, AskingHands, PageQuestions
from benchrig.console.run_view import run_view
from benchrig.console.settings import BenchSettings
from benchrig.errors import BenchError, aborted
from benchrig.records import Store
from benchrig.sequencer.events import Intake

__all__ = ["BenchWorker", "main"]

Document = dict[str, Any]


class BenchWorker:
    """Does one piece of work at a time in the main thread; `hear` runs in another.

    Parameters
    ----------
    settings : BenchSettings
        Which bench.
    commands, messages : binary files
        Lines of JSON each way.
    """

    def __init__(self, settings: BenchSettings, commands: IO[bytes], messages: IO[bytes]) -> None:
        self._settings = settings
        self._commands = commands
        self._messages = messages
        self._clock = RealClock()
        self._work: queue.SimpleQueue[Document | None] = queue.SimpleQueue()
        self._answers: queue.SimpleQueue[Answer] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._gone = threading.Event()
        self._hands: AskingHands | None = None
        self._questions = PageQuestions(self.say, self._answers, self._stop)

    def hear(self) -> None:
        """Take commands until the input ends; then stop everything."""
        for line in self._commands:
            command = json.loads(line)
            match command["do"]:
                case "stop":
                    self._stop.set()
                case "answer":
                    self._answers.put(Answer(command["question"], command["value"]))
                case _:
                    self._stop.clear()  # a stop that was sent before this was not meant for it
                    self._work.put(command)
        self._gone.set()
        self._stop.set()
        self._work.put(None)

    def work(self) -> None:
        """Do what is told, one thing after the other, until the input has ended."""
        while (command := self._work.get()) is not None and not self._gone.is_set():
            self._done(command)

    def say(self, document: Document) -> None:
        """Tell the page. Where nobody listens any more the end of the input will tell us so."""
        with suppress(OSError, ValueError):
            self._messages.write(line_of(document | {"at": round(self._clock.now(), 4)}))
            self._messages.flush()

    def _tell(self, event: Event) -> None:
        if self._hands is not None:
            self._hands.listen(event)
        document = event_document(event)
        if document is not None:
            self.say(document)

    def _done(self, command: Document) -> None:
        try:
            ended = {"run": self._run, "check": self._check, "calibrate": self._calibrate}[command["do"]](command)
        except KeyboardInterrupt as stopped:
            ended = {"say": "stopped", **self._left(stopped)}
        except BenchError as error:
            ended = {"say": "fault", "error": str(error), "hint": error.hint, **self._left(error)}
        except Exception as fault:  # noqa: BLE001  # a fault in the program ends this run, not the console
            traceback.print_exc()
            words = f"A fault in the program: {type(fault).__name__}: {fault}"
            hint = "Please report it with what the console printed in its terminal."
            ended = {"say": "fault", "error": words, "hint": hint, **self._left(fault)}
        self.say(ended)

    @staticmethod
    def _left(error: BaseException) -> Document:
        left = aborted(error)
        return {"bench_state": left.bench_state, "run": left.run}

    def _opened(self, command: Document, *, control: bool) -> OpenedBench:
        opened = open_bench(
            self._settings.choice(command.get("model", ""), command.get("tag", ""), command.get("condition", ""))
        )
        hands, bench = own_hands(opened.hands), opened.bench
        self._hands = None
        if hands is not None:
            feed = lambda: bench.feed if bench.armed else None  # noqa: E731
            self._hands = opened.hands = AskingHands(hands, self._questions, feed, control=control)
        return opened

    def _run(self, command: Document) -> Document:
        store = Store(store_path())
        model = Catalogue(model_folders()).get(command["model"])
        intake = Intake(
            check_tag(command["tag"]),
            model.model,
            cast("Any", command["reason"]),
            command["operator"],
            command["complaint"],
            command["findings"],
            command["batch"],
        )
        request = QualificationRequest(
            model,
            intake,
            seed=self._settings.store_seed,
            allow_uncalibrated=self._settings.allow_uncalibrated,
            known_ready=True,  # the page asked before it sent the command
        )
        done = qualify_valve(
            store,
            self._opened(command, control=True),
            request,
            questions=self._questions,
            tell=self._tell,
            stop_wanted=self._stop.is_set,
        )
        self._deliver(store)
        return {"say": "verdict", **run_view(done.record)}

    def _check(self, command: Document) -> Document:
        store = Store(store_path())
        checked = check_bench(
            store,
            self._opened(command, control=False),
            operator_name=command["operator"],
            seed=self._settings.store_seed,
            questions=self._questions,
            tell=self._tell,
            stop_wanted=self._stop.is_set,
        )
        self._deliver(store)
        failed = list(checked.done.failed)
        return {"say": "check ended", "check": checked.done.name, "passed": checked.result.passed, "failed": failed}

    def _calibrate(self, command: Document) -> Document:
        from benchrig.application.calibration import calibrate_bench, method_for
        from benchrig.reports.bench_text import constant_text

        store = Store(store_path())
        _, kept = calibrate_bench(
            store,
            self._opened(command, control=False),
            method_for(command["kind"]),
            operator_name=command["operator"],
            seed=self._settings.store_seed,
            questions=self._questions,
            tell=self._tell,
            stop_wanted=self._stop.is_set,
        )
        self._deliver(store)
        found = [{"title": each.name, "value": constant_text(each)} for each in kept.constants]
        return {"say": "calibrated", "name": kept.name, "kind": kept.kind, "found": found}

    def _deliver(self, store: Store) -> None:
        if not shared_store_named():
            return
        from benchrig.application.shared_store import Deliverer

        brought = Deliverer(store).deliver()
        if brought is not None and brought.why:
            self.say({"say": "warned", "text": f"Not delivered to the shared store yet: {brought.why}"})


def main(settings: str) -> None:
    """Work until the input ends."""
    stop_requests.listen()
    # Whatever prints by mistake goes to the terminal, not between the messages.
    messages = os.fdopen(os.dup(1), "wb")
    os.dup2(2, 1)
    worker = BenchWorker(BenchSettings.read(settings), sys.stdin.buffer, messages)
    threading.Thread(target=worker.hear, daemon=True).start()
    worker.say({"say": "up", "process": os.getpid(), "folder": str(Path.cwd())})
    with suppress(KeyboardInterrupt):
        worker.work()


if __name__ == "__main__":
    os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
    main(sys.argv[1])
    os._exit(0)  # the thread that hears may be waiting for a line for ever
