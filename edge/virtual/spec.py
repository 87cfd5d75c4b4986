"""What a virtual pump is made of, in SI with the unit in the name; frozen, drawn by seed.

Displacement range, supply range, lift and run limits are common practice, no published source.
Air conductances and b: form of ISO 6358; the default pair is computed so that an open 60 mL pump
gives about 5 US gal/min at 100 psi. Friction, ball port and clearance: chosen, because they give
the dry lift (r about 2) and the stall band (about 1 to 2 psi under the air) the trade speaks of.
"""

from dataclasses import dataclass, field, replace

import numpy as np

PSI = 6894.757293168
ML = 1e-6
SONIC = 1e-8
"""m3/(s Pa) in 1 dm3/(s bar), the unit in which ISO 6358 conductances are written."""
STANDARD_ATMOSPHERE_PA = 101_325.0
MODERATE = 0.5
"""The severity called moderate; `faults.MEANING` says what it means for each kind."""


@dataclass(frozen=True, slots=True)
class Draw:
    """A bay's solenoid open from start_ts to end_ts. tip_m None = the pump's usual tip."""

    start_ts: float
    end_ts: float
    tip_m: float | None = None
    bay: str = "1"


@dataclass(frozen=True, slots=True)
class Fault:
    """A labelled matter: kind as named in alarms, from onset_ts, over ramp_s, until end_ts.

    severity 0..1, 0.5 = moderate. variant names one of several forms of a kind ('' = the usual
    one); `faults.VARIANTS` lists them.
    """

    kind: str
    onset_ts: float
    ramp_s: float = 0.0
    severity: float = MODERATE
    end_ts: float = float("inf")
    variant: str = ""

    def level(self, ts: float) -> float:
        """Severity at ts: 0 before onset and from end_ts on, rising linearly over ramp_s."""
        if not self.onset_ts <= ts < self.end_ts:
            return 0.0
        if self.ramp_s <= 0.0:
            return self.severity
        return self.severity * min(1.0, (ts - self.onset_ts) / self.ramp_s)


@dataclass(frozen=True, slots=True)
class Change:
    """Something people do in normal life, at ts. kind is one of `changes.KINDS`; value its size."""

    kind: str
    ts: float
    value: float = 0.0


@dataclass(frozen=True, slots=True)
class FluidSpec:
    """A chemical as the hydraulics sees it, at 20 °C; viscosity falls by visc_per_k per kelvin."""

    density_kg_m3: float = 998.0
    viscosity_pa_s: float = 0.001
    visc_per_k: float = 0.025
    vapour_pa: float = 2339.2


@dataclass(frozen=True, slots=True)
class SensorSpec:
    """Transducer, converter and counter. Noise is rms; a missed read is NaN."""

    full_scale_pa: float = 150.0 * PSI
    bits: int = 12
    noise_pa: float = 0.05 * PSI
    offset_pa: float = 0.0
    span: float = 1.0
    tau_s: float = 0.005
    missed_share: float = 0.0
    strokes_per_pulse: int = 1
    bounce_share: float = 0.0
    clock_ppm: float = 0.0

    @property
    def step_pa(self) -> float:
        """One count of a converter whose 0.5 to 4.5 V span of 5 V is the full scale."""
        return self.full_scale_pa / (0.8 * float(2**self.bits - 1))


@dataclass(frozen=True, slots=True)
class PumpSpec:
    """One pump, its air, its suction and discharge lines, its fluid and its sensors."""

    displacement_ml: float = 60.0
    air_clearance_ml: float = 25.0
    liquid_clearance_ml: float = 60.0
    c_in: float = 0.3
    """dm3/(s bar), sonic conductance of the inlet path (ISO 6358)."""
    c_ex: float = 0.4
    """dm3/(s bar), of the exhaust path."""
    b: float = 0.3
    valve_shift_s: float = 0.030
    friction_pa: float = 1.0 * PSI
    breakaway_pa: float = 1.8 * PSI
    ball_port_m2: float = 40e-6
    rod_inertance_kg_m4: float = 1e5
    slip_share: float = 0.0
    stroke_jitter: float = 0.01
    set_pa: float = 60.0 * PSI
    c_supply: float = 3.0
    """dm3/(s bar), regulator, coupler and hose; inf = an ideal supply."""
    supply_volume_ml: float = 200.0
    lift_m: float = 0.0
    suction_length_m: float = 2.0
    suction_bore_m: float = 0.0127
    foot_crack_pa: float = 0.0
    drum_ml: float = float("inf")
    drum_height_m: float = 0.85
    line_compliance_ml_psi: float = 0.15
    line_volume_ml: float = 1069.0
    line_gas_ml: float = 0.0
    """Trapped in a dead leg, volume at one atmosphere; does not flush out."""
    line_laminar_pa_s_m3: float = 0.0
    gas_exponent: float = 1.2
    check_crack_pa: float = 0.0
    thermal_pa_per_k: float = 0.0
    ring_s: float = 0.3
    ring_share: float = 0.15
    """Share of the instantaneous surge (density x wave speed x dv) that the sensor sees."""
    seep_s: float = 120.0
    """Time constant with which pressure above the air leaks back past the balls."""
    tip_m: float = 0.0015
    tip_cd: float = 0.62
    fluid: FluidSpec = field(default_factory=FluidSpec)
    sensor: SensorSpec = field(default_factory=SensorSpec)

    @property
    def suction_volume_ml(self) -> float:
        """What the suction hose holds."""
        return self.suction_length_m * np.pi / 4 * self.suction_bore_m**2 / ML

    @property
    def usual_flow_m3_s(self) -> float:
        """Through the usual tip at nine tenths of the set pressure: severities are scaled by it."""
        area_m2 = np.pi / 4 * self.tip_m**2
        head_pa = max(0.9 * self.set_pa - self.check_crack_pa, 1.0)
        quadratic = self.fluid.density_kg_m3 / 2 / (self.tip_cd * area_m2) ** 2
        linear = self.line_laminar_pa_s_m3
        return float(2 * head_pa / (linear + np.sqrt(linear**2 + 4 * quadratic * head_pa)))


@dataclass(frozen=True, slots=True)
class SitePump:
    """A pump of a virtual site: its id, air header, bays, channels fitted, pattern of its own."""

    id: str
    spec: PumpSpec
    header: str = "main"
    bays: tuple[str, ...] = ("1",)
    demand_fitted: bool = False
    air_fitted: bool = False
    chemical: str = "unnamed chemical"
    pattern: str = ""


@dataclass(frozen=True, slots=True)
class SiteSpec:
    """A wash: its pumps, how it is used, its compressed air and its climate.

    header_c: dm3/(s bar) of the main; compressor_l_s: free air at reference conditions while the
    compressor runs, between receiver pressures low_pa and high_pa.
    """

    id: str
    pumps: tuple[SitePump, ...]
    pattern: str = "self-serve"
    header_c: float = 6.0
    receiver_l: float = 150.0
    compressor_l_s: float = 10.0
    low_pa: float = 100.0 * PSI
    high_pa: float = 120.0 * PSI
    atmosphere_pa: float = STANDARD_ATMOSPHERE_PA
    mean_temp_c: float = 20.0
    daily_swing_k: float = 0.0
    utc_offset_s: float = 0.0


def ideal_bench(**changes: float) -> PumpSpec:
    """The default pump on a bench: ideal supply, no suction hose, no noise; for golden values."""
    quiet = SensorSpec(bits=24, noise_pa=0.0, tau_s=0.0)
    bench = PumpSpec(
        c_supply=float("inf"),
        suction_length_m=0.0,
        stroke_jitter=0.0,
        ring_share=0.0,
        sensor=quiet,
    )
    return replace(bench, **changes)  # type: ignore[arg-type] # float fields only


def _between(rng: np.random.Generator, low: float, high: float) -> float:
    """Log-uniform between two positive limits."""
    return float(np.exp(rng.uniform(np.log(low), np.log(high))))


def _draw_fluid(rng: np.random.Generator) -> FluidSpec:
    """From water-thin rinse aids to a 60 mPa s foaming soap."""
    return FluidSpec(
        density_kg_m3=float(rng.uniform(980.0, 1200.0)),
        viscosity_pa_s=_between(rng, 0.001, 0.06),
        visc_per_k=float(rng.uniform(0.02, 0.05)),
    )


def _draw_sensor(rng: np.random.Generator) -> SensorSpec:
    """Ten to sixteen bits, quiet to noisy wiring, offset within 1 % of full scale."""
    full_scale_pa = 150.0 * PSI
    return SensorSpec(
        full_scale_pa=full_scale_pa,
        bits=int(rng.choice([10, 12, 12, 12, 16])),
        noise_pa=_between(rng, 0.02, 0.3) * PSI,
        offset_pa=float(np.clip(rng.normal(0.0, 0.003), -0.01, 0.01)) * full_scale_pa,
        span=float(np.clip(rng.normal(1.0, 0.003), 0.99, 1.01)),
        tau_s=_between(rng, 0.002, 0.02),
        missed_share=float(rng.choice([0.0, 0.0, 1e-4, 1e-3])),
        # Kept by network time; a free-running crystal drifts ten times as much.
        clock_ppm=float(rng.uniform(-5.0, 5.0)),
    )


def _draw_flow_m3_s(rng: np.random.Generator, displacement_ml: float) -> float:
    """0.06 to 1 US gal/min, between 0.1 and 0.9 strokes a second of this pump."""
    flow = _between(rng, 4e-6, 63e-6)
    return float(np.clip(flow, 0.1 * displacement_ml * ML, 0.9 * displacement_ml * ML))


@dataclass(frozen=True, slots=True)
class _Hose:
    """A hose as an installer would choose it: no thinner than its loss allows."""

    length_m: float
    bore_m: float
    laminar_pa_s_m3: float
    area_m2: float


def _draw_hose(
    rng: np.random.Generator, length_m: float, viscosity_pa_s: float, flow: float, loss_pa: float
) -> _Hose:
    """One of four common bores, stepped up until laminar loss at `flow` is within loss_pa."""
    bores = (0.00635, 0.0095, 0.0127, 0.019)
    at = int(rng.integers(0, 3))
    while True:
        laminar = 128 * viscosity_pa_s * length_m / (np.pi * bores[at] ** 4)
        if laminar * flow <= loss_pa or at == len(bores) - 1:
            return _Hose(length_m, bores[at], float(laminar), float(np.pi / 4 * bores[at] ** 2))
        at += 1


def draw_family(seed: int) -> PumpSpec:
    """A random plausible pump, line, fluid and sensor: one family of the unseen-pump evaluation.

    Every range is that of the class (30 to 120 mL a stroke, 20 to 100 psi, lift to 4 ft, run to
    15 ft: common practice); hoses, air valves, frictions, tips and noise vary independently.
    """
    rng = np.random.default_rng([seed, 0x5EED])
    displacement_ml = float(rng.uniform(30.0, 120.0))
    scale = displacement_ml / 60.0
    c_in = _between(rng, 0.2, 0.8) * scale**0.5
    friction_pa = _between(rng, 0.4, 2.5) * PSI
    fluid = _draw_fluid(rng)
    set_pa = float(rng.uniform(30.0, 90.0)) * PSI
    flow = _draw_flow_m3_s(rng, displacement_ml)
    tip_area = flow / (0.62 * np.sqrt(2 * set_pa / fluid.density_kg_m3))
    discharge = _draw_hose(rng, _between(rng, 5.0, 40.0), fluid.viscosity_pa_s, flow, 0.08 * set_pa)
    suction_m = float(rng.uniform(1.2, 4.5))
    # Half a psi at the mean flow: the refill peak is two to four times that.
    suction = _draw_hose(rng, suction_m, 2 * fluid.viscosity_pa_s, flow, 0.5 * PSI)
    bulk_pa = _between(rng, 15e6, 150e6)
    return PumpSpec(
        displacement_ml=displacement_ml,
        air_clearance_ml=displacement_ml * float(rng.uniform(0.2, 0.8)),
        liquid_clearance_ml=displacement_ml * _between(rng, 0.5, 2.0),
        c_in=c_in,
        c_ex=c_in * float(rng.uniform(1.0, 1.8)),
        b=float(rng.uniform(0.2, 0.5)),
        valve_shift_s=_between(rng, 0.02, 0.08),
        friction_pa=friction_pa,
        breakaway_pa=friction_pa * float(rng.uniform(1.2, 2.2)),
        ball_port_m2=_between(rng, 25.0, 80.0) * 1e-6 * scale**0.5,
        stroke_jitter=_between(rng, 0.005, 0.03),
        set_pa=set_pa,
        c_supply=c_in * _between(rng, 4.0, 20.0),
        supply_volume_ml=_between(rng, 60.0, 800.0),
        lift_m=float(rng.uniform(0.15, 1.2)),
        suction_length_m=suction.length_m,
        suction_bore_m=max(suction.bore_m, 0.0095),
        foot_crack_pa=float(rng.uniform(0.0, 0.5)) * PSI,
        drum_ml=float(rng.choice([19_000.0, 57_000.0, 114_000.0, 208_000.0])),
        line_compliance_ml_psi=discharge.length_m * discharge.area_m2 / bulk_pa * PSI / ML,
        line_volume_ml=discharge.length_m * discharge.area_m2 / ML,
        line_gas_ml=float(rng.choice([0.0, 0.0, 10.0, 30.0])) * float(rng.uniform(0.5, 1.0)),
        line_laminar_pa_s_m3=discharge.laminar_pa_s_m3,
        gas_exponent=float(rng.uniform(1.05, 1.35)),
        check_crack_pa=float(rng.uniform(0.2, 2.0)) * PSI,
        thermal_pa_per_k=float(rng.uniform(-1.6, 1.5)) * PSI,
        ring_s=_between(rng, 0.1, 0.5),
        ring_share=float(rng.uniform(0.0, 0.3)),
        seep_s=_between(rng, 20.0, 600.0),
        tip_m=float(np.sqrt(4 * tip_area / np.pi)),
        fluid=fluid,
        sensor=_draw_sensor(rng),
    )
