"""What would have caught a miss: read off the record, in units of the uncertainty that stood in the way."""

from __future__ import annotations

import math
import shlex

from benchrig.analysis.characteristics import number_text, title_of, with_unit
from benchrig.rehearsal.one_valve import Result
from benchrig.rehearsal.tally import is_right, kind_of_miss
from benchrig.verdict.conformity import guard_band_width, limit_with_unit
from benchrig.verdict.judgement import Judged, sure_text

__all__ = ["again", "distance_in_u", "remedy"]

FAR_U = 6.0
"""No choice of guard band would have helped a characteristic that lies further than this from its limit."""


def again(result: Result, *, as_stated: bool = True, full: bool = False) -> str:
    """The command that runs this one valve again, on the simulated bench's own file."""
    entry = result.entry
    words = ["benchrig", "qualify", "--simulated", entry.condition, "--model", entry.model]
    words += ["--tag", f"R-{entry.index}", "--seed", str(entry.seed)]
    if entry.severity is not None:
        words += ["--severity", f"{entry.severity:g}"]
    if entry.value is not None:
        words += ["--value", f"{entry.value:.7g}"]
    for fault in entry.faults:
        words += ["--fault", fault]
    if as_stated:
        words.append("--as-stated")
    if full:
        words.append("--full")
    return shlex.join(words)


def distance_in_u(judged: Judged) -> float | None:
    """How far inside its limit a value lies, in standard uncertainties: negative outside, None if only a bound.

    Examples
    --------
    >>> from benchrig.analysis.results import Characteristic
    >>> from benchrig.verdict.judgement import Limit
    >>> leak = Characteristic("hold_leak_sccm", 4.4, 0.2, "sccm", how="")
    >>> round(distance_in_u(Judged(leak, Limit(leak.name, None, 5.0, ""), "pass", 1.0, "")), 1)
    3.0
    """
    found, limit = judged.characteristic, judged.limit
    if limit is None or found.value is None or not found.u or found.bound:
        return None
    inside = [found.value - limit.low] if limit.low is not None else []
    inside += [limit.high - found.value] if limit.high is not None else []
    return min(inside) / found.u if inside else None


def remedy(result: Result, guard_band: str) -> str:
    """What would have caught it, in a sentence or two; `guard_band` is the model's rule."""
    guard_u = guard_band_width(guard_band, 1.0)
    match kind_of_miss(result):
        case "false accept":
            return _false_accept(result, guard_u)
        case "false reject":
            return " ".join(_outside(each) for each in result.limited if each.outcome == "fail")
        case "undecided":
            return " ".join(
                _undecided(each, guard_u) for each in result.limited if each.outcome not in ("pass", "fail")
            )
        case "wet not seen":
            return "Its vapour did not show in the hold: a longer one, or airing out every valve before it is tested."
        case "other cause":
            return _other_cause(result)
        case _:
            return f"{result.said} {result.hint}".strip()


def _false_accept(result: Result, guard_u: float) -> str:
    placed = [(d, each) for each in result.limited if (d := distance_in_u(each)) is not None]
    if not placed:
        return "Nothing with a limit was measured with an uncertainty: give the model limits."
    d, nearest = min(placed, key=lambda pair: pair[0])
    said = f"Nearest to its limit: {_measured(nearest)}, {d:.1f} u inside."
    if d > FAR_U:
        return f"{said} Nothing that is measured shows this fault: it takes another measurement, or a tighter limit."
    return f"{said} A guard band of over {d:.1f} u would have kept it from passing (it is {guard_u:.2g} u)."


def _outside(judged: Judged) -> str:
    d = distance_in_u(judged)
    if d is None:
        return f"{_measured(judged)}: only a bound; look at the trace."
    if -d > FAR_U:
        return (
            f"{_measured(judged)}, {-d:.1f} u outside: an error of the measurement, not its spread; look at the trace."
        )
    return f"{_measured(judged)}, {-d:.1f} u outside: a guard band of over {-d:.1f} u, or measuring once more."


def _undecided(judged: Judged, guard_u: float) -> str:
    found = judged.characteristic
    d = distance_in_u(judged)
    if judged.outcome == "not measured" or d is None or not found.u:
        return f"{title_of(found.name)} was not measured: {judged.why}."
    side = "inside" if d >= 0 else "outside"
    said = f"{_measured(judged)}, {abs(d):.1f} u {side}: u below {_needed(judged, abs(d), guard_u)} would decide it."
    if not found.parts:
        return said
    name, part = found.parts[0]
    rest = math.sqrt(max(0.0, found.u**2 - part**2))
    alone = "that alone would do" if rest * guard_u < abs(d) * found.u else "that alone would not do"
    return f"{said} Most of it is {name} ({number_text(found.name, abs(part))}): {alone}."


def _other_cause(result: Result) -> str:
    judgement = result.judgement
    assert judgement is not None
    first = judgement.causes[0]
    true = next((each for each in judgement.causes if is_right(each.name, result.entry.condition)), None)
    said = f"Named {first.name} ({sure_text(first.probability)}): {first.because}."
    if true is None:
        return f"{said} The program knows no cause called {result.entry.condition}."
    return f"{said} {true.name.capitalize()} had {100 * true.probability:.1f} %: {true.because}."


def _measured(judged: Judged) -> str:
    found, limit = judged.characteristic, judged.limit
    assert found.value is not None
    sign = {"above": "above ", "below": "below "}.get(found.bound, "")
    spread = "" if found.u is None else f" (u {_small(found.name, found.u)})"
    allowed = "" if limit is None else f", {limit_with_unit(limit)} allowed"
    return f"{title_of(found.name)} {sign}{with_unit(found.name, found.value)}{spread}{allowed}"


def _needed(judged: Judged, d: float, guard_u: float) -> str:
    """The standard uncertainty at which a value this far from its limit would be clear of the guard band."""
    u = judged.characteristic.u or 0.0
    return _small(judged.characteristic.name, d * u / guard_u)


def _small(name: str, value: float) -> str:
    text = number_text(name, value)
    return text if float(text) else f"{value:.1g}"
