"""What the page shows of the store, as plain documents. Each is asked for anew: other programs write there too."""

from __future__ import annotations

from typing import Any

from benchrig.application.bench_choice import bench_file_of
from benchrig.application.calibration import method_for
from benchrig.application.counter import models_last_used_first, runs_of_tag, runs_today, tally_of
from benchrig.application.paths import demo_folder, model_folders, store_path
from benchrig.application.qualification import check_tag
from benchrig.bench.constants import KINDS_OF_CALIBRATION
from benchrig.bench.file import LoadedBenchFile, load_bench_file
from benchrig.bench.traceability import BenchKey, assess_traceability
from benchrig.catalogue import Catalogue
from benchrig.clock import utc_now
from benchrig.console.run_view import run_view
from benchrig.console.settings import BenchSettings
from benchrig.errors import ConfigError
from benchrig.records import RunSummary, Store
from benchrig.reports.chart_page import chart_page_html
from benchrig.reports.chart_words import chart_report
from benchrig.reports.formatting import in_print, limit_without_unit, local_text
from benchrig.reports.label import label_html
from benchrig.reports.page import page_html

__all__ = ["StoreViews"]


class StoreViews:
    """Looks into the store of this bench."""

    def __init__(self, settings: BenchSettings) -> None:
        self._settings = settings

    def models(self) -> dict[str, Any]:
        """Valve models, last used first, and what is wrong with the other files."""
        catalogue = Catalogue(model_folders())
        simulated = self._loaded().file.bench.simulated
        found = models_last_used_first(Store(store_path(), reading=True), catalogue, simulated=simulated)
        return {
            "models": [
                {
                    "model": each.model,
                    "title": each.title,
                    "normally": each.normally,
                    "vacuum_kpa": each.hold_vacuum_kpa,
                    "limits": [
                        {"name": one.name, "limit": limit_without_unit(one), "from": one.limit_from}
                        for one in each.limits
                    ],
                }
                for each in found
            ],
            "wrong": [str(error) for error in catalogue.readable()[1]],
        }

    def tag(self, typed: str) -> dict[str, Any]:
        """The tag that is meant, and the runs of that part."""
        store = Store(store_path(), reading=True)
        tag = check_tag(store.tag_of(typed))
        return {"tag": tag, "runs": [_line(run) for run in runs_of_tag(store, tag)]}

    def today(self) -> dict[str, Any]:
        """The day's runs and their tally."""
        simulated = self._loaded().file.bench.simulated
        runs = runs_today(Store(store_path(), reading=True), simulated=simulated)
        tally = tally_of(runs)
        counts = {verdict: tally.count(verdict) for verdict in ("accept", "reject", "undecided")}
        return {
            "runs": [_line(run) for run in runs],
            "tested": len(tally.parts),
            "aborted": sum(run.ending == "aborted" for run in runs),
            **counts,
            "seconds": tally.seconds_per_valve,
            "causes": [{"verdict": verdict, "cause": cause, "parts": n} for verdict, cause, n in tally.causes],
            "batches": [_batch(name, [run for run in runs if run.batch == name]) for name in _names(runs)],
        }

    def bench(self) -> dict[str, Any]:
        """What a run would rest on now."""
        loaded, now = self._loaded(), utc_now()
        general = loaded.file.bench
        key = BenchKey(general.name, general.simulated, self._settings.store_seed if general.simulated else None)
        standing = Store(store_path(), reading=True).calibration_store.last_check_and_calibrations(key)
        check, rests = standing[0], assess_traceability(loaded.file, *standing, now)
        return {
            "name": general.name,
            "workshop": general.workshop,
            "simulated": general.simulated,
            "check": None
            if check is None
            else {
                "name": check.name,
                "passed": check.passed,
                "when": local_text(check.ended),
                "operator": check.operator,
                "failed": list(check.failed),
            },
            "rests_on": [in_print(each.says) for each in rests.items],
            "missing": [{"what": each.what, "why": each.why, "to_do": each.to_do} for each in rests.missing],
            "forbidden": rests.forbidden,
            "kinds": [{"kind": kind, "title": method_for(kind).title} for kind in KINDS_OF_CALIBRATION],
            "chart": self._chart_words(),
            "remarks": [in_print(each) for each in rests.remarks],
        }

    def _chart_words(self) -> dict[str, Any] | None:
        """What the check valve says of the bench; None where there is none yet."""
        try:
            report = chart_report(Store(store_path(), reading=True).check_valve_runs())
        except ConfigError:
            return None
        return {"tag": report.tag, "advice": report.advice, "warns": [each.title for each in report.warns]}

    def chart(self) -> str:
        """The page of the check valve's charts, as `benchrig bench chart` makes it."""
        return chart_page_html(chart_report(Store(store_path(), reading=True).check_valve_runs()))

    def run(self, number: str) -> dict[str, Any]:
        """One run, as the page shows it."""
        record = Store(store_path(), reading=True).run(f"run:{number}", traces=False)
        return {**run_view(record), "when": local_text(record.started)}

    def printed(self, number: str, *, label: bool) -> str:
        """The page or the label of a run, signed, as `benchrig report` makes it."""
        store = Store(store_path())
        record = store.run(f"run:{number}")
        return store.signed(record, label_html(record) if label else page_html(record, store.before(record)))

    def cut_off(self, number: str) -> dict[str, Any]:
        """What the store says of a run whose process died; opening it closes the record as aborted."""
        store = Store(store_path())
        if not number:
            return {}
        record = store.run(f"run:{number}", traces=False)
        return {"run": record.run, "ending": record.ending, "why": record.error, "bench_state": record.bench_state}

    def _loaded(self) -> LoadedBenchFile:
        if self._settings.simulated:
            return load_bench_file(demo_folder() / "bench.toml")
        return load_bench_file(bench_file_of(self._settings.choice("", "", "")))


def _names(runs: list[RunSummary]) -> list[str]:
    return list(dict.fromkeys(run.batch for run in runs if run.batch))


def _batch(name: str, runs: list[RunSummary]) -> dict[str, Any]:
    tally = tally_of(runs)
    counts = {verdict: tally.count(verdict) for verdict in ("accept", "reject", "undecided")}
    return {"name": name, "tested": len(tally.parts), **counts}


def _line(run: RunSummary) -> dict[str, Any]:
    return {
        "run": run.run,
        "tag": run.tag,
        "model": run.model,
        "when": "" if run.started is None else f"{run.started.astimezone():%Y-%m-%d %H:%M}",
        "ending": run.ending,
        "verdict": run.verdict,
        "cause": run.cause,
        "error": in_print(run.error or ""),
    }
