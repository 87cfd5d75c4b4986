"""The installation check: is each pump of a site fitted so that it can work, and what to expect.

Limits of common practice where there is no published one, computed margins beside them. What the
site file does not say is answered 'unknown', never with a tick.
"""

from collections.abc import Iterator
from dataclasses import replace

from monitor.hydraulics import flow, line, suction
from monitor.hydraulics.case import COMPUTED, PRACTICE, Case, Check, Line, Verdict
from monitor.hydraulics.expected import EXPECTATIONS
from monitor.hydraulics.liquid import column_pa, density_kg_m3
from monitor.hydraulics.pump import AIR_MAX_PA, AIR_MIN_PA
from monitor.seals import Rating, judge_seal
from monitor.site import Pump, Site
from monitor.units import M_PER_FT, PA_PER_PSI

__all__ = ["CHECKS", "Line", "check_pump", "check_site"]

LIFT_MAX_M = 4.0 * M_PER_FT
RUN_MAX_M = 15.0 * M_PER_FT
CHECK_VALVE_MAX_PA = 2.0 * PA_PER_PSI
FOOT_VALVE_MAX_PA = 1.0 * PA_PER_PSI
"""Chosen: 2 psi alone would cost 4.6 ft of lift."""
DRY_AIR_DEW_C = -20.0
"""ISO 8573-1 class 3: under the mean temperature of exhausted air at 60 to 100 psi (computed)."""
DRIED_AIR_DEW_C = 3.0
"""ISO 8573-1 class 4, what a refrigerated dryer gives; frost possible on long runs."""


def check_site(site: Site) -> list[Line]:
    """Every check for every pump: air, suction, discharge, pump, then what to expect of it."""
    return [found for pump in site.pumps for found in check_pump(site, pump)]


def check_pump(site: Site, pump: Pump) -> list[Line]:
    """Every check for one pump."""
    case = Case.of(site, pump)
    return [_honest(pump, found) for check in CHECKS for found in check(case)]


_RESTS_ON = {
    "air pressure": ("air_set_pa",),
    "lift above liquid": ("lift_m",),
    "suction run": ("suction",),
    "suction head left in a draw": ("suction", "lift_m", "fluid"),
    "lift against dry priming": ("lift_m",),
    "check valve opens at": ("check_valve_crack_pa",),
    "foot valve opens at": ("foot_valve_crack_pa",),
    "expected stall pressure": ("air_set_pa", "lift_m"),
    "expected pressure in a draw": ("air_set_pa", "displacement_ml"),
    "strokes to prime, at most": ("suction", "lift_m", "displacement_ml"),
}


def _honest(pump: Pump, found: Line) -> Line:
    """No tick for a figure that nobody gave: what rests on a default is not known."""
    missing = [f for f in _RESTS_ON.get(found.name, ()) if f not in pump.model_fields_set]
    if found.verdict != "ok" or not missing:
        return found
    names = ", ".join(name.removesuffix("_pa").removesuffix("_ml") for name in missing)
    words = names.removesuffix("_m").replace("_m,", ",").replace("_", " ")
    todo = f"usual value assumed: give {words} in the site file"
    return replace(found, verdict="unknown", what_to_change=todo)


def _air(case: Case) -> Iterator[Line]:
    air, show = case.pump.air_set_pa, case.show
    limit = f"{show.pressure(AIR_MIN_PA)} to {show.pressure(AIR_MAX_PA)}"
    here = case.line("air pressure", air, "Pa")
    if air < AIR_MIN_PA:
        yield here(limit, "bad", PRACTICE, "raise the regulator: below it the air valve may hang")
    elif air > AIR_MAX_PA:
        yield here(
            limit, "bad", PRACTICE, "lower the regulator: hoses and pump are not rated for it"
        )
    else:
        yield here(limit, "ok", PRACTICE, "")


def _air_dryness(case: Case) -> Iterator[Line]:
    supply = next((s for s in case.site.air_supplies if s.id == case.pump.air_supply), None)
    dew = supply.dew_point_c if supply else None
    here = case.line("air dew point", dew, "°C")
    limit = f"at most {DRIED_AIR_DEW_C:g} °C, {DRY_AIR_DEW_C:g} °C for long draws in the cold"
    source = "ISO 8573-1:2010 classes 4 and 3"
    if dew is None:
        yield here(limit, "unknown", source, "find out what dryer the air passes and its dew point")
    elif dew > DRIED_AIR_DEW_C:
        yield here(limit, "warn", source, "add or repair a dryer: the exhaust can ice and stall")
    else:
        yield here(limit, "ok", source, "")


def _lift(case: Case) -> Iterator[Line]:
    lift = case.pump.lift_m
    here = case.line("lift above liquid", lift, "m")
    limit = f"at most {case.show.length(LIFT_MAX_M)}"
    if lift <= LIFT_MAX_M:
        yield here(limit, "ok", PRACTICE, "")
        return
    margin = suction.suction_state(case.pump, case.flow_ml_s, case.site.altitude_m).margin_m
    todo = f"mount the pump lower or raise the drum; computed margin {case.show.length(margin)}"
    yield here(limit, "warn" if margin >= suction.MARGIN_M else "bad", PRACTICE, todo)


def _run(case: Case) -> Iterator[Line]:
    here = case.line("suction run", case.pump.suction.length_m, "m")
    limit = f"at most {case.show.length(RUN_MAX_M)}"
    if case.pump.suction.length_m <= RUN_MAX_M * 1.001:
        yield here(limit, "ok", PRACTICE, "")
    else:
        yield here(
            limit, "warn", PRACTICE, "move the drum nearer: priming takes longer and may fail"
        )


def _suction_margin(case: Case) -> Iterator[Line]:
    state = suction.suction_state(case.pump, case.flow_ml_s, case.site.altitude_m)
    assumed = "" if case.point else " (tip not given: 0.5 US gal/min assumed)"
    here = case.line("suction head left in a draw", state.margin_m, "m")
    limit = f"at least {case.show.length(suction.MARGIN_M)} over boiling{assumed}"
    source = "Darcy-Weisbach, Churchill 1977, IAPWS-IF97, US Standard Atmosphere 1976, HI 6.6"
    if state.margin_m >= suction.MARGIN_M:
        yield here(limit, "ok", source, "")
        return
    todo = _worst_suction_loss(state, column_pa(1.0, case.pump.fluid.specific_gravity))
    yield here(limit, "warn" if state.margin_m >= 0 else "bad", source, todo)


def _worst_suction_loss(state: suction.SuctionState, pa_per_m: float) -> str:
    heads = {
        "use a wider suction hose: friction takes most": state.friction_pa,
        "use a wider and shorter suction hose: speeding the column up takes most": (
            state.acceleration_m * pa_per_m
        ),
        "mount the pump lower: the lift takes most": state.static_pa,
        "fit a foot valve that opens more easily: it takes most": state.foot_valve_pa,
        "use wider fittings and clean the strainer: they take most": state.fittings_pa,
    }
    return max(heads, key=lambda words: heads[words])


def _dry_lift(case: Case) -> Iterator[Line]:
    pump = case.pump
    lifts = [
        suction.dry_lift_m(ratio, pump.fluid.specific_gravity, altitude_m=case.site.altitude_m)
        - pump.foot_valve_crack_pa / column_pa(1.0, pump.fluid.specific_gravity)
        for ratio in (suction.DRY_RATIO.low, suction.DRY_RATIO.high)
    ]
    here = case.line("lift against dry priming", pump.lift_m, "m")
    show = case.show.length
    limit = f"{show(max(lifts[0], 0.0))} worn, {show(max(lifts[1], 0.0))} tight, line open"
    if pump.lift_m <= lifts[0]:
        yield here(limit, "ok", COMPUTED, "")
    elif pump.lift_m <= lifts[1]:
        yield here(
            limit, "warn", COMPUTED, "only a tight pump primes from dry here: lower the lift"
        )
    else:
        yield here(limit, "bad", COMPUTED, "the pump cannot prime from dry here: lower the lift")


def _valves(case: Case) -> Iterator[Line]:
    show, pump = case.show, case.pump
    here = case.line("check valve opens at", pump.check_valve_crack_pa, "Pa")
    limit = f"at most {show.pressure(CHECK_VALVE_MAX_PA)}"
    good = pump.check_valve_crack_pa <= CHECK_VALVE_MAX_PA * 1.001
    yield here(
        limit, "ok" if good else "bad", PRACTICE, "" if good else "fit one that opens easier"
    )
    here = case.line("foot valve opens at", pump.foot_valve_crack_pa, "Pa")
    limit = f"at most {show.pressure(FOOT_VALVE_MAX_PA)}"
    if pump.foot_valve_crack_pa <= FOOT_VALVE_MAX_PA:
        yield here(limit, "ok", "chosen: it costs lift", "")
        return
    worst: Verdict = "bad" if pump.foot_valve_crack_pa > CHECK_VALVE_MAX_PA * 1.001 else "warn"
    cost = pump.foot_valve_crack_pa / column_pa(1.0, pump.fluid.specific_gravity)
    todo = f"fit one that opens easier: this one costs {show.length(cost)} of lift"
    yield here(limit, worst, "chosen: it costs lift", todo)


def _ports(case: Case) -> Iterator[Line]:
    known = case.pump.ports_down
    here = case.line("ports facing down", None if known is None else float(known), "yes")
    if known is None:
        yield here(
            "yes", "unknown", PRACTICE, "look how the pump hangs and say so in the site file"
        )
    elif known:
        yield here("yes", "ok", PRACTICE, "")
    else:
        yield here(
            "yes", "bad", PRACTICE, "mount it upright, ports down: gas stays in it otherwise"
        )


def _siphon(case: Case) -> Iterator[Line]:
    """Liquid level against outlet, both measured from the pump."""
    outlet = case.pump.outlet_height_m
    above = None if outlet is None else -case.pump.lift_m - outlet
    here = case.line("liquid level above the outlet", above, "m")
    limit = f"at most {case.show.length(0.0)}"
    if above is None:
        todo = "give the outlet's height over the pump: a drum above it can siphon dry unseen"
        yield here(limit, "unknown", "hydrostatics", todo)
    elif above <= 0:
        yield here(limit, "ok", "hydrostatics", "")
    else:
        todo = "fit an anti-siphon valve or lower the drum: it can run through the stopped pump"
        yield here(limit, "warn", "hydrostatics", todo)


_SEAL_VERDICTS: dict[Rating, Verdict] = {
    Rating.STANDS: "ok",
    Rating.CHECK: "warn",
    Rating.AVOID: "bad",
    Rating.UNKNOWN: "unknown",
}


def _seal(case: Case) -> Iterator[Line]:
    for found in judge_seal(case.pump.seal, case.pump.fluid):
        name = f"seal {case.pump.seal} and {found.hazard}"
        here = case.line(name, found.value, found.unit)
        source = "general resistance guidance; the suppliers' data decide"
        yield here(found.why, _SEAL_VERDICTS[found.rating], source, found.what_to_do)


def _displacement(case: Case) -> Iterator[Line]:
    known = case.pump.displacement_known
    here = case.line("displacement a stroke", case.pump.displacement_ml, "mL")
    todo = "" if known else "do a catch test: count strokes against a measured volume"
    yield here("measured", "ok" if known else "unknown", PRACTICE, todo)


def _surge(case: Case) -> Iterator[Line]:
    pump = case.pump
    density = density_kg_m3(pump.fluid)
    wave = line.wave_speed_m_s(pump.discharge, density).high
    speed = flow.velocity_m_s(case.flow_ml_s, pump.discharge.bore_m)
    peak = pump.air_set_pa + line.hammer_pa(density, wave, speed)
    needed = max(peak, 2.0 * pump.air_set_pa)
    here = case.line("peak when a bay closes, at most", peak, "Pa")
    limit = f"hose and fittings rated {case.show.pressure(needed)} or more"
    todo = "read the rating off hose and fittings (twice the air pressure, and over this peak)"
    yield here(limit, "unknown", "Joukowsky 1898; twice the air pressure chosen", todo)


def _range(case: Case) -> Iterator[Line]:
    full = case.pump.sensors.full_scale_pa
    needed = 1.25 * case.pump.air_set_pa
    here = case.line("pressure sensor's full scale", full, "Pa")
    limit = f"at least {case.show.pressure(needed)}"
    good = full >= needed
    todo = "" if good else "fit a sensor with more range: surges pass air pressure by 2 to 14 psi"
    yield here(limit, "ok" if good else "warn", "chosen: surges after a draw", todo)


CHECKS: tuple[Check, ...] = (
    _air,
    _air_dryness,
    _lift,
    _run,
    _suction_margin,
    _dry_lift,
    _valves,
    _ports,
    _siphon,
    _seal,
    _displacement,
    _surge,
    _range,
    *EXPECTATIONS,
)
