"""`strokewise alarms`: why each alarm exists and what to do (rationalization record)."""

from typing import Annotated

import typer

from monitor.advice.kinds import Kind
from monitor.advice.rationalization import as_text, rationalization
from monitor.cli.show import PEOPLE
from monitor.errors import WrongUse


def alarms(
    kind: Annotated[str, typer.Argument(help="One kind, such as 'low air'; all if left out.")] = "",
) -> None:
    """Print the rationalization record of one kind of alarm, or of all."""
    names = [k.value for k in Kind]
    if kind and kind not in names:
        raise WrongUse(f"no kind '{kind}'; known: {', '.join(names)}")
    for name in [kind] if kind else names:
        PEOPLE.print(as_text(rationalization(Kind(name))))
        PEOPLE.print("")
