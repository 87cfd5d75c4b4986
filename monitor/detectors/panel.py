"""Every detector, listed by hand; a test guards the list."""

from monitor.detectors.air_in_suction import AirInSuction
from monitor.detectors.air_sag import AirSag
from monitor.detectors.air_valve import AirValveStalled
from monitor.detectors.airlock import Airlock
from monitor.detectors.ball_leak import BallLeak
from monitor.detectors.base import Detector
from monitor.detectors.diaphragm import Diaphragm
from monitor.detectors.drum_empty import DrumEmpty
from monitor.detectors.high_air import HighAir
from monitor.detectors.icing import Icing
from monitor.detectors.lost_prime import LostPrime
from monitor.detectors.low_air import LowAir
from monitor.detectors.missed_prime import MissedPrime
from monitor.detectors.no_demand import NoDemand
from monitor.detectors.no_flow import NoFlow
from monitor.detectors.pressure_sensor import PressureSensor
from monitor.detectors.restricted_suction import RestrictedSuction
from monitor.detectors.stroke_counter import StrokeCounter
from monitor.detectors.worn import Worn

DETECTORS: tuple[type[Detector], ...] = (
    PressureSensor,
    StrokeCounter,
    LowAir,
    HighAir,
    AirValveStalled,
    MissedPrime,
    DrumEmpty,
    Airlock,
    LostPrime,
    NoDemand,
    NoFlow,
    AirSag,
    RestrictedSuction,
    Icing,
    AirInSuction,
    BallLeak,
    Diaphragm,
    Worn,
)
