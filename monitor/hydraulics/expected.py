"""What to expect of a pump as it is fitted: the figures its first days are compared with."""

import math
from collections.abc import Iterator

from monitor.hydraulics import suction
from monitor.hydraulics.air import stroke_air_l
from monitor.hydraulics.case import COMPUTED, PRACTICE, Case, Check, Line, Verdict
from monitor.hydraulics.pump import RATED_FLOW_ML_S, dry_rate_bounds_hz, stall_band_pa


def _expected_stall(case: Case) -> Iterator[Line]:
    pump, show = case.pump, case.show
    band = stall_band_pa(pump.air_set_pa, pump.lift_m, pump.fluid.specific_gravity)
    here = case.line("expected stall pressure", band.middle, "Pa")
    verdict: Verdict = "ok" if band.low > 0 else "bad"
    todo = "" if band.low > 0 else "air pressure does not overcome lift and friction: raise it"
    limit = (
        f"{show.pressure(band.low)} to {show.pressure(band.high)}, more for minutes after a draw"
    )
    yield here(limit, verdict, COMPUTED, todo)


def _expected_draw(case: Case) -> Iterator[Line]:
    point, pump = case.point, case.pump
    if point is None:
        here = case.line("expected pressure in a draw", None, "Pa")
        yield here("needs the tip", "unknown", COMPUTED, "give the tip's diameter in the site file")
        return
    here = case.line("expected pressure in a draw", point.pressure_pa, "Pa")
    yield here("mean over whole strokes", "ok", COMPUTED, "")
    dry = dry_rate_bounds_hz(pump.displacement_ml, pump.air_set_pa)
    good = point.rate_hz < 0.5 * dry.low
    here = case.line("expected stroke rate in a draw", point.rate_hz, "1/s")
    limit = f"under half of the dry rate, {0.5 * dry.low:.1f} 1/s"
    todo = "" if good else "smaller tips or a bigger pump: a dry run is hard to tell at this rate"
    yield here(limit, "ok" if good else "warn", COMPUTED, todo)
    here = case.line("expected flow in a draw", point.flow_ml_s, "mL/s")
    good = point.flow_ml_s <= RATED_FLOW_ML_S
    todo = "" if good else "smaller tips or fewer bays on this pump"
    yield here("at most 5 US gal/min (19 L/min)", "ok" if good else "bad", PRACTICE, todo)


def _expected_prime(case: Case) -> Iterator[Line]:
    band = suction.strokes_to_prime(
        case.pump, case.site.altitude_m, discharge_pa=case.pump.check_valve_crack_pa
    )
    if math.isinf(band.high):
        here = case.line("strokes to prime, at most", None, "strokes")
        todo = "lower the lift, shorten the run, or prime with the line open and a tight pump"
        yield here(f"from {band.low:.0f}; a worn pump never", "warn", COMPUTED, todo)
        return
    here = case.line("strokes to prime, at most", float(math.ceil(band.high)), "strokes")
    yield here(f"{band.low:.0f} to {math.ceil(band.high)}", "ok", COMPUTED, "")


def _expected_drum(case: Case) -> Iterator[Line]:
    drum, pump = case.pump.fluid.drum_ml, case.pump
    strokes = None if drum is None else drum / pump.displacement_ml
    here = case.line("strokes a full drum", strokes, "strokes")
    if drum is None:
        yield here(
            "needs the drum size", "unknown", COMPUTED, "give the drum size in the site file"
        )
    elif not pump.displacement_known:
        yield here("as good as the displacement", "unknown", COMPUTED, "do a catch test")
    else:
        yield here("", "ok", COMPUTED, "")


def _expected_air(case: Case) -> Iterator[Line]:
    pump = case.pump
    air_l = stroke_air_l(pump.displacement_ml, pump.air_set_pa)
    here = case.line("air a stroke, at most", air_l * 1000.0, "mL")
    yield here("at 100 kPa, 20 °C (ISO 8778)", "ok", COMPUTED, "")


EXPECTATIONS: tuple[Check, ...] = (
    _expected_stall,
    _expected_draw,
    _expected_prime,
    _expected_drum,
    _expected_air,
)
