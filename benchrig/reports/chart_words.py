"""A check valve's charts in words and one JSON document; shared by page and terminal."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import datetime
from typing import Any

import numpy as np

from benchrig.analysis.characteristics import CHARACTERISTICS, title_of
from benchrig.analysis.studies.control_chart import (
    FEWEST_BASELINE,
    RULES,
    WARNING,
    Chart,
    NoChart,
    Signal,
    chart,
    chart_limits,
)
from benchrig.analysis.studies.surroundings import to_mean_surroundings
from benchrig.records.history import CheckValveHistory, CheckValveRun
from benchrig.records.run_record import utc_text
from benchrig.reports.formatting import with_spread

__all__ = ["BASELINE", "ChartReport", "Charted", "chart_document", "chart_report", "count", "said"]

_AGAINST = "transducer less barometer"
BASELINE = 20
"""So many first runs give the limits (usual practice: 20 to 25)."""

TRANSDUCER = "transducer_less_barometer_pa"
_TITLES = {TRANSDUCER: "Transducer less barometer"}
_TRANSDUCER_DRIFTS = (
    "today's station pressure (was it entered?); the transducer's plug and supply; then benchrig bench calibrate "
    "transducer."
)
_RESOLUTION = {TRANSDUCER: 1.0}
_LEAST_VARIED = {"ambient temperature": 0.3, "barometer": 0.05}
"""A room that did not vary by this much (degC, kPa, standard deviation) in the baseline tells nothing to be fitted."""
_VACUUM = ("hold_leak_sccm", "flow_at_rated_vacuum_lpm_anr", "sonic_conductance_dm3_s_bar")


@dataclass(frozen=True)
class Charted:
    """One characteristic: its chart, or why there is none. `runs` names the run of each value."""

    name: str
    unit: str
    runs: tuple[str, ...]
    chart: Chart | None
    why_not: str = ""

    @property
    def title(self) -> str:
        """In plain words."""
        return _TITLES.get(self.name) or title_of(self.name)

    @property
    def now(self) -> tuple[Signal, ...]:
        """Whether the latest value warns; empty when it does not."""
        return () if self.chart is None else tuple(s for s in self.chart.latest() if s.rule == WARNING)

    @property
    def notices(self) -> tuple[Signal, ...]:
        """Standard rules that the latest value broke, without a warning."""
        return () if self.chart is None or self.now else self.chart.latest()

    @property
    def odd_in_baseline(self) -> tuple[int, ...]:
        """Indices of the values of the baseline that lie beyond the limits which they gave together; none is judged."""
        if self.chart is None:
            return ()
        limits = self.chart.limits
        first = self.chart.values[: limits.baseline]
        return tuple(np.flatnonzero((first < limits.low) | (first > limits.high)).tolist())

    @property
    def history(self) -> str:
        """What has been seen until now where nothing is the matter at present, in a sentence or two."""
        if self.chart is None:
            return self.why_not
        baseline, last = self.chart.limits.baseline, len(self.chart.values) - 1
        earlier = len({signal.at for signal in self.chart.signals} - {last})
        since = len(self.chart.values) - baseline
        if not since:
            said = "No run since the baseline: nothing is judged yet."
        elif earlier:
            said = f"{count(earlier, 'earlier run')} broke a rule, of {since} since the baseline."
        else:
            said = f"No rule was broken in the {count(since, 'run')} since the baseline."
        odd = len(self.odd_in_baseline)
        if odd:
            lie = "lies" if odd == 1 else "lie"
            said += f" Of the baseline itself {odd} of {baseline} {lie} beyond the limits: was all well then?"
        return said

    def number(self, value: float) -> str:
        """A value with as many places as tell it from the limits: two figures of the standard deviation."""
        if self.chart is None:
            return f"{value:.4g}"
        return with_spread(value, self.chart.limits.sigma)[0]

    @property
    def look(self) -> str:
        """What to check when it warns, cheapest first."""
        if self.name == TRANSDUCER:
            return _TRANSDUCER_DRIFTS
        about = CHARACTERISTICS.get(self.name)  # a store may hold names of another version
        return "the instruments that it rests on." if about is None else about.drifts


@dataclass(frozen=True)
class ChartReport:
    """All charts of one check valve."""

    tag: str
    model: str
    made_up: str
    runs: tuple[str, ...]
    first: datetime
    last: datetime
    baseline: int
    charted: tuple[Charted, ...]

    @property
    def warns(self) -> tuple[Charted, ...]:
        """Characteristics whose latest value warns."""
        return tuple(each for each in self.charted if each.now)

    @property
    def ready(self) -> bool:
        """Whether any chart has its limits."""
        return any(each.chart is not None for each in self.charted)

    @property
    def advice(self) -> str:
        """What to do, in a sentence or two."""
        if not self.ready:
            return (
                f"{count(len(self.runs), 'run')} so far. The limits come from the first {self.baseline}, taken while "
                "the bench is known to be well; until then nothing is judged."
            )
        if not self.warns:
            seen = [each.title for each in self.charted if each.notices]
            notice = (
                f" Keep an eye on: {', '.join(seen)} (a run rule was broken; chance does that too)." if seen else ""
            )
            return f"Nothing has drifted: the bench measures this valve as it did in the beginning.{notice}"
        names = {each.name for each in self.warns}
        what = ""
        if TRANSDUCER in names:
            what = "The transducer no longer agrees with the barometer as it did: check both first. "
        elif "hold_leak_sccm" in names and len(names.intersection(_VACUUM)) > 1:
            what = "Leak and flow have drifted together, and they share transducer and reservoir: check those first. "
        return (
            f"{what}Measure the check valve once more. If it warns again, run the bench check and calibrate what it "
            "names, before the next verdict."
        )


def count(number: int, noun: str) -> str:
    """So many of something.

    Examples
    --------
    >>> count(1, "run"), count(12, "run")
    ('1 run', '12 runs')
    """
    return f"{number} {noun}{'' if number == 1 else 's'}"


def said(each: Charted, signal: Signal) -> str:
    """One signal in words."""
    side = "too high" if signal.side > 0 else "too low"
    return f"{RULES[signal.rule]} ({side})"


def chart_report(history: CheckValveHistory, *, baseline: int = BASELINE, since: str | None = None) -> ChartReport:
    """Make the charts: limits from the first `baseline` runs, rules on those after them.

    Parameters
    ----------
    history : CheckValveHistory
        With at least one run.
    baseline : int
        How many first runs give the limits.
    since : str, optional
        Begin with this run: after a mended or newly calibrated bench the old values mean nothing.
    """
    start = next((k for k, run in enumerate(history.runs) if since is not None and run.run == since), 0)
    runs = history.runs[start:]
    made_up = (
        "Simulated bench: no valve was measured. Every number on this page is made up." if history.simulated else ""
    )
    rooms = _surroundings(runs, baseline)
    charted = [
        _charted(
            name,
            history.units[name],
            runs,
            {run.run: run.values[name] for run in runs if name in run.values},
            rooms,
            baseline,
        )
        for name in CHARACTERISTICS
        if name in history.units
    ]
    against = {run.run: run.readings[_AGAINST] for run in runs if _AGAINST in run.readings}
    if against:
        charted.append(_charted(TRANSDUCER, "Pa", runs, against, {}, baseline))
    return ChartReport(
        history.tag,
        history.model,
        made_up,
        tuple(run.run for run in runs),
        runs[0].started,
        runs[-1].started,
        baseline,
        tuple(charted),
    )


def _surroundings(runs: Sequence[CheckValveRun], baseline: int) -> dict[str, tuple[float, ...]]:
    """Room temperature and barometer of each run, where all runs have them and they varied in the baseline."""
    found: dict[str, dict[str, float]] = {"ambient temperature": {}, "barometer": {}}
    for run in runs:
        if "ambient temperature" in run.readings:
            found["ambient temperature"][run.run] = run.readings["ambient temperature"]
        if "ambient pressure" in run.readings and _AGAINST in run.readings:
            found["barometer"][run.run] = run.readings["ambient pressure"] - run.readings[_AGAINST] / 1000
    kept = [
        each
        for name, each in found.items()
        if len(each) == len(runs)
        and len(runs) > 2
        and float(np.std(list(each.values())[:baseline])) > _LEAST_VARIED[name]
    ]
    return {run.run: tuple(each[run.run] for each in kept) for run in runs} if kept else {}


def _charted(
    name: str,
    unit: str,
    runs: Sequence[CheckValveRun],
    measured: Mapping[str, float],
    rooms: Mapping[str, tuple[float, ...]],
    baseline: int,
) -> Charted:
    numbers = tuple(run.run for run in runs if run.run in measured)
    if len(numbers) < max(baseline, FEWEST_BASELINE):
        return Charted(name, unit, numbers, None, f"{len(numbers)} of {baseline} runs for its limits")
    values, widening = np.array([measured[run] for run in numbers]), 1.0
    if rooms:
        values, widening = to_mean_surroundings(values, np.array([rooms[run] for run in numbers]), baseline)
    about = CHARACTERISTICS.get(name)
    resolution = _RESOLUTION[name] if about is None else 10.0 ** -(about.decimals + 2)
    try:
        limits = chart_limits(values[:baseline], resolution=resolution, widening=widening)
        return Charted(name, unit, numbers, chart(values, limits, first=baseline))
    except NoChart as error:
        return Charted(name, unit, numbers, None, str(error))


def chart_document(report: ChartReport, *, page: str | None) -> dict[str, Any]:
    """Say what the charts show, for a program to read; no NaN in it."""
    return {
        "tag": report.tag,
        "model": report.model,
        "made_up": report.made_up or None,
        "runs": len(report.runs),
        "first": utc_text(report.first),
        "last": utc_text(report.last),
        "baseline": report.baseline,
        "warns": bool(report.warns),
        "advice": report.advice,
        "charts": [_document(each) for each in report.charted],
        "page": page,
    }


def _document(each: Charted) -> dict[str, Any]:
    content: dict[str, Any] = {"name": each.name, "unit": each.unit, "why": each.why_not or None}
    if each.chart is None:
        return {**content, "centre": None, "low": None, "high": None, "warns": False, "notices": [], "signals": []}
    limits = each.chart.limits
    return {
        **content,
        "centre": limits.centre,
        "sigma": limits.sigma,
        "low": limits.low,
        "high": limits.high,
        "latest": float(each.chart.values[-1]),
        "warns": bool(each.now),
        "notices": [signal.rule for signal in each.notices],
        "look": each.look if each.now else None,
        "signals": [
            {"run": each.runs[signal.at], "rule": signal.rule, "side": "high" if signal.side > 0 else "low"}
            for signal in each.chart.signals
        ],
    }
