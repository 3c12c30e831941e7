"""The mutations that the tests must notice: where, what text, what in its place, and whose tests.

Texts are short so that an unrelated change of the line leaves them alone. The first part holds those that once survived
every test of their folders.
"""

from __future__ import annotations

from dataclasses import dataclass

__all__ = ["MUTATIONS", "Mutation"]

COIL = ("tests/analysis/test_coil.py",)
STOPPING = ("tests/analysis/test_stopping_rule.py", "benchrig/analysis/leak/stopping_rule.py")
EARLY_END = ("tests/sequencer/test_clear_of_limits.py", "tests/sequencer/test_early_ends.py")
HOLD = ("tests/analysis/test_budgets.py", "tests/analysis/test_hold.py")
FLOW = ("tests/analysis/test_budgets.py", "tests/analysis/test_flow.py")
INRUSH = ("tests/analysis/test_budgets.py", "tests/analysis/test_inrush.py")
FIRST_MOTION = ("tests/analysis/test_first_motion.py",)
HELD_RETURN = ("tests/analysis/test_held_return.py",)
FAILING_SUPPLY = ("tests/analysis/test_supply_fails_early.py",)
CLICKS = ("tests/analysis/test_clicks_together.py", "tests/analysis/test_inrush.py")
UNCERTAINTY = ("tests/analysis/test_uncertainty.py", "benchrig/analysis/statistics/uncertainty_budget.py")
VERDICT = ("tests/verdict/test_boundaries_of_the_decision.py", "tests/verdict", "benchrig/verdict")
BENCH = ("tests/bench/test_bench.py", "tests/bench")
WIRING = ("tests/bench/test_wiring.py", "tests/bench")
CONSTANTS = ("tests/bench/test_traceability.py", "tests/bench")
CALIBRATION = ("tests/analysis/test_inflow_calibration.py", "tests/sequencer/test_calibration.py")
APPLICATION = ("tests/application", "tests/cli/test_operator_prompts.py")
STEPS = ("tests/sequencer/test_limits_of_the_steps.py", "tests/sequencer")
RUN = ("tests/sequencer/test_run.py", "tests/sequencer")
DRIVERS = ("tests/drivers", "benchrig/drivers")
RECORDS = ("tests/records/test_what_a_digest_covers.py", "tests/records")
BOARD = ("tests/firmware_protocol", "firmware_protocol")
WET = ("tests/verdict/test_wet.py", "benchrig/verdict/wet.py")
DISPOSITION = ("tests/verdict/test_disposition.py", "benchrig/verdict/disposition.py")
VAPOUR = ("tests/sequencer/test_wet_and_drifting.py",)
WITNESSES = ("tests/sequencer/test_lying_meter.py",)
WARM = ("tests/sequencer/test_warm.py",)
STORE = ("tests/records/test_lost_store.py", "tests/records")
CALENDAR = ("tests/bench/test_traceability.py", "tests/bench/test_exchanged_parts.py")
"""Files and folders of tests, each tried in turn until one notices."""


@dataclass(frozen=True)
class Mutation:
    """One change of the program. `quick`: a test that is not slow has to notice it."""

    name: str
    file: str
    old: str
    new: str
    tests: tuple[str, ...]
    quick: bool = False


def _of(file: str, tests: tuple[str, ...], *changes: tuple[str, str, str], quick: bool = False) -> list[Mutation]:
    return [Mutation(name, file, old, new, tests, quick) for name, old, new in changes]


SURVIVED_ONCE = [
    *_of(
        "benchrig/verdict/conformity.py",
        VERDICT,
        (
            "conditional fail made exclusive",
            "low - width <= value <= high + width:",
            "low - width < value < high + width:",
        ),
    ),
    *_of(
        "benchrig/bench/bench.py",
        BENCH,
        ("host-silent limit 9 s", "HOST_SILENT_S = 2.0", "HOST_SILENT_S = 9.0"),
        ("keep-alive 1.9 s", "KEEP_ALIVE_S = 0.5", "KEEP_ALIVE_S = 1.9"),
        ("make_safe without its order", "for state in way(status.outputs, AT_REST):", "for state in ():"),
    ),
    *_of(
        "benchrig/bench/problems.py",
        BENCH,
        ("emergency stop's input not looked at", "if not status.estop_ok:", "if False:"),
        ("guard's input not looked at", "if not status.guard_closed:", "if False:"),
    ),
    *_of(
        "benchrig/sequencer/steps/coil.py",
        STEPS,
        ("short by the largest reading", "elif min(readings_ohm) < short_ohm:", "elif max(readings_ohm) < short_ohm:"),
        ("margin of the short gone", "SHORT_MARGIN = 0.9", "SHORT_MARGIN = 1.0"),
        ("margin of the short doubled", "SHORT_MARGIN = 0.9", "SHORT_MARGIN = 0.8"),
    ),
    *_of(
        "benchrig/sequencer/steps/hold.py",
        STEPS,
        ("enough vacuum halved", "ENOUGH_VACUUM = 0.9", "ENOUGH_VACUUM = 0.45"),
        ("hold's background not handed on", '"background_sccm": file.background.leak_sccm', '"background_sccm": 0.0'),
    ),
    *_of(
        "benchrig/analysis/leak/hold_vacuum.py",
        HOLD,
        ("hold's background not subtracted", "gross_sccm - setting.background_sccm", "gross_sccm"),
        ("transducer's part missing in hold's budget", '"pressure transducer": abs(gross_sccm)', '"x": 0'),
    ),
    *_of(
        "benchrig/sequencer/steps/clicks.py",
        STEPS,
        (
            "supply's u in the click step",
            '"supply_u_v": run.supply_v * run.bench.divider.u_relative',
            '"supply_u_v": 0.0',
        ),
        ("supply's u under load", "voltage_u_v=load_v * run.bench.divider.u_relative", "voltage_u_v=0.0"),
    ),
    *_of(
        "benchrig/sequencer/steps/flow.py",
        STEPS,
        ("transducer's u in the flow step", '"pressure_u_pa": file.transducer.u_pa', '"pressure_u_pa": 0.0'),
        ("inflow's u in the flow step", '"inflow_u_w_k": file.heat.inflow_u_w_k', '"inflow_u_w_k": 0.0'),
    ),
    *_of(
        "benchrig/sequencer/steps/control.py",
        STEPS,
        ("control's certainty ten times", "SURE_U = 3.0", "SURE_U = 30.0"),
        ("control's hold of a second", "\nSECONDS = 10.0", "\nSECONDS = 1.0"),
        ("control draws on the open port for a moment", "LINE_S, LINE_PA = 4.0, ", "LINE_S, LINE_PA = 0.4, "),
    ),
    *_of(
        "benchrig/sequencer/steps/impossible_readings.py",
        STEPS,
        ("least current of a sound coil a tenth", "LEAST_CURRENT = 0.5", "LEAST_CURRENT = 0.05"),
    ),
    *_of(
        "benchrig/records/digests.py",
        RECORDS,
        ("digest without readings", '"readings": readings_content(step.readings)', '"readings": []'),
        ("digest without curves", "[[column, *_curve_digest_content(curve)] for column, curve in trace.curves]", "[]"),
    ),
    *_of(
        "benchrig/sequencer/let_down.py",
        ("tests/sequencer/test_vacuum_tank.py",),
        ("a let-down unlike the calibrated one is as sure", "FAR * (now_k - chill_k)", "0.0 * (now_k - chill_k)"),
        ("a slow let-down said later", "run.drawn_s < SLOW * tank", "run.drawn_s < 3.0 * tank"),
    ),
    *_of(
        "benchrig/sequencer/pump_down.py",
        ("tests/sequencer/test_vacuum_tank.py",),
        ("an open valve floods the tank", "TANK_LOOK_BACK_S = 3.0, 0.5", "TANK_LOOK_BACK_S = 3.0, 3.0"),
    ),
    *_of(
        "benchrig/sequencer/check/tank.py",
        ("tests/sequencer/test_bench_check.py",),
        ("a leaking tank passes", "high=tank.leak_most_sccm", "high=2.0 * tank.leak_most_sccm"),
        ("a tank's pump that never stops passes", "low=-PUMPED_PART", "low=-10.0 * PUMPED_PART"),
    ),
    *_of(
        "benchrig/bench/traceability.py",
        ("tests/bench/test_last_days.py", *CONSTANTS),
        ("last instant of a calibration exclusive", "now <= calibration.until", "now < calibration.until"),
    ),
    *_of(
        "benchrig/analysis/flow/flow_result.py",
        FLOW,
        ("flow's temperature u doubled", "0.5 * setting.ambient_u_k", "1.0 * setting.ambient_u_k"),
    ),
    *_of(
        "benchrig/analysis/flow/fill_concavity.py",
        ("tests/analysis/test_fill_concavity.py",),
        ("flows that bend upwards count", "share, hazard = cut_below(at)", "share, hazard = 1.0, 0.0"),
    ),
    *_of(
        "benchrig/analysis/flow/open_flow.py",
        FLOW,
        ("half open before it is switched is no matter", "before_s > 0.02:", "before_s > 20.0:"),
    ),
    *_of(
        "benchrig/analysis/flow/fill_alternatives.py",
        FLOW,
        ("a lag that nobody told leaves the delay sure", "LAG_U * (found_s - told_s)", "0.0"),
    ),
    *_of(
        "benchrig/analysis/armature/inrush.py",
        INRUSH,
        ("step variance of inrush gone", "step_var = trace.step_a**2 / 12", "step_var = 0.0 * trace.step_a"),
    ),
    *_of(
        "benchrig/cli/one_run.py",
        ("tests/cli/test_exit_statuses.py", "tests/cli/test_main_job.py"),
        ("exit status of undecided 0", '"undecided": 4', '"undecided": 0'),
        quick=True,
    ),
]

DECISIONS = [
    *_of(
        "benchrig/verdict/conformity.py",
        VERDICT,
        ("pass made exclusive", "if low + width <= value <= high - width:", "if low + width < value < high - width:"),
        ("conditional pass made exclusive", "if low <= value <= high:", "if low < value < high:"),
        ("guard band on one side only", "if low + width <= value", "if low <= value"),
        ("guard band of u", "COVERAGE_FACTOR = 2.0", "COVERAGE_FACTOR = 1.0"),
        ("0.83 U taken as U", '"0.83 U": 0.83', '"0.83 U": 1.0'),
        ("bound at the limit does not fail", "fails = high is not None and value >= high", "fails = False"),
        (
            "lower bound may pass an upper limit",
            "passes = high is None and low is not None",
            "passes = low is not None",
        ),
        ("tails of conformance changed over", "normal_cdf((value - high) / u)", "normal_cdf((high - value) / u)"),
        ("no uncertainty is none", 'if u is None and guard_band != "none":', "if False:"),
    ),
    *_of(
        "benchrig/verdict/decide.py",
        VERDICT,
        ("not measured is no hindrance", 'outcomes == {"pass"}', 'outcomes - {"not measured"} == {"pass"}'),
        ("conditional pass accepts", 'outcomes == {"pass"}', 'outcomes - {"conditional pass"} == {"pass"}'),
        ("nothing to judge by accepts", 'outcomes == {"pass"}', 'outcomes <= {"pass"}'),
    ),
    *_of(
        "benchrig/verdict/disposition.py",
        VERDICT,
        ("a bad check valve is kept", 'return "ask", "It is the check valve', 'return "keep", "It is the check valve'),
    ),
    *_of(
        "benchrig/verdict/cause.py",
        VERDICT,
        (
            "opened turned round",
            "hypothesis.opened if feature.value else",
            "1 - hypothesis.opened if feature.value else",
        ),
    ),
]

MEASUREMENTS = [
    *_of(
        "benchrig/analysis/coil/resistance.py",
        COIL,
        ("leads added", "(meter + wander - leads)", "(meter + wander + leads)"),
        (
            "coil's temperature the wrong way",
            "/ (1 + alpha * (temperature - 20.0)),",
            "* (1 + alpha * (temperature - 20.0)),",
        ),
        ("tolerance of one u under load", "tolerance_ohm = 2.0 * math.hypot", "tolerance_ohm = 1.0 * math.hypot"),
    ),
    *_of(
        "benchrig/analysis/leak/hold_vacuum.py",
        HOLD,
        ("background's u left out", '"background leak of the bench": setting.background_u_sccm', '"x": 0'),
        ("a bound keeps its u", "None if bound else u_sccm,", "u_sccm,"),
    ),
    *_of(
        "benchrig/analysis/armature/pull_in.py",
        FIRST_MOTION,
        ("the end of a slope is an arrival", "f.jump > SHOULDER_SHARP * sharpest", "True"),
        quick=True,
    ),
    *_of(
        "benchrig/analysis/armature/inrush.py",
        FIRST_MOTION,
        ("a drop-out tells nothing of the first motion", "start is not None and back is None", "False"),
        quick=True,
    ),
    *_of(
        "benchrig/analysis/coil/switch_on.py",
        FIRST_MOTION,
        ("a zero that moved is shared", "> ONE_ZERO * float(", "> 99.0 * float("),
        ("the end of a record tells of no zero", "> ONE_ZERO * float(", "> -1.0 * float("),
        quick=True,
    ),
    *_of(
        "benchrig/analysis/coil/coil_trace.py",
        FIRST_MOTION,
        ("a current that still falls is the zero", "if falls < STILL_FALLS", "if falls < 99.0"),
        quick=True,
    ),
    *_of(
        "benchrig/analysis/armature/release.py",
        HELD_RETURN,
        ("an armature held on its way is back", "min(left, later) > HELD_WIDE[0]", "min(left, later) > 9.0"),
        ("any slope after a corner is that of a held one", "slope - HELD_SD * slope_u > HELD_WIDE[1]", "True"),
    ),
    *_of(
        "benchrig/analysis/coil/one_pulse.py",
        FAILING_SUPPLY,
        ("a supply fails only once the current settled", "if part > decays or", "if True or"),
        ("any fall after a bend is the supply's", "if part > decays or", "if False and"),
    ),
    *_of(
        "benchrig/analysis/armature/clicks.py",
        CLICKS,
        ("spread of the mean from its sum", "return float(np.ptp(x))", "return float(np.std(x))"),
    ),
    *_of(
        "benchrig/analysis/statistics/uncertainty_budget.py",
        UNCERTAINTY,
        ("rectangular by 2", "sqrt(3", "sqrt(4"),
    ),
]

BENCH_AND_SEQUENCE = [
    *_of(
        "benchrig/bench/safe_shutdown.py",
        RUN,
        ("outputs left on after a fault", "state = bench.make_safe()[1]", 'state = "off"'),
        ("an unsafe bench gives a verdict", "if not safe:", "if False:"),
    ),
    *_of(
        "benchrig/sequencer/run.py",
        RUN,
        ("aborted record left open", "        if recording:\n", "        if False:\n"),
    ),
    *_of(
        "benchrig/bench/bench.py",
        BENCH,
        (
            "still on is called safe",
            "        if status.outputs:\n            return False",
            "        if False:\n            return False",
        ),
        ("silence is called safe", "return False, (\n", "return True, (\n"),
        (
            "trip not looked at",
            "if status.cause is not TripCause.NONE:\n            self._state",
            "if False:\n            self._state",
        ),
        ("over-current limit without the shunt", "self.shunt.volts_per_amp * self.file.shunt", "self.file.shunt"),
        ("meter's deadline gone", "if self.clock.now() >= deadline:", "if self.clock.now() >= 9 * deadline + 99:"),
        ("time from the start of the record", "period_us - zero_us) * 1e-6", "period_us) * 1e-6"),
    ),
    *_of(
        "benchrig/bench/wiring.py",
        WIRING,
        (
            "vent opens before the pump stops",
            "go(now - (leaving & {Output.PUMP}))",
            "go(now - (leaving & {Output.VENT}))",
        ),
        ("meter on the live coil", "if {Output.COIL, Output.METER} <= state:", "if False:"),
        (
            "pump stops before isolation",
            "Output.METER, Output.ISOLATION, Output.REFERENCE}))\n    go(now - ",
            "Output.METER}))\n    go(now - ",
        ),
    ),
    *_of(
        "benchrig/bench/traceability.py",
        ("tests/bench/test_last_days.py", *CONSTANTS),
        ("check's last instant exclusive", "now - check.ended <= timedelta", "now - check.ended < timedelta"),
        ("failed check allowed", "if traceability.forbidden:", "if False:"),
    ),
    *_of(
        "benchrig/bench/calibrations.py",
        BENCH,
        ("withdrawn calibration counts", "if each.withdrawal is None:", "if True:"),
        ("rough guess always asked about", "as_guessed = was.u > ROUGH", "as_guessed = was.u > 1e9"),
        ("percent taken as the unit", '"percent": value / 100', '"percent": 1.0'),
    ),
    *_of(
        "benchrig/analysis/calibration/inflow.py",
        CALIBRATION,
        ("walls cool what they warm", "gained_j + conductance", "gained_j - conductance"),
        ("power of the inflow not fitted", "/ seconds * 1e3, power)", "/ seconds * 1e3, 0.8)"),
        ("hysteresis before the pulse forgotten", "value if fell else 0.0", "value if not fell else 0.0"),
        ("leaking valve calibrates", "MOST_LEAK_PA_S = 20.0", "MOST_LEAK_PA_S = 2e4"),
    ),
    *_of(
        "benchrig/analysis/calibration/short_fill.py",
        CALIBRATION,
        ("no lag after the end", "1 + (answer - 1) * fading", "1.0"),
    ),
    *_of(
        "benchrig/sequencer/check/vacuum.py",
        STEPS,
        ("volume by the leak upside down", "in_use_l * wanted_sccm / through", "in_use_l * through / wanted_sccm"),
        ("volume allowed ten times", "room_l = ALLOWED_U *", "room_l = 10 * ALLOWED_U *"),
    ),
    *_of(
        "benchrig/sequencer/run.py",
        RUN,
        ("uncalibrated not marked", "mark=_marked if missing else", "mark=_marked if False else"),
        (
            "still clicks taken as moved",
            "moved_fraction=run.moved / run.clicks",
            "moved_fraction=run.still / run.clicks",
        ),
    ),
    *_of(
        "benchrig/sequencer/overlap.py",
        RUN,
        (
            "shown before it is kept",
            "keep(result)\n        run.watcher",
            "run.watcher.step_ended(result)\n        keep(result)\n        run.watcher",
        ),
    ),
    *_of(
        "benchrig/sequencer/pump_down.py",
        STEPS,
        ("no vacuum at all is a leak", "if vacuum_pa < NO_VACUUM_PA:", "if False:"),
    ),
    *_of(
        "benchrig/sequencer/steps/hold.py",
        STEPS,
        ("vacuum left taken as pressure", "run.vacuum_pa = run.ambient_pa - ended_pa", "run.vacuum_pa = ended_pa"),
    ),
    *_of(
        "benchrig/sequencer/steps/flow.py",
        STEPS,
        ("coil's state not looked at before flow", 'if run.coil != "sound":', "if False:"),
        ("fill reckoned while armed", "with bench.disarmed(run.coil_limit_s):", "if True:"),
        ("least vacuum of the flow halved", "LEAST_VACUUM_PA = 10_000.0", "LEAST_VACUUM_PA = 5_000.0"),
    ),
    *_of(
        "benchrig/sequencer/steps/impossible_readings.py",
        STEPS,
        ("current in a dead coil not looked at", "if current_a > CURRENT_FLOWS_A:", "if False:"),
        ("a gauge above ambient is possible", "ABOVE_AMBIENT = 1.05", "ABOVE_AMBIENT = 1.5"),
        ("sagging supply not looked at", "SUPPLY_SLACK_V = 0.5", "SUPPLY_SLACK_V = 5.0"),
    ),
    *_of(
        "benchrig/sequencer/steps/ready.py",
        STEPS,
        ("barometer may be 5 kPa off", "BAROMETER_AGREES_PA = 500.0", "BAROMETER_AGREES_PA = 5000.0"),
    ),
    *_of(
        "benchrig/sequencer/steps/clicks.py",
        STEPS,
        ("a short is clicked", 'if run.coil == "short":', "if False:"),
    ),
    *_of(
        "benchrig/sequencer/steps/control.py",
        STEPS,
        (
            "conditional rejects not controlled",
            'if judgement.verdict != "reject":',
            'if judgement.verdict == "reject":',
        ),
        (
            "a leak in ten seconds is a leak",
            "if _leaks(run, found) and not found.bound:",
            "if found.hold_leak_sccm is None:",
        ),
        ("a gross own leak is tight", "own_sccm = math.inf if", "own_sccm = 0.0 if"),
        ("a hidden own leak is a fault", "found.explanation in OF_THE_WALL:", "found.explanation in ():"),
        ("a lined wall hides a leak", "if found.hold_leak_sccm is None else None", "if False else None"),
    ),
    *_of(
        "benchrig/sequencer/steps/blank_hold.py",
        STEPS,
        ("the hold without the valve not taken off", "[both] - blank_pa +", "[both] - blank_pa.mean() +"),
        ("two holds on a wall are alike", "ALIKE = 0.03", "ALIKE = 0.0"),
    ),
    *_of(
        "benchrig/analysis/leak/hold_judgement.py",
        ("tests/analysis",),
        ("chance is a leak that changes", "if goodness < NO_FIT", "if goodness < FALSE_ALARM"),
        ("a fit that led nowhere is a leak", "or not math.isfinite(u):", "or math.isinf(u):"),
    ),
    *_of(
        "benchrig/analysis/leak/hold_vacuum.py",
        ("tests/analysis",),
        ("what departs costs nothing", "parts[WANDERS] = setting", "parts[WANDERS] = 0.0 * setting"),
    ),
]

TRACES = [
    *_of(
        "benchrig/tracefile/time_axis.py",
        ("tests/tracefile",),
        ("a late hold counts from 0", "from_s = max(began_s, 0.0)", "from_s = 0.0"),
        ("a late hold says nothing", "if began_s > 2.0 *", "if began_s > 2e12 *"),
        ("gaps of fifty samples pass", "GAP: Final = 5.0", "GAP: Final = 50.0"),
        ("times are left as they are", "TimeAxis(time_s - on_s, on_s)", "TimeAxis(time_s, on_s)"),
        ("milliseconds taken for seconds", "if span_s > longest_s:", "if False:"),
    ),
    *_of(
        "benchrig/tracefile/impossible_values.py",
        ("tests/tracefile",),
        ("half of a clipped curve passes", "CUT_OFF: Final = 0.1", "CUT_OFF: Final = 0.5"),
        ("gauge pressure passes", "if low < 0:", "if False:"),
        ("milliamperes pass", "MOST_A: Final = 20.0", "MOST_A: Final = 2000.0"),
    ),
    *_of(
        "benchrig/tracefile/unexpected_events.py",
        ("tests/tracefile",),
        ("a second pulse passes", "if len(began) > 1:", "if len(began) > 2:"),
        ("a pump that draws passes", "FALLS_MOST_PA = 300.0, 7.0, 1_000.0", "FALLS_MOST_PA = 9e4, 7.0, 1e5"),
    ),
]

WIRES_AND_RECORDS = [
    *_of(
        "benchrig/drivers/relay_board.py",
        DRIVERS,
        ("over-current beyond the converter", "raw = min(largest, max(1,", "raw = min(65536, max(1,"),
        ("another board is as good", "if self._met and identity != self._met:", "if False:"),
        (
            "board in another state than asked",
            "if status.outputs != outputs and status.cause is TripCause.NONE:",
            "if False:",
        ),
        (
            "block of another capture taken",
            "if got != (self._capture_id, first + done, asked, len(channels)):",
            "if False:",
        ),
    ),
    *_of(
        "benchrig/drivers/exchange.py",
        DRIVERS,
        ("answer to an earlier request taken", "if seq == self._seq and answer_kind in", "if answer_kind in"),
        ("one try", "for attempt in range(tries):", "for attempt in range(1):"),
        ("every try waits for the board's work", "waits_s = 0.0 if attempt else work_s", "waits_s = work_s"),
    ),
    *_of(
        "benchrig/drivers/board_install.py",
        DRIVERS,
        ("a file that reads back otherwise is accepted", "if found != wanted:", "if False:"),
        ("a full board is written to", "if room < needed:", "if False:"),
        ("a board half installed could start", "remove('/main.py')", "pass"),
        ("what starts the rest comes first", 'each == "/main.py"', 'each != "/main.py"'),
        ("another chip is taken", "CHIP not in machine", "False"),
    ),
    *_of(
        "benchrig/drivers/conversions.py",
        DRIVERS,
        ("transducer's offset added", "(pin_v - self.offset_v)", "(pin_v + self.offset_v)"),
        ("thermistor upside down", "inside_v / (self.pull_up_v - inside_v)", "(self.pull_up_v - inside_v) / inside_v"),
    ),
    *_of(
        "firmware_protocol/board.py",
        BOARD,
        ("silence never trips", "if now - self._heard_us >= self._silent_us:", "if False:"),
        ("coil time doubled", "arm.coil_limit_ms * 1000", "arm.coil_limit_ms * 2000"),
        ("guard not looked at on the board", "if not inputs & m.GUARD_CLOSED:", "if False:"),
        ("coil and meter together on the board", "if outputs & m.COIL and outputs & m.METER:", "if False:"),
        (
            "armed with a latched cause",
            "if self.cause != m.CAUSE_NONE:\n            raise _RefusedError(m.TRIPPED, self.cause)\n        inputs",
            "inputs",
        ),
        ("close before open", "self._port.write_outputs(self.outputs & outputs)", "self._port.write_outputs(outputs)"),
        ("a repeated request acts again", "if again is not None:", "if False:"),
        ("an old request acts", "if self._repeats.overtaken(seq, kind):", "if False:"),
        (
            "hello leaves outputs on",
            "def _on_hello(self, _body: bytes) -> bytes:\n        self._all_off()",
            "def _on_hello(self, _body: bytes) -> bytes:\n        self.armed = False",
        ),
    ),
    *_of(
        "firmware_protocol/knowledge.py",
        BOARD,
        ("a pin that does not follow passes the self-test", "if read_back != outputs:", "if False:"),
        ("the reference word's bounds exclusive", "if not low <= word <= high:", "if not low < word < high:"),
    ),
    *_of(
        "firmware_protocol/rp2040/usb.py",
        BOARD,
        ("several requests in one turn of the board's loop", 'if byte == b"\\0":', "if False:"),
    ),
    *_of(
        "firmware_protocol/messages.py",
        BOARD,
        ("outputs of no switch are looked at", "if capture.switch_at != NEVER:", "if True:"),
    ),
    *_of(
        "firmware_protocol/running_capture.py",
        BOARD,
        ("over-current exclusive", "[:: self.channels]) >= limit_raw:", "[:: self.channels]) > limit_raw:"),
    ),
    *_of(
        "firmware_protocol/frame.py",
        BOARD,
        (
            "damaged frames taken",
            'if binascii.crc32(raw[:end]) & 0xFFFFFFFF != struct.unpack("<I", raw[end:])[0]:',
            "if False:",
        ),
    ),
    *_of(
        "benchrig/records/digests.py",
        RECORDS,
        ("digest without samples", "[[name, _bytes_digest(values)] for name, values in trace.columns.items()]", "[]"),
        ("chain of digests broken", 'f"{before}\\n{canonical(content)}"', 'f"{canonical(content)}"'),
    ),
    *_of(
        "benchrig/records/calibration_store.py",
        RECORDS,
        ("changed calibrations not found", 'if _digest(row["content"]) != row["digest"]:', "if False:"),
    ),
    *_of(
        "benchrig/errors.py",
        ("tests/cli/test_exit_statuses.py",),
        ("a wrong file is a bench fault", "exit_status = 2", "exit_status = 3"),
        quick=True,
    ),
]

WET_AND_WARM = [
    *_of(
        "benchrig/verdict/decide.py",
        WET,
        ("a wet valve that seems tight is accepted", '(verdict != "reject" or not', '(verdict == "undecided" or not'),
        ("vapour hides every reject", "or not certain_beside_vapour(decisive)):", "or True):"),
    ),
    *_of(
        "benchrig/verdict/wet.py",
        WET,
        ("a suspicion of vapour is vapour", "NAMED_FROM = 0.5", "NAMED_FROM = 0.25"),
        ("a leak beside vapour is sure at 2 u", "SURE_U = 4.0", "SURE_U = 2.0"),
        ("a leak beside vapour is sure at 5 u", "SURE_U = 4.0", "SURE_U = 5.0"),
        (
            "a bound beside vapour is no leak",
            "if leak.bound:\n        return True",
            "if leak.bound:\n        return False",
        ),
        ("aired out for five minutes", "LEAST_MIN, MOST_MIN, ROUND_MIN = 15,", "LEAST_MIN, MOST_MIN, ROUND_MIN = 5,"),
    ),
    *_of(
        "benchrig/sequencer/steps/vapour.py",
        VAPOUR,
        ("a room that warms is vapour", "self.rise_pa - warmed_pa > SURE_U", "self.rise_pa > SURE_U"),
        ("noise at rest is vapour", "\nSURE_U = 4.0", "\nSURE_U = 2.0"),
        ("vapour only adds, without its u", "max(leak.value, 0.0) + 2.0 * leak.u", "max(leak.value, 0.0)"),
        ("what rose at rest is no part of the leak's u", "u=math.hypot(leak.u, vapour)", "u=leak.u"),
        ("vapour in the hold forgotten", 'if result.explanation in ("wet", "undecided"):', "if False:"),
        ("a slow rise is not looked for", "elif slow and (rest is not None or", "elif slow and (False and"),
    ),
    *_of(
        "benchrig/sequencer/steps/resistance_cross_check.py",
        WITNESSES,
        ("negative resistance is a coil's", "not DEAD_SHORT_OHM <= value", "not -1e9 <= value"),
        ("ten times the range is a coil's", "OVER_RANGE = 1.5", "OVER_RANGE = 15.0"),
        ("readings that wander repeat", "REPEATS_REL, REPEATS_OHM = 0.01,", "REPEATS_REL, REPEATS_OHM = 0.02,"),
        ("witnesses never contradict", "DISAGREE_U = 3.0", "DISAGREE_U = 3e3"),
        ("a joint that gives way is the bench", "gives_way = check.ratio > 1.0 and", "gives_way = False and"),
    ),
    *_of(
        "benchrig/sequencer/steps/warm.py",
        WARM,
        ("a joint is taken for warm copper", "if rose > 1.0 + FASTEST", "if rose > 2.0 + FASTEST"),
        ("the warm valve's answer takes the cold one's place", "run.opened = opened  #", "opened = run.opened  #"),
        ("a path that opens at any temperature is the coil's", "SAME_TEMPERATURE_K = 8.0", "SAME_TEMPERATURE_K = 80.0"),
        ("an open coil is heated", 'if run.coil != "sound" or', "if"),
    ),
    *_of(
        "benchrig/verdict/warm.py",
        VERDICT,
        ("cold faults are faults of the heat", "if not failing or not names <= set(WARM.values()):", "if not failing:"),
    ),
    *_of(
        "benchrig/verdict/disposition.py",
        DISPOSITION,
        ("a complaint of heat is answered cold", "if heat_complained_of:", "if False:"),
        ("half sure is sure enough", "SURE_ENOUGH = 0.6", "SURE_ENOUGH = 0.5"),
        ("a good check valve is sold", 'return "keep", "It is', 'return "sell", "It is'),
        (
            "another part than was sold is refunded",
            "        if wrong >= SURE_ENOUGH:\n            return",
            "        if False:\n            return",
        ),
    ),
    *_of(
        "benchrig/verdict/disposition.py",
        WET,
        ("a wet valve is nobody's to air out", 'if verdict == "undecided" and air_out_min is not None:', "if False:"),
        (
            "a wet check valve is aired out like any",
            'if reason == "check-valve":',
            'if reason == "check-valve" and air_out_min is None:',
        ),
    ),
]

STORES_AND_CLOCKS = [
    *_of(
        "benchrig/records/identity.py",
        STORE,
        ("another store is as good", "if own is None or own.store != beside.store:", "if own is None:"),
        (
            "a store without identity is as good",
            "if own is None or own.store != beside.store:",
            "if own and own.store != beside.store:",
        ),
        ("an older store is as good", "if here < there", "if here < 0"),
        ("numbers are given out twice", "max(int(highest or 0), int(given or 0)) + 1", "int(highest or 0) + 1"),
        ("a run of the same number is the same run", "if own.run == beside.run and beside.digest and", "if False and"),
        ("the file beside forgets numbers", "head = head.after(before)", "head = replace(head)"),
    ),
    *_of(
        "benchrig/bench/traceability.py",
        CALENDAR,
        ("a clock from before the program is right", "if now < PROGRAM_MADE:", "if False:"),
        ("a clock that went back is right", "last_seen > now + CLOCK_STEP", "last_seen > now + 9999 * CLOCK_STEP"),
        ("a clock that was put forward is right", "if clock_was:", "if False:"),
        ("a check of the future counts", "if check is not None and check.ended > now + SLACK:", "if False:"),
        (
            "a calibration of the future counts",
            "for each in calibrations if each.made > now + SLACK]",
            "for each in calibrations if False]",
        ),
        ("a calibration of another bench counts", "if calibration is not None and other:", "if False:"),
        (
            "a check of another bench counts",
            "if check is not None and check.passed and (other :=",
            "if False and (other :=",
        ),
    ),
]

STOPPING_RULES = [
    *_of(
        "benchrig/analysis/leak/stopping_rule.py",
        STOPPING,
        ("one look beyond ends a hold", "= beyond and self._was_beyond, beyond", "= beyond, beyond"),
        (
            "vapour is not suspected beyond",
            "beyond = _is_beyond(analyse(suspicious=True)",
            "_is_beyond(analyse(suspicious=True)",
        ),
        ("vapour cannot be seen later", "if beyond and not self._vapour_is_seen:", "if beyond:"),
        ("what vapour may make needs no look", "found.pressure_rate_pa_s if looked_for else None", "None"),
        ("a gross leak is looked at too", "self._vapour_is_seen and not found.bound", "self._vapour_is_seen"),
        ("near the limit for ever", "if self._vapour_is_seen and near:", "if False:"),
        ("near whatever is the matter", "limit and found.explanation not in DOUBTED", "limit"),
        ("known well enough at half", "KNOWN_PART = 0.03", "KNOWN_PART = 0.015"),
        ("what shows ends as tight", "if within and not _shows(found, limit):", "if within:"),
        (
            "what shows is worth a look",
            "within &= leak - (SHOWS_U + WANDERS_U) * u <= SHOWS_PART * limit",
            "within &= True",
        ),
        ("each look takes all of the risk", "band_for(part * self._left, 1)", "band_for(self._left, 1)"),
        ("risk is never used up", "self._left *= 1 - part", "pass"),
        ("early looks take as much", "part = SPENT_PART if could else EARLY_PART", "part = SPENT_PART"),
        ("within by the value alone", "return leak + band * u < limit", "return leak < limit"),
        ("beyond by the value alone", "return leak - band * u > limit", "return leak > limit"),
        ("what is in doubt ends as tight", " or found.explanation in DOUBTED:", ":"),
        ("a wet valve ends as leaking", ' or found.explanation == "wet":', ":"),
        ("no uncertainty is a bound", 'return found.bound == "above" and', "return"),
        (
            "risks of the two sides exchanged",
            "SpentRisk(false_accept), SpentRisk(false_reject)",
            "SpentRisk(false_reject), SpentRisk(false_accept)",
        ),
        ("looks to the very end", "LAST_PART = 0.9", "LAST_PART = 1.0"),
        ("first look after half a second", "FIRST_LOOK_S = 1.5", "FIRST_LOOK_S = 0.5"),
        ("a look between two beyond is forgotten", "            self._was_beyond = False\n", ""),
        ("every look is worth it", "return not (within or beyond)", "return False"),
        ("beyond is never worth a look", "return not (within or beyond)", "return not within"),
        ("noise shows", "leak - SHOWS_U * u > SHOWS_PART * limit", "leak > SHOWS_PART * limit"),
        ("overdue looks are all made", "while self._due_s and self", "if self._due_s and self"),
        (
            "the whole analysis is as sure as the estimate",
            "max(LEAST_U_PART, FALLS_BY * found.hold_leak_sccm_u / estimated[1])",
            "LEAST_U_PART",
        ),
        quick=True,
    ),
    *_of(
        "benchrig/sequencer/steps/early_end.py",
        EARLY_END,
        ("a bound is clear of its limit", "not each.bound and low < least", "low < least"),
        ("each early end takes all of the risk", "LOOKS = 4", "LOOKS = 1"),
        ("clear by the risk of a false reject", "run.model.false_accept)", "run.model.false_reject)"),
        ("beyond by the risk of a false accept", "run.model.false_reject))", "run.model.false_accept))"),
        ("one thing clear is enough", "return all(", "return any("),
        ("all must be beyond", "return any(", "return all("),
        ("too little is not beyond", "least > high or most < low for", "least > high for"),
        ("too much is not beyond", "least > high or most < low for", "most < low for"),
        (
            "the value alone is clear",
            "return each.value - band * each.u, each.value + band * each.u",
            "return each.value, each.value",
        ),
        ("what was not measured lies nowhere", "return -math.inf, math.inf", "return math.inf, -math.inf"),
        (
            "what certainly exceeds is open above and below",
            '(each.value if each.bound == "above"',
            "(each.value if False",
        ),
        quick=True,
    ),
    *_of(
        "benchrig/analysis/leak/gross_leak.py",
        HOLD,
        ("vacuum that is left counts as gone", "if len(half) else float(np.mean(p[-5:])) - began_pa", ""),
        ("gas that warms up counts as a leak", "- vapour_pa - warmed_pa, 0.0)", "- vapour_pa, 0.0)"),
    ),
]

USE_CASES = [
    *_of(
        "benchrig/records/archive/archiving.py",
        ("tests/records/test_archive.py",),
        ("younger runs are archived too", "started_at < :before", "started_at <> :before"),
        ("a changed record is archived", "return not faults", "return True"),
        ("a file is not held against the store", "        np.array_equal(", "        True or np.array_equal("),
        (
            "a file that was cut off is not taken up",
            "        if not waiting or not all(",
            "        if True or not all(",
        ),
    ),
    *_of(
        "benchrig/records/code_check.py",
        ("tests/records/test_code_check.py",),
        ("a made-up digest fits", "if not code.digest or not record", "if False and not record"),
        ("another part's code fits", "if not code.means_tag(record.tag):", "if False:"),
        ("another verdict fits", "if code.verdict != verdict:", "if False:"),
        ("what came later and is gone is not missed", "if known > len(record.later):", "if False:"),
        ("an old page counts as new", "record.later[known:]", "()"),
    ),
    *_of(
        "benchrig/reports/templates/page.typ",
        ("tests/reports/test_pdf.py",),
        ("the type does not give way", "range(1, 15).map", "range(1, 2).map"),
    ),
    *_of(
        "benchrig/records/later.py",
        ("tests/records/test_code_check.py",),
        ("an aborted run makes a page old", 'c.ending == "finished"', "c.id > 0"),
    ),
    *_of(
        "benchrig/application/archiving.py",
        ("tests/application/test_archiving.py",),
        ("what waits for delivery is archived", "if brought is not None and brought.why:", "if False:"),
    ),
    *_of(
        "benchrig/records/backup.py",
        ("tests/records/test_backup.py",),
        ("a changed copy is taken", "        if found.checked.faults:", "        if False:"),
        ("a store with a run going on is replaced", "    if running:", "    if False:"),
        ("an older copy goes on as the lost store", "    if not as_new:", "    if False:"),
    ),
    *_of(
        "benchrig/records/run_seal.py",
        ("tests/records/test_archive.py",),
        (
            "archived traces are not held against digests",
            "        for says in record.digest_faults()\n    )",
            "        for says in ()\n    )",
        ),
    ),
    *_of(
        "benchrig/application/batch.py",
        ("tests/application/test_batch.py",),
        ("an aborted run counts as tested", 'if run.ending == "finished"', "if run.ending"),
        ("a simulated run counts on a real bench", ", simulated=self._plan.simulated", ""),
        ("repeats are not asked about", "if earlier is not None and not", "if False and not"),
        ("a stopped batch does not say what is done", "tell(BatchStopped(batch.tally))", "pass"),
        ("a part does not name its batch", "replace(request.intake, batch=name)", "request.intake"),
    ),
    *_of(
        "benchrig/cli/batch_prompts.py",
        ("tests/cli/test_qualify_batch.py",),
        ("an early Enter begins a run", "        _forget_early_keys()", "        pass"),
    ),
    *_of(
        "benchrig/cli/qualify_batch.py",
        ("tests/cli/test_qualify_batch.py",),
        ("a list that is not through counts as done", "return 3 if tally.left else 0", "return 0"),
    ),
    *_of(
        "benchrig/application/qualification.py",
        APPLICATION,
        ("a console's stop not heard", "bench.stop_wanted = stop_wanted", "bench.stop_wanted = never"),
        ("nobody asked whether the part is ready", "if not simulated and not request.known_ready:", "if False:"),
    ),
    *_of(
        "benchrig/application/model_on_bench.py",
        APPLICATION,
        ("fictional models on a real bench", "if model.fictional and not bench.file.bench.simulated:", "if False:"),
        ("vacuum out of reach", "if reached_kpa < model.hold_vacuum_kpa:", "if False:"),
    ),
    *_of(
        "benchrig/application/calibration.py",
        APPLICATION,
        ("what moved by much is kept unasked", "if not keep_whatever and found.moved > MOVED_MOST:", "if False:"),
    ),
    *_of(
        "benchrig/application/operators.py",
        APPLICATION,
        ("board not fed while somebody connects", "self._bench.feed if self._bench.armed else None", "None"),
    ),
    *_of(
        "benchrig/bench/bench.py",
        BENCH,
        ("barometer lost with calibrations", "if self._barometer_kpa is not None:", "if False:"),
    ),
    *_of(
        "benchrig/bench/problems.py",
        BENCH,
        ("several faults lose their hints", "together.problems = tuple(problems)", "together.problems = ()"),
    ),
    *_of(
        "benchrig/bench/constants.py",
        BENCH,
        (
            "scale outlives its transducer",
            'KindOfCalibration("scale", ("gauge",), ("board", "transducer")',
            'KindOfCalibration("scale", ("gauge",), ("board",)',
        ),
    ),
    *_of(
        "benchrig/sequencer/sequence.py",
        ("tests/sequencer/test_sequence.py",),
        ("a flow without a hold", 'needs=("hold",),', 'needs=("coil",),'),
    ),
]

EARLY_ENDS = [
    *_of(
        "benchrig/analysis/leak/stopping_rule.py",
        ("tests/analysis/test_stopping_rule.py",),
        ("a leak is believed at once", "LEAST_BEYOND_S = 3.0", "LEAST_BEYOND_S = 1.0"),
    ),
    *_of(
        "benchrig/sequencer/steps/fresh_air.py",
        ("tests/sequencer/test_fresh_air.py",),
        ("half of the leak's rise is no vapour", "CLEAR_PART, FALL_PART = 0.4", "CLEAR_PART, FALL_PART = 0.5"),
        ("gas that falls hides nothing", "return -FALL_PART * leaked_pa < rise.rise_pa - unsure_pa and ", "return "),
        ("noise is no doubt", "2.0 * rise.u_pa", "0.0"),
        ("warm gas is looked at for ever", "AGAIN_S, MOST_LOOKS = 1.0, 4", "AGAIN_S, MOST_LOOKS = 1.0, 1"),
    ),
    *_of(
        "benchrig/application/recent_evidence.py",
        ("tests/application/test_recent_evidence.py",),
        ("a rejected valve proves the line", 'last.verdict != "accept"', "False"),
        ("a failed check proves the line", "if check.passed and check.ended >= oldest", "if check.ended >= oldest"),
        ("yesterday's valve proves the line", "last.ended is None or last.ended < oldest", "last.ended is None"),
        ("short holds tell the recovery", "> LONG_ENOUGH_TAUS * each.hold[TAU_LABEL]", "> 0.0"),
    ),
    *_of(
        "benchrig/bench/traceability.py",
        ("tests/sequencer/test_early_ends.py",),
        ("an old recovery is today's", "self.assessed - each.made < SAME_DAY", "self.assessed >= each.made"),
        ("two days are one", "SAME_DAY = timedelta(hours=24)", "SAME_DAY = timedelta(hours=48)"),
    ),
    *_of(
        "benchrig/sequencer/steps/hold.py",
        ("tests/sequencer/test_early_ends.py",),
        ("any vacuum has the bench's chill", "> SAME_VACUUM_PA", "> 1e9"),
    ),
]

CLUSTERS = [
    *_of(
        "benchrig/workers/cluster.py",
        ("tests/workers/test_cluster_rules.py", "tests/workers/test_cluster.py"),
        ("a scheduler without workers is waited for", "if not count:", "if count < 0:"),
        ("any program does the work", "    if told:", "    if told and not told:"),
        ("a late worker is not asked", "    if own != wanted:", "    if not own:"),
        ("threads do it side by side", "    with _ONE_AT_A_TIME:", "    with suppress(KeyError):"),
        ("who waited beside the killer is lost", "if died and not alone:", "if False and died:"),
        ("what waits behind a hang is lost", "if _done_there.__name__ not in stack[-1]:", "if True:"),
    ),
]

MUTATIONS = [
    *CLUSTERS,
    *STOPPING_RULES,
    *EARLY_ENDS,
    *USE_CASES,
    *SURVIVED_ONCE,
    *DECISIONS,
    *MEASUREMENTS,
    *BENCH_AND_SEQUENCE,
    *TRACES,
    *WIRES_AND_RECORDS,
    *WET_AND_WARM,
    *STORES_AND_CLOCKS,
]
