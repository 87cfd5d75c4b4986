"""README and DEVELOPERS say what the program has, and nothing is missing from either."""

import re
from pathlib import Path

import pytest
from pydantic import BaseModel

from monitor.advice.kinds import Kind
from monitor.cli.main import COMMANDS
from monitor.settings.service_file import Broker, Keeping, ServiceFile, Web
from monitor.site import AirSupply, Fluid, Person, Prices, Pump, Sensors, Site


@pytest.fixture(scope="module")
def readme(root_folder: Path) -> str:
    return (root_folder / "README.md").read_text()


@pytest.fixture(scope="module")
def developers(root_folder: Path) -> str:
    return (root_folder / "DEVELOPERS.md").read_text()


def keys(model: type[BaseModel]) -> set[str]:
    return set(model.model_fields)


def written(readme: str, key: str) -> bool:
    stem = re.sub(r"_(pa|m|ml|c|pa_s|min)$", "", key)
    return re.search(rf"\b{stem}(_[a-z]+)?\b", readme) is not None


@pytest.mark.parametrize(
    "model",
    [Site, Pump, Fluid, Sensors, AirSupply, Person, Prices, ServiceFile, Web, Broker, Keeping],
)
def test_every_setting_is_in_the_readme(readme: str, model: type[BaseModel]) -> None:
    missing = sorted(k for k in keys(model) if not written(readme, k))
    assert missing == []


def test_every_command_is_in_the_readme_and_no_other(readme: str) -> None:
    named = set(re.findall(r"`strokewise ([a-z]+)", readme))
    assert named == set(COMMANDS)


def test_every_kind_is_in_the_readme(readme: str) -> None:
    table = readme.split("## What it can tell")[1].split("##")[0]
    assert [k.value for k in Kind if k.value not in table] == []


def test_every_room_is_in_developers(developers: str, root_folder: Path) -> None:
    rooms = {p.name for p in (root_folder / "monitor").iterdir() if (p / "__init__.py").exists()}
    assert sorted(r for r in rooms if f"`{r}/`" not in developers) == []


def test_every_dependency_has_its_reason(developers: str, root_folder: Path) -> None:
    text = (root_folder / "pyproject.toml").read_text()
    block = text.split("dependencies = [")[1].split("test = [")[0]
    names = re.findall(r'^\s+"([A-Za-z0-9-]+)>=', block, re.MULTILINE)
    reasons = developers.split("## Why each dependency")[1]
    assert [n for n in names if n not in reasons] == []


def test_both_start_commands_are_one_line_each(readme: str) -> None:
    for marker in ("<!-- demo -->", "<!-- tests -->"):
        block = readme.split(marker)[1].split("```sh\n")[1].split("```")[0]
        assert len(block.strip().splitlines()) == 1
        assert block.startswith("python3 -m venv .venv && ")
