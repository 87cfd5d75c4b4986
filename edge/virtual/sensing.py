"""From true pressure and strokes to what the node measures: noise, counts, misses, bounce."""

from collections.abc import Sequence

import numpy as np

from edge.virtual.spec import PSI, Fault, PumpSpec
from edge.virtual.trace import FloatArray

TABLE = 4093


class Sensing:
    """One pump's transducer, converter and counter; draws its chance numbers in order."""

    def __init__(self, spec: PumpSpec, faults: Sequence[Fault], seed: int) -> None:
        self.spec = spec.sensor
        self._pressure = [f for f in faults if f.kind == "pressure sensor fault"]
        self._counter = [f for f in faults if f.kind == "stroke counter fault"]
        self._noise = np.random.default_rng([seed, 1])
        self._misses = np.random.default_rng([seed, 2])
        self._chance = np.random.default_rng([seed, 3]).random(TABLE)
        self._held: dict[Fault, float] = {}
        self._pulses = 0

    def pressure(self, true_pa: FloatArray, ts: FloatArray) -> FloatArray:
        """Gauge pressure as read at ts, in steps of the converter; NaN = missed."""
        spec = self.spec
        noise = self._noise.standard_normal(len(true_pa))
        read = true_pa * spec.span + spec.offset_pa + spec.noise_pa * noise
        for fault in self._pressure:
            read = self._spoil(fault, read, noise, ts)
        read = np.clip(read, -0.125 * spec.full_scale_pa, 1.125 * spec.full_scale_pa)
        read = np.round(read / spec.step_pa) * spec.step_pa
        missed = self._misses.random(len(read)) < spec.missed_share
        read[missed] = np.nan
        return np.asarray(read, np.float64)

    def _spoil(
        self, fault: Fault, read: FloatArray, noise: FloatArray, ts: FloatArray
    ) -> FloatArray:
        """One sensor fault over the samples where it stands."""
        on = (ts >= fault.onset_ts) & (ts < fault.end_ts)
        if not on.any():
            return read
        level = np.array([fault.level(float(t)) for t in ts[on]])
        out = read.copy()
        if fault.variant == "offset":
            out[on] += 0.16 * level * self.spec.full_scale_pa
        elif fault.variant == "range":
            out[on] = 1.12 * self.spec.full_scale_pa
        elif fault.variant == "noise":
            out[on] += noise[on] * 6 * level * PSI
        else:
            out[on] = self._held.setdefault(fault, float(read[on][0]))
        return out

    def pulses(self, stroke_ts: FloatArray) -> FloatArray:
        """Times of the counted pulses for true stroke ends."""
        out: list[float] = []
        for ts in stroke_ts:
            self._pulses += 1
            if self._pulses % self.spec.strokes_per_pulse:
                continue
            out += self._count(float(ts), self._chance[self._pulses % TABLE])
        return np.array(out, np.float64)

    def _count(self, ts: float, chance: float) -> list[float]:
        """None, one or two pulses for one passage of the magnet."""
        bounce = self.spec.bounce_share
        for fault in self._counter:
            level = fault.level(ts)
            if level <= 0.0:
                continue
            if fault.variant == "bounce":
                bounce = min(1.0, 1.6 * level)
            elif fault.variant == "missing":
                return [ts] if chance > level else []
            else:
                return []
        return [ts, ts + 0.004 + 0.02 * chance] if chance < bounce else [ts]
