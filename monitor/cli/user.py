"""`strokewise user`: accounts of the pages."""

import secrets
from pathlib import Path
from typing import Annotated

import typer
from rich.table import Table

from monitor.api.accounts import Accounts, Role
from monitor.cli.show import PEOPLE
from monitor.clock import now_ts
from monitor.errors import WrongUse
from monitor.service.stores import ROOM_SCHEMAS
from monitor.settings.service_file import load_settings
from monitor.store.core import Core
from monitor.store.embedded import OWN_SCHEMAS

DEEDS = ("list", "add", "role", "password", "disable", "enable")


def user(
    deed: Annotated[str, typer.Argument(help="One of: " + ", ".join(DEEDS))],
    name: Annotated[str, typer.Argument(help="The account's name.")] = "",
    *,
    role: Annotated[str, typer.Option(help="viewer, operator, tech, owner, administrator")] = "",
    file: Annotated[Path, typer.Option(help="The service file.")] = Path("strokewise.toml"),
) -> None:
    """List accounts, add one, change its role or password, disable or enable it."""
    if deed not in DEEDS:
        raise typer.BadParameter(f"'{deed}' is no deed; known: {', '.join(DEEDS)}")
    if deed != "list" and not name:
        raise typer.BadParameter("name the account")
    core = Core(load_settings(file).data_dir, [*OWN_SCHEMAS, *ROOM_SCHEMAS])
    try:
        _do(Accounts(core), deed, name, role)
    finally:
        core.close()


def _role(text: str) -> Role:
    try:
        return Role(text)
    except ValueError:
        known = ", ".join(r.value for r in Role)
        raise WrongUse(f"'{text}' is no role; give --role with one of: {known}") from None


def _do(accounts: Accounts, deed: str, name: str, role: str) -> None:
    if deed == "list":
        table = Table("name", "role", "disabled")
        for account in accounts.accounts():
            table.add_row(account.name, account.role.value, "yes" if account.disabled else "")
        PEOPLE.print(table)
    elif deed == "add":
        password = secrets.token_urlsafe(12)
        accounts.add(name, _role(role), password, now_ts(), must_change=True)
        PEOPLE.print(f"Account '{name}' made; one-time password (shown only now): {password}")
    elif deed == "role":
        accounts.set_role(name, _role(role))
    elif deed == "password":
        password = secrets.token_urlsafe(12)
        accounts.set_password(name, password, must_change=True)
        PEOPLE.print(f"One-time password of '{name}' (shown only now): {password}")
    else:
        accounts.set_disabled(name, disabled=deed == "disable")
