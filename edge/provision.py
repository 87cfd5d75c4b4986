"""Makes what a new node needs: its settings, its password, and the broker's lines for it."""

import base64
import hashlib
import os
import secrets
from dataclasses import dataclass
from pathlib import Path

from edge.errors import SecretError
from monitor.wire import data_topic, parse_topic, status_topic, wanted_topic

HASH_ROUNDS = 101
"""As mosquitto 2.0's own password tool (from memory); each hash names it, so it may differ."""

SETTINGS = """\
# A node of Strokewise. Check it with: strokewise-edge check {file}
[node]
site = "{site}"
id = "{node}"
data_dir = "data"
publish_hz = 25

[broker]
url = "{url}"
username = "{user}"
password_file = "{password_file}"
{ca_line}
[outbox]
max_mb = 1024
max_age_days = 14
back_fill = "newest first"
back_fill_per_s = 100
{pumps}"""

PUMP = """
[[pumps]]
id = "{pump}"
  [pumps.pressure]
  source = "ads1115"            # or iio, modbus
  address = 0x48
  input = {input}
  signal = "4-20 mA"            # or "0.5-4.5 V" with range_v = 6.144
  shunt_ohm = 150
  range_v = 4.096
  full_scale_psi = 150
  rate_hz = 100
  [pumps.strokes]
  source = "ripple"             # or gpio, counter_file, modbus
"""


@dataclass(frozen=True, slots=True)
class Order:
    """What is wanted: ids, the broker's address, and the authority's certificate for TLS."""

    site: str
    node: str
    pumps: tuple[str, ...]
    url: str
    ca_file: str | None = None

    @property
    def user(self) -> str:
        """The node's name at the broker."""
        return f"{self.site}.{self.node}"


def provision(order: Order, folder: Path) -> list[Path]:
    """Write NODE.toml, its password (readable by its owner only) and the broker's lines.

    Raises SecretError if one of them is there already (nothing is overwritten), BadMessage for an
    id that cannot stand in a topic.
    """
    for name in (order.node, *order.pumps):
        parse_topic(data_topic(order.site, name))
    stem = f"{order.site}.{order.node}"
    names = (f"{stem}.toml", f"{stem}.password", f"{stem}.acl", f"{stem}.passwd")
    settings, password_file, acl, passwd = (folder / name for name in names)
    for path in (settings, password_file, acl, passwd):
        if path.exists():
            raise SecretError(f"{path} is there already; move it away or choose another folder")
    folder.mkdir(parents=True, exist_ok=True)
    password = secrets.token_urlsafe(24)
    _write_private(password_file, password + "\n")
    _write_private(passwd, f"{order.user}:{password_hash(password)}\n")
    settings.write_text(settings_text(order, settings.name, password_file.name), encoding="utf-8")
    acl.write_text(acl_text(order), encoding="utf-8")
    return [settings, password_file, acl, passwd]


def settings_text(order: Order, file: str, password_file: str) -> str:
    """NODE.toml with one table a pump, four pumps to a converter."""
    pumps = "".join(
        PUMP.format(pump=pump, input=i % 4).replace("0x48", hex(0x48 + i // 4 % 4))
        for i, pump in enumerate(order.pumps)
    )
    return SETTINGS.format(
        file=file,
        site=order.site,
        node=order.node,
        url=order.url,
        user=order.user,
        password_file=password_file,
        ca_line=f'ca_file = "{order.ca_file}"\n' if order.ca_file else "",
        pumps=pumps,
    )


def acl_text(order: Order) -> str:
    """The broker's access list for this node: its own topics to write, one to read."""
    lines = [f"user {order.user}"]
    lines += [f"topic write {data_topic(order.site, pump)}" for pump in order.pumps]
    lines.append(f"topic write {status_topic(order.site, order.node)}")
    lines.append(f"topic read {wanted_topic(order.site, order.node)}")
    return "\n".join(lines) + "\n\n"


def password_hash(password: str, salt: bytes | None = None) -> str:
    """The password as mosquitto's password file keeps it: PBKDF2 with SHA-512."""
    salt = salt or secrets.token_bytes(12)
    digest = hashlib.pbkdf2_hmac("sha512", password.encode(), salt, HASH_ROUNDS, 64)
    encoded = [base64.b64encode(part).decode() for part in (salt, digest)]
    return f"$7${HASH_ROUNDS}${encoded[0]}${encoded[1]}"


def _write_private(path: Path, text: str) -> None:
    handle = os.open(path, os.O_WRONLY | os.O_CREAT | os.O_EXCL, 0o600)
    with os.fdopen(handle, "w", encoding="utf-8") as file:
        file.write(text)
