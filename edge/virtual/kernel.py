"""The moving pump: two air chambers, two liquid chambers, a rod, a line, a suction column.

One implicit solve a step for the rod's volume flow u makes stiff lines, gas pockets and columns of
liquid stable at half a millisecond. Pressures of air chambers are absolute, of liquid gauge.
State `s`, parameters `p` and tables are plain arrays so that numba compiles it; the indices are
named below. Air paths: ISO 6358 with a linear branch near equal pressures. It is one file although
a long one: numba's cache looks only at the file of the function it keeps, so a callee changed in
another file would go on running in its old form.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from edge.virtual.jit import compiled

Array = NDArray[np.float64]

# State: position along the stroke, side that drives, drive and exhaust air, rod and suction flow,
# line pressure and its free gas; gas (mL at one atmosphere, polytropic) and void of both chambers.
X, SIDE, PA, PE, U, V, PL, GL, GD, WD, GS, WS = range(12)
# Pressures of both liquid chambers, supply node, shift timer, stuck flag, ice, gas in suction,
# liquid still above an empty drum's gas, drum, ring, its age, filtered pressure.
PCD, PCS, PSUP, TV, STUCK, ICE, SG, TOP, DRUM, RING, RING_T, FILT = range(12, 24)
# Sums: strokes, liquid out of the line, gas out (one atmosphere), liquid from drum, air used
# (m3 at reference conditions), outflow now, stroke end target, parked flag, running seconds.
N, OUT, OUT_GAS, TAKEN, AIR_USED, QOUT, X_END, PARKED, RUN_S, LEAKED, BACK = range(24, 35)
STATE_SIZE = 36

P_VD, P_VA0, P_VC, P_CIN, P_CEX, P_B, P_TV, P_DPF, P_DP0, P_RBALL, P_IROD = range(11)
P_CH, P_NG, P_GTRAP, P_VLINE, P_LAMD, P_CRACK, P_K, P_KLEAK, P_NLEAK, P_SEEP = range(11, 21)
P_SRC, P_LAMS, P_RQS, P_IS, P_VSUC, P_DRAINMAX, P_FOOT, P_EMPTY, P_KAIR = range(21, 30)
P_SET, P_CSUP, P_VSUP, P_PATM, P_PV, P_SLIP, P_LOCK, P_STALL, P_JIT = range(30, 39)
P_KIN0, P_KIN1, P_KOUT0, P_KOUT1, P_KRUPT, P_ICE_MAX, P_ICE_S, P_THAW_S = range(39, 47)
P_TH, P_TAU, P_RINGS, P_HEAVY, P_RHOG, P_DRAIN_CHAMBER = range(47, 53)
PARAM_SIZE = 54

AIR_N = 1.2
"""Polytropic exponent of the air chambers and of gas in the liquid chambers (chosen: 1 to 1.4)."""
ANR_PA = 99_700.0
"""R T rho of the ISO 8778 reference (20 °C, 1.185 kg/m3): turns C p into Pa m3/s."""
LINEAR_FROM = 0.998
GAS_MIN_M3 = 2e-9
TABLE = 4093
PARK_PA = 150.0


@compiled
def omega(ratio: float, b: float) -> float:
    """The ISO 6358 flow factor of the pressure ratio: 1 when choked, 0 at equal pressures."""
    if ratio <= b:
        return 1.0
    if ratio >= 1.0:
        return 0.0
    knee = min(ratio, LINEAR_FROM)
    y = (knee - b) / (1.0 - b)
    w = math.sqrt(1.0 - y * y)
    if ratio > LINEAR_FROM:
        w *= (1.0 - ratio) / (1.0 - LINEAR_FROM)
    return w


@compiled
def air_flow(c: float, p1: float, p2: float, b: float) -> float:
    """R T times mass flow (Pa m3/s) through conductance c (m3/(s Pa)) from p1 to p2, absolute."""
    if p2 >= p1:
        return 0.0
    return c * p1 * ANR_PA * omega(p2 / p1, b)


@compiled
def positive_root(r: float, a: float, b: float) -> float:
    """The root u >= 0 of r u^2 + a u = b, or 0 when b is not positive."""
    if b <= 0.0:
        return 0.0
    return 2.0 * b / (a + math.sqrt(a * a + 4.0 * r * b))


@compiled
def gas_pressure(g: float, w: float, p: Array) -> float:
    """Gauge pressure of gas g (volume at one atmosphere) squeezed into w; vapour when no gas."""
    gauge: float = p[P_PV] - p[P_PATM]
    if g >= GAS_MIN_M3:
        gauge = p[P_PATM] * (math.exp(AIR_N * math.log(g / w)) - 1.0)
    return gauge


@compiled
def gas_volume(g: float, gauge: float, p: Array) -> float:
    """Volume that gas g takes at a gauge pressure."""
    absolute = max(gauge + p[P_PATM], 500.0)
    volume: float = g * math.exp(math.log(p[P_PATM] / absolute) / AIR_N)
    return volume


@compiled
def outflow(s: Array, p: Array, q: Array) -> None:
    """q[0], q[1]: flow out of the line and its slope with pressure; q[2]: gas share leaving."""
    q[0] = 0.0
    q[1] = 1e-14
    q[2] = 0.0
    head = s[PL] - p[P_CRACK]
    if p[P_K] > 0.0 and head > 0.0:
        share = min(1.0, s[GL] * p[P_PATM] / (p[P_VLINE] * (s[PL] + p[P_PATM])))
        rq = max(1.0 - share, 0.003) / (p[P_K] * p[P_K])
        flow = positive_root(rq, p[P_LAMD] * (1.0 - share) + 1.0, head)
        q[0] = flow
        q[1] = 1.0 / (p[P_LAMD] * (1.0 - share) + 2.0 * rq * flow + 1e3)
        q[2] = share
    s[QOUT] = q[0]
    q[3] = 0.0
    if p[P_KLEAK] > 0.0 and s[PL] > 0.0:
        leak = p[P_KLEAK] * math.exp(p[P_NLEAK] * math.log(s[PL]))
        q[3] = leak
        q[1] += p[P_NLEAK] * leak / s[PL]
    over = s[PL] - (s[PSUP] - p[P_PATM])
    q[4] = 0.0
    if over > 0.0:
        q[4] = line_compliance(s, p) * over / p[P_SEEP]


@compiled
def line_compliance(s: Array, p: Array) -> float:
    """dV/dP of hose and gas in the line (m3/Pa), with an open chamber's gas added."""
    absolute = max(s[PL] + p[P_PATM], 2000.0)
    c: float = p[P_CH] + (s[GL] + p[P_GTRAP]) * p[P_PATM] / (p[P_NG] * absolute * absolute)
    if s[WD] > 0.0 and s[GD] > GAS_MIN_M3 and s[PCD] >= s[PL]:
        c += s[WD] / (AIR_N * absolute)
    return c


@compiled
def cross_flow(s: Array, p: Array) -> float:
    """What a leaking outlet ball lets from the line into the suction chamber (m3/s)."""
    k: float = p[P_KOUT1] if s[SIDE] < 0.5 else p[P_KOUT0]
    if k <= 0.0 or s[PL] <= s[PCS]:
        return 0.0
    return k * math.sqrt(s[PL] - s[PCS])


@compiled
def suction_load(s: Array, p: Array, dt: float, c: Array) -> None:
    """c[3..5]: suction chamber pressure = c[3] - c[4] u - c[5] u^2."""
    c[5] = 0.0
    if s[SG] > 0.0 and s[PCS] <= gas_source(s, p) + 1.0:
        c[3] = gas_source(s, p)
        c[4] = 0.0
    elif s[WS] > 0.0 or s[SG] > 0.0:
        stiff = 0.0
        if s[GS] >= GAS_MIN_M3:
            stiff = dt * AIR_N * (s[PCS] + p[P_PATM]) / s[WS]
        c[3] = s[PCS] + stiff * s[V]
        c[4] = stiff
    else:
        c[4] = p[P_LAMS] + p[P_IS] / dt
        c[3] = p[P_SRC] + p[P_IS] * s[V] / dt + c[4] * c[9]
        c[5] = p[P_RQS] + p[P_RBALL]


@compiled
def gas_source(s: Array, p: Array) -> float:
    """Gauge pressure of the gas that stands in the suction hose next to the pump."""
    risen = 1.0 - min(1.0, s[SG] / max(p[P_VSUC], 1e-9))
    source: float = min(p[P_SRC], 0.0) * risen
    return source


@compiled
def ball_leak(s: Array, p: Array) -> float:
    """What the drive side's leaking inlet ball passes back at line pressure (m3/s)."""
    k: float = p[P_KIN0] if s[SIDE] < 0.5 else p[P_KIN1]
    return k * math.sqrt(max(s[PL] - p[P_SRC], 0.0))


@compiled
def drive_load(s: Array, p: Array, dt: float, c: Array) -> None:
    """c[0..2]: drive chamber pressure = c[0] + c[1] u + c[2] u^2; c[6] = 1 when it delivers."""
    c[2] = p[P_RBALL]
    if s[X] < p[P_SLIP]:
        c[0] = 0.0
        c[1] = 0.0
        c[6] = 0.0
    elif s[WD] > 0.0 and s[PCD] < s[PL]:
        c[0] = s[PCD]
        c[1] = 0.0
        if s[GD] >= GAS_MIN_M3:
            c[1] = dt * AIR_N * (s[PCD] + p[P_PATM]) / s[WD]
        c[2] = 0.0
        c[6] = 0.0
    else:
        c[0] = s[PL] - c[7] * (c[8] + ball_leak(s, p))
        c[1] = c[7]
        c[6] = 1.0


@compiled
def move_rod(s: Array, p: Array, dt: float, c: Array) -> float:
    """Solve the force balance for the rod's volume flow, with breakaway when it stood still."""
    va = p[P_VA0] + s[X] * p[P_VD]
    ve = p[P_VA0] + (1.0 - s[X]) * p[P_VD]
    push = s[PA] - s[PE] - c[0] + c[3]
    if s[STUCK] > 0.5:
        still = s[PA] - s[PE] - rest_load(s, c) + rest_suction(s, p, c)
        if still < p[P_DP0]:
            return 0.0
        s[STUCK] = 0.0
    a = dt * AIR_N * (s[PA] / va + s[PE] / ve) + c[1] + c[4] + p[P_IROD] / dt
    b = push - p[P_DPF] + p[P_IROD] * s[U] / dt
    u = positive_root(c[2] + c[5], a, b)
    if u < 1e-10:
        s[STUCK] = 1.0
        return 0.0
    return u


@compiled
def rest_load(s: Array, c: Array) -> float:
    """Drive chamber pressure the rod feels at rest."""
    load: float = s[PL] if c[6] > 0.5 else c[0]
    return load


@compiled
def rest_suction(s: Array, p: Array, c: Array) -> float:
    """Suction chamber pressure the rod feels at rest."""
    pull: float = p[P_SRC]
    if s[SG] > 0.0:
        pull = c[3]
    elif s[WS] > 0.0:
        pull = s[PCS]
    return pull


@compiled
def creep_load(s: Array, p: Array, c: Array) -> None:
    """A leaking inlet ball lets the rod move under less than line pressure."""
    k = p[P_KIN0] if s[SIDE] < 0.5 else p[P_KIN1]
    if k <= 0.0 or c[6] < 0.5:
        return
    push = s[PA] - s[PE] + c[3] - p[P_DPF]
    if push > 0.0 and (push <= s[PL] or s[STUCK] > 0.5):
        c[0] = 0.0
        c[1] = 0.0
        c[2] = 1.0 / (k * k)
        c[6] = -1.0
        s[STUCK] = 0.0


@compiled
def fill_suction(s: Array, p: Array, dt: float, u: float, across: float) -> None:
    """Advance the suction chamber: liquid, gas or vapour behind the moving diaphragm."""
    if s[SG] > 0.0:
        fill_gas(s, p, dt, u)
        return
    if s[WS] <= 0.0:
        v = max(u - across, 0.0)
        pcs = p[P_SRC] - (p[P_LAMS] + (p[P_RQS] + p[P_RBALL]) * v) * v
        pcs -= p[P_IS] * (v - s[V]) / dt
        if pcs < p[P_PV] - p[P_PATM]:
            s[WS] = 1e-12
            s[GS] = 0.0
            pcs = p[P_PV] - p[P_PATM]
        s[V] = v
        s[PCS] = pcs
    else:
        stiff = 0.0
        if s[GS] >= GAS_MIN_M3:
            stiff = dt * AIR_N * (s[PCS] + p[P_PATM]) / s[WS]
        a = p[P_LAMS] + p[P_IS] / dt + stiff + 1.0
        b = p[P_SRC] - s[PCS] + stiff * u + p[P_IS] * s[V] / dt
        s[V] = positive_root(p[P_RQS] + p[P_RBALL], a, b)
        s[WS] += (u - s[V] - across) * dt
        settle_void(s, p, dt)
    take_liquid(s, p, s[V] * dt)


@compiled
def settle_void(s: Array, p: Array, dt: float) -> None:
    """Pressure of the void after a step; a void that closed is liquid again."""
    if s[GS] < GAS_MIN_M3 and s[WS] <= 0.0:
        s[V] = max(0.0, s[V] + s[WS] / dt)
        s[WS] = 0.0
        s[GS] = 0.0
        s[PCS] = p[P_SRC]
        return
    s[WS] = max(s[WS], 0.05 * s[GS] + 1e-12)
    s[PCS] = gas_pressure(s[GS], s[WS], p)


@compiled
def fill_gas(s: Array, p: Array, dt: float, u: float) -> None:
    """Draw gas that stands in the suction hose; the liquid column follows it up."""
    s[WS] += u * dt + 1e-13
    s[V] = 0.0
    source = gas_source(s, p)
    s[PCS] = gas_pressure(s[GS], s[WS], p)
    if s[PCS] < source:
        full = s[WS] / gas_volume(1.0, source, p)
        taken = (full - s[GS]) * gas_volume(1.0, source, p)
        s[GS] = full
        s[PCS] = source
        if p[P_EMPTY] < 0.5:
            s[SG] = max(0.0, s[SG] - taken)
            s[TAKEN] += taken
            s[DRUM] -= taken


@compiled
def refill_drive(s: Array, p: Array, dt: float) -> None:
    """A drive chamber that still holds vapour or thin gas goes on filling through its inlet."""
    head = p[P_SRC] - s[PCD]
    if s[WD] <= 0.0 or s[SG] > 0.0 or head <= 0.0:
        return
    floor = 0.0
    if s[GD] >= GAS_MIN_M3:
        floor = gas_volume(s[GD], p[P_SRC], p)
    # One hose feeds both chambers: this one gets what the other leaves.
    flow = positive_root(p[P_RQS] + p[P_RBALL], p[P_LAMS] + 1.0, head) - s[V]
    volume = min(max(flow, 0.0) * dt, max(0.0, s[WD] - floor))
    s[WD] -= volume
    if s[GD] < GAS_MIN_M3 and s[WD] <= 0.0:
        s[GD] = 0.0
        s[PCD] = p[P_SRC]
    elif s[WD] > 0.0:
        s[PCD] = gas_pressure(s[GD], s[WD], p)
    take_liquid(s, p, volume)


@compiled
def take_liquid(s: Array, p: Array, volume: float) -> None:
    """Book liquid drawn; over an empty drum the hose's own liquid runs out first."""
    if p[P_EMPTY] > 0.5:
        s[TOP] -= volume
        if s[TOP] <= 0.0:
            s[TOP] = 0.0
            s[SG] = p[P_VSUC] + 1e-6
        return
    s[TAKEN] += volume
    s[DRUM] -= volume


@compiled
def deliver(s: Array, p: Array, dt: float, u: float, c: Array) -> float:
    """Advance the drive chamber and return what enters the line (m3/s)."""
    if c[6] < -0.5 or s[X] < p[P_SLIP]:
        s[BACK] += u * dt
        s[PCD] = c[0] + c[2] * u * u
        return 0.0
    if s[WD] <= 0.0:
        s[PCD] = s[PL] + p[P_RBALL] * u * u
        back = min(u, ball_leak(s, p))
        s[BACK] += back * dt
        return u - back
    if c[6] < 0.5:
        s[WD] -= u * dt
        if s[WD] <= 0.0 and s[GD] < GAS_MIN_M3:
            s[WD] = 0.0
            s[GD] = 0.0
            s[PCD] = s[PL]
        else:
            s[WD] = max(s[WD], 0.02 * s[GD] + 1e-12)
            s[PCD] = gas_pressure(s[GD], s[WD], p)
        return 0.0
    room = p[P_VC] + max(0.0, 1.0 - s[X]) * p[P_VD]
    share = min(1.0, s[WD] / room)
    leaving = min(share * u * dt, s[WD])
    s[GL] += leaving * (s[PL] + p[P_PATM]) / p[P_PATM]
    s[GD] *= 1.0 - leaving / s[WD]
    s[WD] -= leaving
    if s[GD] < GAS_MIN_M3:
        s[GD] = 0.0
        s[WD] = 0.0
    return u


@compiled
def tear(s: Array, p: Array, dt: float) -> None:
    """A torn diaphragm on side 0 passes air into the liquid, or gas back, as pressures stand."""
    drives = s[SIDE] < 0.5
    gas, void, liquid = (GD, WD, PCD) if drives else (GS, WS, PCS)
    head = (s[PA] if drives else s[PE]) - p[P_PATM] - s[liquid]
    unit = gas_volume(1.0, s[liquid], p)
    if head > 0.0:
        q = p[P_KRUPT] * math.sqrt(head) * dt
        s[gas] += q / unit
        s[void] = max(s[void] + (q if drives else 0.0), 1e-12)
    elif s[gas] >= GAS_MIN_M3:
        q = min(p[P_KRUPT] * math.sqrt(-head) * dt, 0.5 * s[void])
        s[gas] -= q / unit


@compiled
def suck_air(s: Array, p: Array, dt: float, ragged: float) -> None:
    """A leak in the suction above the liquid passes air while the suction is below atmosphere."""
    if s[V] <= 0.0 or s[PCS] >= 0.0:
        return
    q = p[P_KAIR] * ragged * math.sqrt(-s[PCS]) * dt
    s[GS] += q
    s[WS] = max(s[WS] + q, 1e-12)


@compiled
def supply_air(s: Array, p: Array, dt: float) -> None:
    """Feed the drive chamber, empty the exhaust chamber, let the supply node follow."""
    c_ex = p[P_CEX] * math.exp(-s[ICE])
    shut = s[TV] > 0.0 and p[P_STALL] > 0.5
    fed = 0.0 if shut else air_flow(p[P_CIN], s[PSUP], s[PA], p[P_B])
    left = 0.0 if shut else air_flow(c_ex, s[PE], p[P_PATM], p[P_B])
    va = p[P_VA0] + s[X] * p[P_VD]
    ve = p[P_VA0] + (1.0 - s[X]) * p[P_VD]
    if s[PA] > s[PSUP] and not shut:
        # A supply that fell lets the drive air back through the open inlet.
        fed = -air_flow(p[P_CIN], s[PA], s[PSUP], p[P_B])
        s[PA] = max(s[PA] + dt * AIR_N * fed / va, s[PSUP])
    else:
        s[PA] = min(s[PA] + dt * AIR_N * fed / va, s[PSUP])
    s[PE] = max(s[PE] - dt * AIR_N * left / ve, p[P_PATM])
    s[AIR_USED] += dt * max(fed, 0.0) / ANR_PA
    if p[P_CSUP] < 1e-6:
        given = air_flow(p[P_CSUP], p[P_SET], s[PSUP], p[P_B])
        s[PSUP] += dt * AIR_N * (given - fed) / p[P_VSUP]
        if given > 0.0:
            s[PSUP] = min(s[PSUP], max(p[P_SET], p[P_PATM]))
        elif s[PSUP] > p[P_SET]:
            s[PSUP] += (p[P_SET] - s[PSUP]) * min(1.0, dt / 0.5)
    else:
        s[PSUP] = p[P_SET]


@compiled
def reverse(s: Array, p: Array, rnd: Array) -> None:
    """Chambers change roles and the stroke begins anew; air flows while the spool travels."""
    s[PA], s[PE] = s[PE], s[PA]
    s[GD], s[GS] = s[GS], s[GD]
    s[WD], s[WS] = s[WS], s[WD]
    s[PCD], s[PCS] = s[PCS], s[PCD]
    s[SIDE] = 1.0 - s[SIDE]
    s[X] = 0.0
    if s[WS] <= 0.0:
        s[PCS] = p[P_SRC]
    s[X_END] = 1.0 + p[P_JIT] * rnd[int(s[N]) % TABLE]
    if p[P_LOCK] > 0.0:
        held = min(p[P_LOCK], p[P_VC] + p[P_VD])
        if s[WD] < held:
            s[WD] = held
            s[GD] = held / gas_volume(1.0, p[P_SRC], p)
            s[PCD] = p[P_SRC]


@compiled
def shift(s: Array, p: Array, dt: float) -> None:
    """Count down the spool, during which the rod stands; a stalled valve never gets there."""
    if p[P_STALL] < 0.5:
        s[TV] = max(0.0, s[TV] - dt)


@compiled
def end_stroke(s: Array, p: Array, rnd: Array) -> None:
    """Count it, stop the flows, swap the chambers; a wet spool sometimes sticks on its way."""
    s[N] += 1.0
    s[U] = 0.0
    s[V] = 0.0
    s[STUCK] = 1.0
    late = 1.0
    if p[P_HEAVY] > 0.0:
        tail = rnd[(int(s[N]) * 7 + 11) % TABLE]
        late += p[P_HEAVY] * max(0.0, tail - 1.0) ** 2
    s[TV] = p[P_TV] * late + 1e-9
    reverse(s, p, rnd)


@compiled
def step(s: Array, p: Array, dt: float, w: Array, rnd: Array) -> bool:
    """Advance dt (s); True when a stroke ended. w is scratch of 16."""
    c = w[:10]
    q = w[10:15]
    ended = False
    supply_air(s, p, dt)
    outflow(s, p, q)
    compliance = line_compliance(s, p)
    across = cross_flow(s, p)
    c[9] = across
    leaving = q[0] + q[3] + q[4] + across
    c[7] = (dt / compliance) / (1.0 + q[1] * dt / compliance)
    c[8] = leaving
    entering = 0.0
    if s[TV] > 0.0:
        shift(s, p, dt)
        refill_drive(s, p, dt)
    else:
        drive_load(s, p, dt, c)
        suction_load(s, p, dt, c)
        creep_load(s, p, c)
        u = move_rod(s, p, dt, c)
        if u < c[9] and s[WS] <= 0.0 and s[PA] - s[PE] > p[P_DPF]:
            # A full suction chamber cannot take more: the line pushes the rod along.
            u = c[9]
            s[STUCK] = 0.0
        move_air(s, p, dt, u)
        if u > 0.0 or s[WS] > 0.0:
            fill_suction(s, p, dt, u, across)
        else:
            s[V] = 0.0
        refill_drive(s, p, dt)
        entering = deliver(s, p, dt, u, c)
        s[U] = u
        if p[P_KRUPT] > 0.0:
            tear(s, p, dt)
        if p[P_KAIR] > 0.0:
            suck_air(s, p, dt, abs(rnd[(int(s[N]) * 3) % TABLE]))
        if s[X] >= s[X_END]:
            end_stroke(s, p, rnd)
            ended = True
    change_line(s, p, dt, entering - across, q)
    return ended


@compiled
def move_air(s: Array, p: Array, dt: float, u: float) -> None:
    """The rod's motion expands the drive air and squeezes the exhaust air."""
    va = p[P_VA0] + s[X] * p[P_VD]
    ve = p[P_VA0] + (1.0 - s[X]) * p[P_VD]
    s[PA] = max(s[PA] * (1.0 - dt * AIR_N * u / va), 0.2 * p[P_PATM])
    s[PE] *= 1.0 + dt * AIR_N * u / ve
    s[X] += u * dt / p[P_VD]


@compiled
def change_line(s: Array, p: Array, dt: float, entering: float, q: Array) -> None:
    """Line pressure and the books of what left; entering is net of a leaking outlet ball."""
    before = s[PL]
    c7 = dt / line_compliance(s, p)
    gain = c7 / (1.0 + q[1] * c7)
    s[PL] += gain * (entering - q[0] - q[3] - q[4])
    out = q[0] + q[1] * (s[PL] - before)
    if s[PL] < -0.9 * p[P_PATM]:
        s[PL] = -0.9 * p[P_PATM]
    gone = max(out, 0.0) * dt
    gas = gone * q[2] * (before + p[P_PATM]) / p[P_PATM]
    s[GL] = max(0.0, s[GL] - gas)
    s[OUT_GAS] += gas
    s[OUT] += gone * (1.0 - q[2])
    s[LEAKED] += q[3] * dt
    s[BACK] += q[4] * dt
    if s[WD] > 0.0 and s[GD] >= GAS_MIN_M3 and s[PCD] >= before:
        s[PCD] = s[PL]
        s[WD] = gas_volume(s[GD], s[PL], p)


@compiled
def can_park(s: Array, p: Array) -> bool:
    """At rest against a shut line with both air chambers settled: nothing will happen by itself."""
    if p[P_K] > 0.0 or s[U] > 0.0 or s[TV] > 0.0 or s[STUCK] < 0.5:
        return False
    if abs(s[PA] - s[PSUP]) > PARK_PA or s[PE] - p[P_PATM] > PARK_PA:
        return False
    if abs(s[PSUP] - p[P_SET]) > PARK_PA:
        return False
    leaks = p[P_KIN0] + p[P_KOUT1] if s[SIDE] < 0.5 else p[P_KIN1] + p[P_KOUT0]
    if leaks > 0.0 or p[P_KRUPT] > 0.0:
        return False
    return not wakes(s, p)


@compiled
def wakes(s: Array, p: Array) -> bool:
    """The air overcomes line, suction and breakaway friction again."""
    load = s[PL]
    if s[X] < p[P_SLIP]:
        load = 0.0
    elif s[WD] > 0.0:
        load = min(s[PCD], s[PL])
    suction = p[P_SRC] if s[WS] <= 0.0 and s[SG] <= 0.0 else s[PCS]
    return bool(p[P_SET] - p[P_PATM] - load + suction >= p[P_DP0])


@compiled
def rest(s: Array, p: Array, span_s: float, q: Array) -> None:
    """A parked pump: leaks, seep and warmth move the line; air follows the regulator."""
    outflow(s, p, q)
    c = line_compliance(s, p)
    gain = (span_s / c) / (1.0 + q[1] * span_s / c)
    s[PL] = max(0.0, s[PL] - gain * (q[3] + q[4]))
    s[PL] += p[P_TH] * span_s * p[P_CH] / c
    s[LEAKED] += q[3] * span_s
    s[PSUP] = p[P_SET]
    s[PA] = s[PSUP]
    s[PE] = p[P_PATM]
    if wakes(s, p):
        s[PARKED] = 0.0


@compiled
def slow(s: Array, p: Array, span_s: float) -> None:
    """Ice grows while air passes and thaws at rest; a leaking foot valve drops the column."""
    running = s[U] > 0.0 or s[TV] > 0.0
    if running:
        s[RUN_S] += span_s
        if p[P_ICE_S] > 0.0:
            s[ICE] += (p[P_ICE_MAX] - s[ICE]) * min(1.0, span_s / p[P_ICE_S])
    elif s[ICE] > 0.0:
        s[ICE] *= max(0.0, 1.0 - span_s / p[P_THAW_S])
    if p[P_FOOT] > 0.0 and not running and s[SG] < p[P_DRAINMAX]:
        fallen = min(p[P_FOOT] * span_s, p[P_DRAINMAX] - s[SG])
        s[SG] += fallen
        s[DRUM] += fallen
        s[TAKEN] -= fallen


@compiled
def sense(s: Array, p: Array, span_s: float) -> None:
    """The transducer's low-pass."""
    if p[P_TAU] <= span_s:
        s[FILT] = s[PL]
    else:
        s[FILT] += (s[PL] - s[FILT]) * span_s / p[P_TAU]


@compiled
def ring(s: Array, p: Array) -> float:
    """The surge after a solenoid shut, decaying."""
    if s[RING] == 0.0:
        return 0.0
    t = s[RING_T]
    if t > 8.0 * p[P_RINGS]:
        s[RING] = 0.0
        return 0.0
    swing: float = s[RING] * math.exp(-1.5 * t / p[P_RINGS]) * math.sin(6.2832 * t / p[P_RINGS])
    return swing


@compiled
def advance(s: Array, p: Array, rnd: Array, span: Any, grid: Array, strokes: Array) -> int:
    """Run steps span[0] .. span[1] of length dt = sample step / span[2]; fill the grid.

    span: int64 (first step, end step, steps a sample, first sample of `grid`); grid[0] gets line
    pressure, grid[1] supply pressure (gauge); strokes gets step counts at stroke ends. The sample
    step is p[-1] (s). Returns the number of strokes.
    """
    k, end, per, base = span[0], span[1], span[2], span[3]
    dt = p[PARAM_SIZE - 1] / per
    w = np.zeros(16)
    found = 0
    while k < end:
        if k % per == 0:
            grid[0, k // per - base] = s[FILT] + ring(s, p)
            grid[1, k // per - base] = s[PSUP] - p[P_PATM]
        stop = min((k // per + 1) * per, end)
        span_s = (stop - k) * dt
        if s[PARKED] > 0.5:
            rest(s, p, span_s, w[10:15])
            sense(s, p, span_s)
        else:
            for j in range(k, stop):
                if step(s, p, dt, w, rnd):
                    strokes[found] = j + 1
                    found += 1
                sense(s, p, dt)
            s[PARKED] = 1.0 if can_park(s, p) else 0.0
        slow(s, p, span_s)
        s[RING_T] += span_s
        k = stop
    return found
