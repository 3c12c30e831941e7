"""The fit of a fill: parameters and what is known of them, and when it began.

Split from `benchrig.analysis.flow.open_flow`, which says what it is for and turns the fit into results.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from benchrig.analysis.flow.fill_blocks import Blocks
from benchrig.analysis.flow.fill_goodness import goodness
from benchrig.analysis.flow.fill_model import INFLOW_BEND, FillModel, FillSetting
from benchrig.analysis.flow.fill_ratio import over_ratios
from benchrig.analysis.flow.opening_instant import opening_instant
from benchrig.analysis.gas.air import GAMMA, flow_function
from benchrig.analysis.gas.reservoir import USUAL_LAMINAR
from benchrig.analysis.results import Samples
from benchrig.analysis.statistics.fitting import SETTLED, Fitted, Parameter, fit
from benchrig.analysis.statistics.model_averaging import averaged

__all__ = ["RESPONSE", "USUAL_RATIO", "USUAL_TAU_LN_U", "USUAL_TAU_S", "FillFit", "Supposed", "fit_fill"]

USUAL_RATIO, USUAL_RATIO_U = 0.35, 0.2
LOWEST_RATIO, HIGHEST_RATIO = 0.02, 0.75
USUAL_TAU_S, USUAL_TAU_LN_U = 2.0, 0.8
TRAVEL_U_S = 0.008
"""Valves open within about so long, at any speed up to that alike; the square of the time is taken as normal
(engineering judgement). With less the instant of opening comes out late by a part of what is left out."""
RESPONSE_U = 0.07
"""What is not known of the transducer's time constant, as part of it (engineering judgement). In a quick fill it looks
like heat: 7 % of it make 4 % of C where nobody told what an inflow adds."""
AMBIENT_U_PA = 15.0
ASTRAY = 1.5
"""A fit whose residuals exceed the noise by more than this is tried again from elsewhere."""
QUICK = 0.02
"""A fill that goes on as it began and takes more than this part of the vacuum within the time constant of the
transducer is quick."""
FAR_ASTRAY = 3.0
"""The same for a supposition, which is given up then."""
DEPARTURE = 0.004
"""What a real opening's departure from the ISO 6358 curve, about 1 % of its choked flow, does to the pressure during
a fill, as part of the vacuum (engineering judgement). Taken as noise, so that it does not bend the heat transfer and
b to its shape."""
STIRS_U = 0.3
"""Where nobody measured what an inflow adds to the heat, the power with which that grows is not known either: this
more (engineering judgement)."""
UNTOLD_PART_U, STRONGEST = 0.4, 60.0
"""Where nobody measured what an inflow adds to the heat: standard uncertainty of the fitted power of it (a standard
uncertainty to either side is 3.5 times less or 4 times more than `USUAL_INFLOW_W_K`, two of them nothing or anything),
and the most it may be, over that (engineering judgement)."""
BEGIN_UNTOLD = (1.6, 0.6)
"""Where the search for it begins: from little stirring and from much, for beside the true valley there is one of a low
critical ratio."""
DEPARTURE_U = (0.2, 0.15, 0.15, 0.15)
"""Spread among real openings of the departures from the ISO curve in `Fill`: up to 3 % of the choked flow (engineering
judgement)."""
CURVE_SOFT_PA = 30.0
"""Noise pretended while the fit finds its way with an opening that is free to depart from the curve."""
NEAR = 1.0
"""A search that only leads to the next one ends where chi-square would fall by no more than this."""
STRAIGHT, STRAIGHTENED = 0.02, 2
"""A critical ratio this close to where its curve is taken as straight needs no further round; the most of rounds. The
flow has its kink at b: one that lies about the start is taken to lie so far below it."""
MOST_PULL, MOST_PULLS = 2.7, 8.0
"""Furthest that a record may pull what is known of bench and heat, in standard uncertainties, and the most that the
squares of all such pulls may sum to. Of 65 records by other physics that keep to the model none had over 2.3 and 6.1;
three in four of those with fuel vapour, a liner or an opening that creeps wider have more."""
MOST_DEPARTURE, MOST_DEPARTURES = 4.0, 25.0
"""The same for the opening's curve, of which less is known."""
USUAL_LAMINAR_LN_U = 1.0
LAMINAR_LN_START = -8.2
"""Where the search for the edge of laminar flow begins: from close to ambient it rarely goes astray."""


PULL_OF_BENCH, PULL_OF_OPENING = 4.0, 1.0
"""Sums of squared pulls up to which bench and heat, and the opening's curve, say nothing: what sound records show."""

_CURVE = tuple(Parameter(f"departure_{i}", 0.0, 1e-4, 0.0, u) for i, u in enumerate(DEPARTURE_U))
"""Fitted besides C and b: how the opening departs from the ISO curve."""
RESPONSE = (Parameter("response_part", 1.0, 1e-3, 1.0, RESPONSE_U, 0.5, 1.5, late=True),)
"""What is not known of the transducer: its time constant, as part of that told."""
_OF_BENCH = ("ambient", "tau_ln", "start_warmth", "inflow_part", "flow_power")
_OF_OPENING = ("critical_ratio", "laminar_ln", *(q.name for q in _CURVE))


@dataclass(frozen=True)
class Supposed:
    """What is supposed beyond the plain model of a fill.

    Attributes
    ----------
    extra : tuple of Parameter
        More parameters of `FillModel`; among them what is not known of the transducer.
    travel_u_s, most_travel_s : float
        How long valves take to open, and at most.
    tau_s, tau_ln_u : float, optional
        Time constant of the constant part of the heat transfer, in place of what the setting says.
    """

    extra: tuple[Parameter, ...] = RESPONSE
    travel_u_s: float = TRAVEL_U_S
    most_travel_s: float = 0.015
    tau_s: float | None = None
    tau_ln_u: float | None = None


_PLAIN = Supposed()
HOPELESS = 1.5
"""A supposition whose rough fit leaves more than this times what a real opening's departure may do is given up."""


@dataclass(frozen=True)
class FillFit:
    """A fitted fill.

    Attributes
    ----------
    fitted : Fitted
        The parameters with their covariance, over all critical ratios that remain.
    opened_s : tuple of float
        Instant of opening and its standard uncertainty, s.
    curve_pa : ndarray, shape (n,)
        The fitted curve at the blocks.
    goodness : float
        Over 1: the record is not that of any such fill, see `benchrig.analysis.flow.fill_goodness`.
    cost : float
        Chi-square of data and priors together.
    strained : str
        Name of the parameter that the record pulls furthest from what is known of it, where that is too far to
        believe; empty where all agree.
    pulled : float
        How far the record pulls bench, heat and the opening's curve from what is known of them, beyond what sound
        records do, in standard uncertainties. An exchange of heat of another form than fitted shows like that.
    pulled_heat : float
        The same of bench and heat alone.
    members : tuple of (float, Fitted)
        What `fitted` is the mean of, each with its probability.
    """

    fitted: Fitted
    opened_s: tuple[float, float]
    curve_pa: Samples
    goodness: float
    cost: float
    strained: str = ""
    pulled: float = 0.0
    pulled_heat: float = 0.0
    members: tuple[tuple[float, Fitted], ...] = ()

    @property
    def believed(self) -> bool:
        """Whether the fit describes the record, with parameters as they are known to be."""
        return self.goodness <= 1.0 and not self.strained


def _fit(
    model: FillModel,
    y: Samples,
    sd: Samples,
    parameters: Sequence[Parameter],
    soft_sd: Sequence[float] = (),
    settled_at: float = SETTLED,
) -> Fitted:
    return fit(model, y, sd, parameters, soft_sd, settled_at, model.derivatives, bends=True)


def fit_fill(blocks: Blocks, setting: FillSetting, supposed: Supposed = _PLAIN) -> FillFit:
    """Fit a fill to thinned samples; raises LinAlgError where the search leaves all bounds."""
    x, y, sd = blocks.time_s, blocks.pressure_pa, blocks.sd_pa
    start_pa = blocks.start_pa
    start = start_pa / setting.ambient_pa
    slope = blocks.slope_pa_s
    rate = slope / setting.ambient_pa / GAMMA / max(float(flow_function(start + 0.1, USUAL_RATIO)), 0.3)
    tau_s = supposed.tau_s or setting.tau_s
    # the travel of an opening whose bend just stands out of the noise: what is quicker looks like a mere delay
    noise_pa, travel_u_s = blocks.noise.sample_pa, supposed.travel_u_s
    travel_s = min(max((256 * noise_pa**2 * blocks.period_s / slope**2) ** (1 / 3), 1e-4), travel_u_s)
    ambient_u = math.hypot(AMBIENT_U_PA, 0.3 * setting.pressure_u_pa) / setting.ambient_pa
    parameters = (
        Parameter("middle_s", blocks.opened_s + travel_s / 2, 1e-5, low=float(x[0])),
        Parameter("travel_s2", travel_s**2, 1e-7, 0.0, travel_u_s**2, low=0.0, high=supposed.most_travel_s**2),
        Parameter("ambient", 0.0, 1e-6, prior=0.0, prior_u=ambient_u, late=True),
        Parameter("rate", rate, 1e-4 * rate, low=0.05 * rate, high=20 * rate),
        Parameter("critical_ratio", USUAL_RATIO, 1e-4, USUAL_RATIO, USUAL_RATIO_U, LOWEST_RATIO, HIGHEST_RATIO),
        Parameter("tau_ln", math.log(tau_s), 1e-3, math.log(tau_s), supposed.tau_ln_u or setting.tau_ln_u, -5.0, 4.0),
        Parameter(
            "laminar_ln",
            LAMINAR_LN_START,
            1e-2,
            math.log(USUAL_LAMINAR),
            USUAL_LAMINAR_LN_U,
            -10.0,
            -4.0,
            late=True,
        ),
        Parameter("start", start, 1e-5, late=True),
        Parameter(
            "start_warmth", 1.0, 1e-4, 1.0, max(setting.start_u_k, 1e-3) / setting.ambient_k, 0.8, 1.2, late=True
        ),
        *supposed.extra,
    )
    power, power_u = setting.inflow_power, setting.inflow_power_u
    if setting.inflow_told:
        known_u = setting.inflow_u_w_k / setting.inflow_w_k if setting.inflow_w_k else 1.0
        part_u, least = -INFLOW_BEND * max(known_u, 1e-4), (1 + 10 * known_u) ** INFLOW_BEND
    else:
        part_u, least = UNTOLD_PART_U, STRONGEST**INFLOW_BEND
        power_u = math.hypot(power_u, STIRS_U)
    stirring = (
        Parameter("inflow_part", 1.0, 1e-4, 1.0, part_u, least, setting.most_part),
        Parameter("flow_power", power, 1e-2, power, max(power_u, 1e-4), 0.2, 2.2, late=True),
    )
    quick = setting.response_s * slope > QUICK * (setting.ambient_pa - start_pa)
    model = FillModel(x, setting, quick)
    soft = (0.005 * setting.ambient_pa, 0.0005 * setting.ambient_pa)
    first = supposed is _PLAIN
    loose = np.hypot(sd, DEPARTURE * (setting.ambient_pa - start_pa))
    begins = (None,) if setting.inflow_told else BEGIN_UNTOLD
    roughs = [_fit(model, y, loose, (*parameters, *_begun(stirring, part)), soft, NEAR) for part in begins]
    rough = min(roughs, key=lambda one: one.cost)
    if not first and _hopeless(rough):
        return _given_up(model, rough)
    near = _nearly_curved(model, y, sd, rough)
    if not first and _hopeless(near):
        return _given_up(model, near)
    fitted = _curved(model, y, sd, near, math.inf if first else FAR_ASTRAY)
    if fitted.widening > ASTRAY and first and not _hopeless(rough):
        # another way down: free to depart from the curve from the start
        other = _fit(model, y, sd, (*parameters, *_CURVE, *stirring), soft_sd=(*soft, CURVE_SOFT_PA))
        fitted = min(fitted, other, key=lambda one: one.cost)
    elif not first and fitted.widening > FAR_ASTRAY:
        return _given_up(model, fitted)
    return _fit_of(model, blocks, fitted, travel_s, travel_u_s)


def _hopeless(fitted: Fitted) -> bool:
    return float(fitted.residual @ fitted.residual) > HOPELESS**2 * len(fitted.residual)


def _given_up(model: FillModel, fitted: Fitted) -> FillFit:
    return FillFit(fitted, (math.nan, math.nan), model(fitted.values), math.inf, fitted.cost)


def _begun(stirring: tuple[Parameter, Parameter], part: float | None) -> tuple[Parameter, Parameter]:
    return stirring if part is None else (replace(stirring[0], start=part), stirring[1])


def _fit_of(model: FillModel, blocks: Blocks, fitted: Fitted, travel_s: float, travel_u_s: float) -> FillFit:
    """What a fit says, over the critical ratios that it allows where it describes the record."""
    y, sd, alike = blocks.pressure_pa, blocks.sd_pa, blocks.noise.averages_out
    each = [(0.0, fitted)]
    if goodness(fitted.residual, len(fitted.values), alike) <= 1.0:
        each = over_ratios(model, y, sd, fitted)
    logs = np.array([log for log, _ in each])
    weights = np.exp(logs - logs.max())
    members = tuple(zip((weights / weights.sum()).tolist(), (one for _, one in each), strict=True))
    likelier = min([fitted, *(one for _, one in members)], key=lambda one: one.cost)
    opened_s = opening_instant(model, y, sd, likelier, travel_s, travel_u_s)
    heat = _pulled(likelier, _OF_BENCH, PULL_OF_BENCH)
    return FillFit(
        averaged([one for _, one in each], logs.tolist()),
        opened_s,
        model(likelier.values),
        goodness(likelier.residual, len(likelier.values), alike),
        likelier.cost,
        _strained(likelier),
        math.hypot(heat, _pulled(likelier, [q.name for q in _CURVE], PULL_OF_OPENING)),
        heat,
        members,
    )


def _strained(fitted: Fitted) -> str:
    """Name of what is pulled further than can be believed; empty where all agree."""
    if fitted.values["critical_ratio"] < LOWEST_RATIO + 0.01:
        return "critical_ratio"  # no opening: one that narrows while it flows looks like that
    if fitted.values.get("response_part", 1.0) - 1 > MOST_PULL * RESPONSE_U:
        return "response_part"  # one that is quicker than told hardly shows, and is not looked for
    for names, most, most_sum in (
        (_OF_BENCH, MOST_PULL, MOST_PULLS),
        (_OF_OPENING, MOST_DEPARTURE, MOST_DEPARTURES),
    ):
        pulls = _pulls(fitted, names)
        worst = max(pulls, key=lambda name: pulls[name], default="")
        if worst and (pulls[worst] > most or sum(pull**2 for pull in pulls.values()) > most_sum):
            return worst
    return ""


def _pulls(fitted: Fitted, names: Sequence[str]) -> dict[str, float]:
    return {q.name: abs(fitted.values[q.name] - q.prior) / q.prior_u for q in fitted.parameters if q.name in names}


def _pulled(fitted: Fitted, names: Sequence[str], usual: float) -> float:
    return math.sqrt(max(sum(pull**2 for pull in _pulls(fitted, names).values()) - usual, 0.0))


def _nearly_curved(model: FillModel, y: Samples, sd: Samples, fitted: Fitted) -> Fitted:
    """The fit once more, with the opening free to depart from the ISO curve as real ones do; more noise pretended."""
    begin = [replace(q, start=fitted.values[q.name], late=False) for q in fitted.parameters]
    k = len(begin) - 2
    return _fit(model, y, np.hypot(sd, CURVE_SOFT_PA), [*begin[:k], *_CURVE, *begin[k:]], settled_at=NEAR)


def _curved(model: FillModel, y: Samples, sd: Samples, near: Fitted, hopeless_from: float) -> Fitted:
    """The last fit, its flow following the critical ratio along a tangent, which is laid anew in each round."""
    fitted = near
    for _ in range(STRAIGHTENED):
        about = fitted.values["critical_ratio"]
        if abs(about - fitted.values["start"]) < STRAIGHT:
            about = fitted.values["start"] - STRAIGHT
        begin = [replace(q, start=fitted.values[q.name]) for q in fitted.parameters]
        model.straighten(about)
        fitted = _fit(model, y, sd, begin)
        model.straighten(None)
        if abs(fitted.values["critical_ratio"] - about) < STRAIGHT or fitted.widening > hopeless_from:
            break
    return fitted
