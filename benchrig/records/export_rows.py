"""Records as flat rows for other programs: one for each characteristic, one for each sample of a trace.

What the columns are stands here once: the files, ``records export --schema`` and EXPORT.md are made of it. Numbers are
those of the store, exactly; units stand in the names of columns, or beside the value where they differ from row to row.
"""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Any, Literal, NamedTuple

from benchrig.records.run_record import RunRecord

__all__ = ["CHARACTERISTICS", "TRACES", "Column", "characteristic_rows", "schema_text", "trace_rows"]

Kind = Literal["text", "integer", "number", "yes or no"]


class Column(NamedTuple):
    """One column: name, kind, whether it may be empty, what stands in it."""

    name: str
    kind: Kind
    may_be_empty: bool
    says: str


CHARACTERISTICS = (
    Column("run", "text", False, "number of the run, at least four digits"),
    Column("tag", "text", False, "the shop's own number on the part"),
    Column("model", "text", False, "valve model"),
    Column("bench", "text", False, "name of the bench"),
    Column("simulated", "yes or no", False, "whether the bench was simulated: no real part then"),
    Column("seed", "integer", True, "of the simulated bench"),
    Column("started_utc", "text", False, "when the run began, ISO 8601 in UTC, to the microsecond"),
    Column("ended_utc", "text", True, "when it ended; empty while it is going on"),
    Column("ending", "text", False, "finished, aborted or running"),
    Column("reason", "text", False, "why the part was there: core, return, new-stock, check-valve"),
    Column("operator", "text", False, "who tested it"),
    Column("complaint", "text", False, "of the customer, as it was typed"),
    Column("findings", "text", False, "what was seen on the part, as it was typed"),
    Column("verdict", "text", True, "accept, reject or undecided; empty where the run came to no verdict"),
    Column("cause", "text", True, "the likely cause"),
    Column("cause_probability", "number", True, "how likely, 0 to 1"),
    Column("disposition", "text", True, "what to do with the part, by the program"),
    Column("decided", "text", True, "what a person decided last"),
    Column("bench_seconds", "number", True, "time on the bench, s"),
    Column("step", "text", True, "the step that measured it; empty where the run measured nothing"),
    Column("characteristic", "text", True, "name of the characteristic, with its unit"),
    Column("value", "number", True, "measured value, in `unit`; empty where it was not measured, see `why`"),
    Column("u", "number", True, "standard uncertainty (k = 1) of the value, in `unit`"),
    Column("unit", "text", True, "unit of value, u and limits; empty for a ratio"),
    Column("bound", "text", True, "above or below: the true value is beyond `value` by an unknown amount"),
    Column("limit_low", "number", True, "lowest value allowed, in `unit`"),
    Column("limit_high", "number", True, "highest value allowed, in `unit`"),
    Column("limit_from", "text", True, "where the limit comes from"),
    Column("outcome", "text", True, "pass, conditional pass, conditional fail, fail, not measured, no limit"),
    Column("p_conform", "number", True, "probability that the true value is within the limit, 0 to 1"),
    Column("why", "text", True, "why this outcome, or why it was not measured"),
    Column("how", "text", True, "how it was found"),
    Column("error", "text", False, "what ended an aborted run"),
    Column("program", "text", False, "name and version of the program that measured"),
    Column("digest", "text", False, "digest of the record, 64 hexadecimal figures"),
    Column("batch", "text", True, "the batch that it was tested in"),
)
TRACES = (
    Column("run", "text", False, "number of the run"),
    Column("step", "text", False, "the step"),
    Column("trace", "text", False, "name of the trace within its step"),
    Column("kind", "text", False, "sample, fitted or mark"),
    Column("quantity", "text", False, "what `value` is, with its unit: pressure_pa (absolute); of a mark its name"),
    Column("curve", "text", False, "name of a fitted curve; empty for samples"),
    Column("sample", "integer", False, "number within the trace, from 0"),
    Column("time_s", "number", True, "seconds; 0 is the instant that the step is about"),
    Column("value", "number", True, "in the unit of `quantity`; empty for a mark"),
)


def characteristic_rows(record: RunRecord) -> Iterator[tuple[Any, ...]]:
    """The rows of a run, in the order of `CHARACTERISTICS`. A run that measured nothing has one row all the same."""
    judgement = record.judgement
    intake = record.intake
    before = (
        record.run,
        intake.tag,
        intake.model,
        record.bench.name,
        record.bench.simulated,
        record.seed,
        record.started.isoformat(timespec="microseconds"),
        None if record.ended is None else record.ended.isoformat(timespec="microseconds"),
        record.ending,
        intake.reason,
        intake.operator,
        intake.complaint,
        intake.findings,
        *(
            (None,) * 4
            if judgement is None
            else (judgement.verdict, judgement.cause, judgement.cause_probability, judgement.disposition)
        ),
        record.decisions[-1].disposition if record.decisions else None,
        record.bench_seconds,
    )
    after = (record.error, record.program, record.digest, intake.batch or None)
    limits = {limit.name: limit for limit in record.model.limits}
    judged = {} if judgement is None else {each.characteristic.name: each for each in judgement.judged}
    found = [(step.name, each) for step in record.steps for each in step.characteristics]
    for step, each in found:
        one = judged.get(each.name)
        limit = limits.get(each.name) if one is None else one.limit
        yield (
            *before,
            step,
            each.name,
            each.value,
            each.u,
            each.unit,
            each.bound or None,
            *((None,) * 3 if limit is None else (limit.low, limit.high, limit.limit_from)),
            *((None, None, each.why_not) if one is None else (one.outcome, one.p_conform, one.why or each.why_not)),
            each.how,
            *after,
        )
    if not found:
        yield (*before, *((None,) * 13), *after)


def trace_rows(record: RunRecord) -> Iterator[tuple[Any, ...]]:
    """The rows of a run's traces, in the order of `TRACES`."""
    for step in record.steps:
        for trace in step.traces:
            of = (record.run, step.name, trace.name)
            for quantity, values in trace.columns.items():
                pairs = zip(trace.time_s.tolist(), values.tolist(), strict=True)
                for number, (time_s, value) in enumerate(pairs):
                    yield (*of, "sample", quantity, "", number, time_s, value)
            for quantity, curve in trace.curves:
                pairs = zip(curve.time_s.tolist(), curve.values.tolist(), strict=True)
                for number, (time_s, value) in enumerate(pairs):
                    yield (*of, "fitted", quantity, curve.label, number, time_s, value)
            for number, (label, time_s) in enumerate(trace.marks.items()):
                yield (*of, "mark", label, "", number, None if math.isnan(time_s) else time_s, None)


def schema_text() -> str:
    """What the columns are, as EXPORT.md says it."""
    lines = [
        "# Columns of `benchrig records export`",
        "",
        "One row for each characteristic; a run that measured nothing has one row with these columns empty.",
        "Numbers are exactly those of the store: CSV and JSON hold the shortest decimal that reads back as the same",
        "64-bit number, Parquet the number itself. An empty cell (CSV) or null (JSON, Parquet) is a value that is not",
        "there; in CSV an empty text looks the same. CSV is UTF-8, divided by commas, quoted as RFC 4180 has it, lines",
        "end with CR LF; a tag that looks like a number or a formula stands as it was typed: tell a spreadsheet that",
        "these columns are text. JSON is one object: `schema` (a number), `columns` and `rows`, each row a list in the",
        "order of `columns`.",
    ]
    heads = {
        "Characteristics": (CHARACTERISTICS, ""),
        "Traces": (TRACES, "With `--traces`, in a second file whose name ends in `-traces`: a row for each sample."),
    }
    for title, (columns, before) in heads.items():
        lines += ["", f"## {title}", ""] + ([before, ""] if before else [])
        lines += ["| column | kind | may be empty | what |", "|---|---|---|---|"]
        lines += [f"| {c.name} | {c.kind} | {'yes' if c.may_be_empty else 'no'} | {c.says} |" for c in columns]
    lines += ["", "`yes or no` is true or false. A sample that is not a number is `nan` in CSV and null in JSON."]
    return "\n".join(lines) + "\n"
