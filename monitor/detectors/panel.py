"""Every detector, listed by hand; a test guards the list."""

from monitor.detectors.airlock import Airlock
from monitor.detectors.base import Detector
from monitor.detectors.low_air import LowAir
from monitor.detectors.missed_prime import MissedPrime
from monitor.detectors.no_demand import NoDemand

DETECTORS: tuple[type[Detector], ...] = (LowAir, MissedPrime, Airlock, NoDemand)
