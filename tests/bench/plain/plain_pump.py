"""A second, deliberately plain pump to judge detectors by: no air chambers, only bookkeeping.

It shares no code and no structure with the product's virtual pump: a linear pump curve, a fixed
dead time with jitter at each reversal, one lumped line, and a share of gas in each stroke. So a
detector that learnt one simulator's habits fails here. Parameters are drawn by seed over the
ranges the trade uses (common practice, no published source); times s, gauge Pa, volumes mL.
"""

from dataclasses import dataclass

import numpy as np
from numba import njit

PSI = 6894.757
ATM = 101_325.0
STEP_S = 0.001


@dataclass(frozen=True)
class Plain:
    """One pump and its line."""

    displacement_ml: float
    air_pa: float
    lift_pa: float
    friction_pa: float
    breakaway_pa: float
    open_rate_hz: float  # strokes a second with nothing to push against, wet
    dry_rate_hz: float
    dead_s: float
    line_ml_per_pa: float
    tip_ml_s: float  # flow at the air pressure
    prime_ml: float  # volume of the suction line
    noise_pa: float
    jitter: float


def draw_pump(seed: int) -> Plain:
    """A plausible pump."""
    g = np.random.default_rng([seed, 77])
    vd = g.uniform(30, 120)
    dry = 5.6 * 60 / vd * g.uniform(0.7, 1.5)
    return Plain(
        displacement_ml=vd,
        air_pa=g.uniform(30, 90) * PSI,
        lift_pa=g.uniform(0.0, 1.2) * 9806.65 * g.uniform(1.0, 1.15),
        friction_pa=g.uniform(0.4, 2.0) * PSI,
        breakaway_pa=g.uniform(0.5, 2.0) * PSI,
        open_rate_hz=dry / g.uniform(1.1, 1.3),
        dry_rate_hz=dry,
        dead_s=g.uniform(0.06, 0.2),
        line_ml_per_pa=g.uniform(0.05, 0.4) / PSI,
        tip_ml_s=g.uniform(10, 60),
        prime_ml=np.pi / 4 * g.uniform(0.63, 1.27) ** 2 * g.uniform(120, 400),
        noise_pa=g.uniform(0.02, 0.2) * PSI,
        jitter=g.uniform(0.005, 0.03),
    )


# columns of the control table, one row per control step (0.1 s)
AIR, TIP, LEAK, GAS, LOCK, SAG, EXHAUST, SUCTION, SOFT, BALL, VALVE, RAGGED = range(12)
COLUMNS = 12


@njit(cache=False)
def _run(p, control, steps, per_control, noise):  # noqa: C901 - one plain loop
    (vd, lift, fric, brk, open_hz, dry_hz, dead_s, c_line, k_tip, jitter) = p
    out = np.empty(steps)
    strokes = np.zeros(steps, np.int8)
    pressure, x, wait, side, sag = 0.0, 0.3, 0.0, 0, 0.0
    moving, share, n = True, 0.0, 0
    for i in range(steps):
        c = control[i // per_control]
        q_out = (c[TIP] * k_tip + c[LEAK]) * np.sqrt(max(pressure, 0.0))
        air = c[AIR] - sag
        drive = air - lift - fric
        speed = 0.0  # mL/s swept by the rod
        flow = 0.0
        if c[VALVE] > 0.5 or air < 0.6 * 20 * 6894.757:
            wait = 0.05
        if wait > 0.0:
            wait -= 0.001
        else:
            if not moving and pressure < drive - brk:
                moving = True
            gas = x < share
            if c[LOCK] > 0.0 and pressure > c[LOCK]:
                speed = 0.75 * dry_hz * vd
            elif gas:
                speed = dry_hz * vd
            elif moving and drive > pressure:
                full = open_hz * vd
                speed = full * (drive - pressure) / max(drive, 1.0)
                speed = min(speed, full)
                if c[SUCTION] > 0.0:
                    # a restriction takes its loss from the drive: K q^2
                    a = c[SUCTION] * full / max(drive, 1.0)
                    speed = (-1.0 + np.sqrt(1.0 + 4.0 * a * speed)) / (2.0 * a)
                flow = speed
                if side == 1 and c[BALL] > 0.0:
                    speed += c[BALL]
                if speed < 0.02:
                    moving = False
                    speed = flow = 0.0
            x += speed * 0.001 / vd
            if x >= 1.0:
                x = 0.0
                side = 1 - side
                strokes[i] = 1
                wait = dead_s * c[EXHAUST] * (1.0 + jitter * noise[n % len(noise)])
                share = c[GAS]
                if c[RAGGED] > 0.0:
                    share = min(
                        0.95, max(0.0, c[RAGGED] * (1.0 + 0.8 * noise[(7 * n) % len(noise)]))
                    )
                n += 1
        # a starved regulator falls behind the air the pump takes and catches up at rest
        sag += (c[SAG] * speed - sag) * 0.001 / 1.5
        c_t = c_line + c[SOFT] * 101325.0 / (max(pressure, 0.0) + 101325.0) ** 2
        pressure = max(0.0, pressure + (flow - q_out) * 0.001 / c_t)
        out[i] = pressure
    return out, strokes


def run(p: Plain, control, seed, rate_hz=20.0):
    """(pressure_pa at rate_hz, stroke times from the start) for a control table at 10 Hz."""
    per = 100
    steps = len(control) * per
    g = np.random.default_rng([seed, 3])
    k_tip = p.tip_ml_s / np.sqrt(p.air_pa)
    params = (
        p.displacement_ml, p.lift_pa, p.friction_pa, p.breakaway_pa, p.open_rate_hz,
        p.dry_rate_hz, p.dead_s, p.line_ml_per_pa, k_tip, p.jitter,
    )  # fmt: skip
    fine, strokes = _run(params, control, steps, per, g.standard_normal(4096))
    every = round(1 / (rate_hz * STEP_S))
    pressure = fine[::every] + g.normal(0, p.noise_pa, len(fine[::every]))
    lsb = 150 * PSI / 4096
    return np.round(pressure / lsb) * lsb, np.flatnonzero(strokes) * STEP_S


def table(p: Plain, draws, duration_s):
    """A healthy control table for draws [(start, end, opening)]."""
    c = np.zeros((int(duration_s * 10), COLUMNS))
    c[:, AIR] = p.air_pa
    c[:, EXHAUST] = 1.0
    for a, b, opening in draws:
        c[int(a * 10) : int(b * 10), TIP] = opening
    return c


def draws_of(seed, duration_s, *, start_s=20.0):
    """Self-serve like draws: 5 to 60 s, a pause of 20 to 180 s, two functions."""
    g = np.random.default_rng([seed, 5])
    t, out = start_s, []
    while True:
        length = float(g.uniform(5, 60))
        if t + length > duration_s - 10:
            return out
        out.append((t, t + length, float(g.choice([1.0, 0.6]))))
        t += length + float(g.uniform(20, 180))


def fault(p: Plain, c, kind, onset_s, draws):  # noqa: C901 - one branch a kind
    """Change the table from onset on; moderate severity."""
    i = int(onset_s * 10)
    later = [d for d in draws if d[0] >= onset_s]
    if kind == "low air":
        c[i:, AIR] = p.air_pa * 0.75
    elif kind == "high air":
        c[i:, AIR] = 112 * PSI
    elif kind == "running with no demand":
        c[i:, LEAK] = 1.0 / np.sqrt(p.air_pa)  # 60 mL/min
    elif kind in ("missed prime", "drum empty"):
        at = i
        if kind == "drum empty" and later:
            d = max(later[:3], key=lambda d: d[1] - d[0])
            at = int((d[0] + 0.4 * (d[1] - d[0])) * 10)
        c[at:, GAS] = 1.0
    elif kind == "airlock":
        c[i:, LOCK] = 15 * PSI
    elif kind == "air sag":
        c[i:, SAG] = 0.45 * p.air_pa / (p.tip_ml_s * 0.8)
    elif kind == "wet air / icing":
        for a, b, _ in later:
            ramp = np.linspace(1, 6, int(b * 10) - int(a * 10))
            c[int(a * 10) : int(b * 10), EXHAUST] = ramp
    elif kind == "air valve stalled":
        if later:
            c[int((later[0][0] + 2) * 10) :, VALVE] = 1.0
    elif kind == "lost prime":
        for k, (a, _, _) in enumerate(later):
            idle = a - (later[k - 1][1] if k else onset_s)
            share = min(1.0, idle / 90.0)
            dry_s = share * p.prime_ml / p.displacement_ml / p.dry_rate_hz + 0.3
            c[int(a * 10) : int((a + dry_s) * 10), GAS] = 1.0
    elif kind == "restricted suction":
        q = p.tip_ml_s * 0.8
        c[i:, SUCTION] = 0.5 * p.air_pa / q**2
    elif kind == "air in suction":
        c[i:, RAGGED] = 0.3
        c[i:, SOFT] = 60.0
    elif kind == "no flow on demand":
        c[i:, TIP] = 0.0
    elif kind == "leaking check ball":
        c[i:, BALL] = 0.25 * p.tip_ml_s
    return c
