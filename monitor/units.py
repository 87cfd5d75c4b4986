"""SI inside, psi and US gallons (or bar and litres) on display.

Conversions: NIST SP 811, appendix B (psi, US gallon, foot); exact by definition where they are.
"""

from dataclasses import dataclass

PA_PER_PSI = 6894.757293168
PA_PER_BAR = 100_000.0
PA_PER_KPA = 1_000.0
M3_PER_US_GAL = 3.785411784e-3
ML_PER_US_GAL = 3785.411784
M_PER_FT = 0.3048
M_PER_IN = 0.0254
KELVIN_OFFSET = 273.15
STANDARD_ATMOSPHERE_PA = 101_325.0


def psi(pressure_pa: float) -> float:
    """Pressure in psi for a pressure in Pa."""
    return pressure_pa / PA_PER_PSI


def pa(pressure_psi: float) -> float:
    """Pressure in Pa for a pressure in psi."""
    return pressure_psi * PA_PER_PSI


@dataclass(frozen=True, slots=True)
class Display:
    """How one site wants its numbers: a symbol and a factor for pressure, volume and length."""

    name: str
    pressure_symbol: str
    pa_per_pressure: float
    pressure_decimals: int
    volume_symbol: str
    ml_per_volume: float
    length_symbol: str
    m_per_length: float

    def pressure(self, pressure_pa: float | None) -> str:
        """'42 psi', or an en dash when there is no value."""
        if pressure_pa is None:
            return "–"
        value = pressure_pa / self.pa_per_pressure
        return f"{value:.{self.decimals(value)}f} {self.pressure_symbol}"

    def decimals(self, value: float) -> int:
        """Of a pressure in this unit: one more where a whole number would say nothing ('0 psi')."""
        small = self.pressure_decimals == 0 and 0.05 <= abs(value) < 1.95
        return 1 if small and abs(value - round(value)) >= 0.05 else self.pressure_decimals

    def volume(self, volume_ml: float | None) -> str:
        """'1.4 US gal', or an en dash when there is no value."""
        if volume_ml is None:
            return "–"
        value = volume_ml / self.ml_per_volume
        # Three figures that count, and never a power of ten where people read.
        written = f"{value:,.0f}" if abs(value) >= 999.5 else f"{value:.3g}"
        return f"{written} {self.volume_symbol}"

    def length(self, length_m: float | None) -> str:
        """'4.0 ft', or an en dash when there is no value."""
        if length_m is None:
            return "–"
        return f"{length_m / self.m_per_length:.1f} {self.length_symbol}"


US = Display("us", "psi", PA_PER_PSI, 0, "US gal", ML_PER_US_GAL, "ft", M_PER_FT)
METRIC = Display("metric", "bar", PA_PER_BAR, 2, "L", 1000.0, "m", 1.0)
DISPLAYS = {"us": US, "metric": METRIC}
