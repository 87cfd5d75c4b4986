"""What is known about a site: its pumps, lines, air and people, as frozen models.

SI inside; `monitor.settings` converts the units a person may write (psi, ft, in, gal).
"""

from datetime import date
from typing import Annotated, Literal
from zoneinfo import ZoneInfo

from pydantic import BaseModel, ConfigDict, Field

Name = Annotated[str, Field(pattern=r"^[A-Za-z0-9][A-Za-z0-9_-]{0,47}$")]
"""An id that may stand in a topic level and in a SenML name (RFC 8428 section 4.5.1)."""


class Frozen(BaseModel):
    """The base of every settings model: nothing unknown, nothing changed later."""

    model_config = ConfigDict(frozen=True, extra="forbid")


class Line(Frozen):
    """A hose: length, inner diameter, wall material."""

    length_m: float = Field(gt=0, le=200)
    bore_m: float = Field(gt=0.001, le=0.1)
    material: Literal["PE", "PA12", "PVC", "braided", "PTFE", "unknown"] = "unknown"


UNNAMED = "unnamed chemical"


class Fluid(Frozen):
    """The chemical as far as the physics and the seals care; None = not known."""

    name: str = UNNAMED
    specific_gravity: float = Field(1.0, gt=0.5, lt=2.5)
    viscosity_pa_s: float = Field(0.001, gt=0, lt=10)
    temperature_c: float = Field(20.0, gt=-20, lt=90)
    ph: float | None = Field(None, ge=-1, le=15)
    solvent: bool | None = None
    fluoride: bool | None = None
    drum_ml: float | None = Field(None, gt=0)
    litre_price: float | None = Field(None, ge=0, description="of this product, site's currency")


class Sensors(Frozen):
    """What is fitted on this pump."""

    counter: bool = True
    demand: bool = False
    air: bool = False
    strokes_per_pulse: Literal[1, 2] = 1
    full_scale_pa: float = Field(
        1_034_213.6, gt=0, description="150 psi transducer (NE 43 headroom)"
    )
    accuracy_share: float = Field(
        0.01, gt=0, le=0.05, description="share of full scale; 1 % is common"
    )


class Pump(Frozen):
    """One pump with its chemical, its lines and what is fitted."""

    id: Name
    label: str = ""
    fluid: Fluid = Fluid()
    bays: tuple[str, ...] = ()
    displacement_ml: float = Field(
        60.0, ge=5, le=500, description="per stroke; catch test corrects"
    )
    displacement_known: bool = False
    seal: Literal["TPV", "EPDM", "FKM", "FFKM", "PTFE", "unknown"] = "unknown"
    air_supply: Name = "main"
    air_set_pa: float = Field(413_685.0, ge=0, le=1_400_000, description="60 psi")
    lift_m: float = Field(1.0, ge=-5, le=10)
    suction: Line = Line(length_m=3.0, bore_m=0.0095)
    discharge: Line = Line(length_m=15.0, bore_m=0.0095)
    foot_valve_crack_pa: float = Field(3_447.0, ge=0, description="0.5 psi")
    check_valve_crack_pa: float = Field(6_894.8, ge=0, description="1 psi; 2 psi is the most")
    outlet_height_m: float | None = Field(None, description="outlet above the pump")
    ports_down: bool | None = None
    tip_m: float | None = Field(None, gt=0, lt=0.02, description="tip orifice diameter")
    sensors: Sensors = Sensors()
    installed: date | None = None
    node: Name = "node1"

    @property
    def title(self) -> str:
        """What people call it: 'P2 Foam soap'; only the words where the id is a word itself."""
        if self.id.lower() in self.label.lower().split():
            return self.label
        if any(c.isdigit() for c in self.id):
            named = "" if self.fluid.name == UNNAMED else self.fluid.name
            return f"{self.id} {self.label or named}".strip()
        plain = " ".join(self.id.replace("-", " ").replace("_", " ").split())
        if not self.label:
            return plain[:1].upper() + plain[1:]
        said = self.label.lower().startswith(plain.lower())
        return self.label if said else f"{self.id} {self.label}"


class AirSupply(Frozen):
    """A compressed air header that several pumps share."""

    id: Name
    label: str = ""
    dew_point_c: float | None = None


class Hours(Frozen):
    """Opening hours as local wall-clock minutes; 0 to 1440 means always open."""

    open_min: int = Field(0, ge=0, le=1440)
    close_min: int = Field(1440, ge=0, le=1440)


class Person(Frozen):
    """A role that gets word (never a real name in the demo), with its channels."""

    id: Name
    role: Literal["operator", "tech", "owner"]
    channels: tuple[str, ...] = ()
    priorities: tuple[Literal["act now", "this shift", "next visit"], ...] = (
        "act now",
        "this shift",
    )
    quiet_from_min: int | None = Field(None, ge=0, le=1440)
    quiet_to_min: int | None = Field(None, ge=0, le=1440)
    duty_days: tuple[Annotated[int, Field(ge=0, le=6)], ...] = Field(
        (0, 1, 2, 3, 4, 5, 6), description="days on duty, Monday = 0"
    )
    escalate_after_s: float | None = Field(
        None, gt=0, description="gets word only of what nobody acknowledged for so long"
    )
    wants_digest: bool = True
    digest_min: int = Field(
        420, ge=0, lt=1440, description="local minute of the daily digest (07:00)"
    )


class Channel(Frozen):
    """A notification address; `url_env` or `url_file` keep secrets out of the site file."""

    id: Name
    url: str | None = None
    url_env: str | None = None
    url_file: str | None = None


class Prices(Frozen):
    """What the owner pays, in one currency; left out = no money is shown for it."""

    currency: str = ""
    chemical_litre_price: float | None = Field(
        None, ge=0, description="as bought; a pump may differ"
    )
    energy_kwh_price: float | None = Field(None, ge=0)
    bad_draw_price: float | None = Field(None, ge=0, description="a vehicle that got no product")


class Site(Frozen):
    """One wash."""

    id: Name
    label: str = ""
    time_zone: str = "UTC"
    altitude_m: float = Field(0.0, ge=-430, le=5000)
    units: Literal["us", "metric"] = "us"
    hours: Hours = Hours()
    air_supplies: tuple[AirSupply, ...] = (AirSupply(id="main"),)
    pumps: tuple[Pump, ...] = Field(min_length=1)
    prices: Prices = Prices()
    people: tuple[Person, ...] = ()
    channels: tuple[Channel, ...] = ()

    @property
    def zone(self) -> ZoneInfo:
        """The site's time zone."""
        return ZoneInfo(self.time_zone)

    def pump(self, pump_id: str) -> Pump | None:
        """The pump of that id, or None."""
        return next((p for p in self.pumps if p.id == pump_id), None)
