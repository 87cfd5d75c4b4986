"""All pumps of a wash in step on one compressed air system, live or in one go."""

import math
from collections.abc import Mapping

from edge.virtual import demand
from edge.virtual import kernel as k
from edge.virtual.run import Climate, Fitted, PumpRun
from edge.virtual.spec import SONIC, Fault, SiteSpec
from edge.virtual.trace import Chunk, Trace, join

LOCKSTEP_S = 0.5
"""Pumps feel each other's air use with this delay; a main does not answer faster."""
HORIZON_S = 3600.0
MEMORY_S = 2.0
ANR_PA = k.ANR_PA


class AirMain:
    """Receiver, compressor with its pressure switch, and the main's own loss (ISO 6358)."""

    def __init__(self, site: SiteSpec) -> None:
        self.site = site
        self.receiver_pa = site.high_pa
        self.running = False
        self._flow = 0.0

    def after(self, used_m3: float, span_s: float) -> float:
        """Gauge pressure at the regulators once used_m3 (reference) left over span_s."""
        site = self.site
        if self.receiver_pa < site.low_pa:
            self.running = True
        elif self.receiver_pa >= site.high_pa:
            self.running = False
        made = site.compressor_l_s * 1e-3 * span_s if self.running else 0.0
        self.receiver_pa += (made - used_m3) * ANR_PA / (site.receiver_l * 1e-3)
        self.receiver_pa = min(max(self.receiver_pa, 0.0), site.high_pa)
        self._flow += span_s / MEMORY_S * (used_m3 / span_s - self._flow)
        absolute = self.receiver_pa + site.atmosphere_pa
        choked = site.header_c * SONIC * absolute
        share = min(1.0, self._flow / choked)
        ratio = 0.3 + 0.7 * math.sqrt(1.0 - share * share)
        return absolute * ratio - site.atmosphere_pa


class LiveSite:
    """All pumps of a site in step, sharing one air header; `advance` gives what was measured."""

    def __init__(
        self,
        site: SiteSpec,
        seed: int,
        start_ts: float,
        faults: Mapping[str, tuple[Fault, ...]] | None = None,
        rate_hz: float = 20.0,
    ) -> None:
        self.site, self.seed, self.start_ts = site, seed, start_ts
        self.faults = faults or {}
        climate = Climate(
            site.mean_temp_c, site.daily_swing_k, site.utc_offset_s, site.atmosphere_pa
        )
        self._planned = 0
        self._beat = 0
        self._air_m3 = 0.0
        self.main = AirMain(site)
        self.runs = {
            pump.id: PumpRun(
                pump.spec,
                [],
                self.faults.get(pump.id, ()),
                t0_ts=start_ts,
                rate_hz=rate_hz,
                seed=seed * 1000 + number,
                fitted=Fitted(pump.demand_fitted, pump.air_fitted),
                climate=climate,
            )
            for number, pump in enumerate(site.pumps)
        }

    def _plan(self, to_ts: float) -> None:
        """Lay out draws hour by hour, always the same for a seed."""
        while self.start_ts + self._planned * HORIZON_S <= to_ts + HORIZON_S:
            at = self.start_ts + self._planned * HORIZON_S
            for number, pump in enumerate(self.site.pumps):
                seed = (self.seed * 1000 + number) * 100_003 + self._planned
                self.runs[pump.id].add_draws(
                    demand.draws(
                        pump.pattern or self.site.pattern,
                        pump.bays,
                        (at, at + HORIZON_S),
                        seed,
                        self.site.utc_offset_s,
                    )
                )
            self._planned += 1

    def _share_air(self) -> None:
        """The main sinks with the air all pumps took; regulators can give no more."""
        used = sum(float(run.state[k.AIR_USED]) for run in self.runs.values())
        gauge_pa = self.main.after(used - self._air_m3, LOCKSTEP_S)
        self._air_m3 = used
        for run in self.runs.values():
            run.set_ceiling(gauge_pa)

    def advance(self, to_ts: float) -> dict[str, Chunk]:
        """What each pump's node measured since the last call, up to to_ts (whole half seconds)."""
        self._plan(to_ts)
        parts: dict[str, list[Chunk]] = {name: [] for name in self.runs}
        while self.start_ts + (self._beat + 1) * LOCKSTEP_S <= to_ts + 1e-6:
            self._beat += 1
            for name, run in self.runs.items():
                parts[name].append(run.advance(self.start_ts + self._beat * LOCKSTEP_S))
            self._share_air()
        return {name: merge(chunks) for name, chunks in parts.items() if chunks}


def merge(chunks: list[Chunk]) -> Chunk:
    """One chunk from chunks that follow each other."""
    trace = join(chunks)
    return Chunk(
        trace.t0_ts,
        trace.dt_s,
        trace.pressure_pa,
        trace.stroke_ts,
        trace.demand,
        trace.air_pa,
        chunks[0].silent,
    )


def simulate_site(
    site: SiteSpec,
    seed: int,
    span: tuple[float, float],
    faults: Mapping[str, tuple[Fault, ...]] | None = None,
) -> dict[str, Trace]:
    """Every pump of a site over span = (start_ts, end_ts), sharing its air."""
    live = LiveSite(site, seed, span[0], faults)
    truth = faults or {}
    chunks = live.advance(span[1])
    return {
        name: join([chunk], tuple(truth.get(name, ())), span[1]) for name, chunk in chunks.items()
    }


def shared(fault: Fault, site: SiteSpec, header: str = "main") -> dict[str, tuple[Fault, ...]]:
    """A fault of the common air (one cause): the same on every pump of the header."""
    return {pump.id: (fault,) for pump in site.pumps if pump.header == header}
