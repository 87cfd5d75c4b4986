"""Rendezvous hashing, and a collector that takes and lets go of sites as members come and go."""

from pathlib import Path
from types import SimpleNamespace

import pytest

from monitor.errors import BadSettings
from monitor.service import partition
from monitor.service.partition import Collector, owner, settings_of, shares
from monitor.settings.service_file import load_settings
from monitor.store.owner import FolderInUse

SITES = [f"s{k}" for k in range(300)]


def test_only_the_sites_of_the_member_that_left_move() -> None:
    three = {s: owner(s, ("a", "b", "c")) for s in SITES}
    two = {s: owner(s, ("a", "c")) for s in SITES}
    assert all(three[s] == two[s] for s in SITES if three[s] != "b")
    assert owner("s1", ()) is None


def test_sites_fall_evenly() -> None:
    for count in map(len, shares(SITES, ("a", "b", "c")).values()):
        # A fair third of 300 is 100 with a standard deviation of 8.2 (binomial): five of them.
        assert 59 <= count <= 141


def service_file(folder: Path, broker: str = "mqtt://127.0.0.1:1883") -> Path:
    for k in range(4):
        (folder / f"s{k}.toml").write_text(f'[site]\nid = "s{k}"\n[[pumps]]\nid = "p"\n')
    file = folder / "strokewise.toml"
    file.write_text(
        'sites = ["s0.toml", "s1.toml", "s2.toml", "s3.toml"]\n'
        f'[broker]\nurl = "{broker}"\n[collector]\nname = "ant"\nshared = true\n'
    )
    return file


def test_each_site_has_a_folder_a_session_and_a_port_of_its_own(tmp_path: Path) -> None:
    whole = load_settings(service_file(tmp_path))
    each = [settings_of(whole, k) for k in range(4)]
    assert len({s.data_dir for s in each}) == 4
    assert len({s.file.broker.client_id for s in each}) == 4
    assert [s.file.web.port for s in each] == [whole.file.web.port + k for k in range(4)]
    assert [s.sites[0].id for s in each] == ["s0", "s1", "s2", "s3"]


def test_an_embedded_broker_cannot_be_shared(tmp_path: Path) -> None:
    with pytest.raises(BadSettings, match="share a broker"):
        load_settings(service_file(tmp_path, "embedded"))


class FakeService:
    """Runs unless its folder is still held."""

    held: set[str] = set()  # noqa: RUF012 - the test's own switchboard
    up: set[str] = set()  # noqa: RUF012

    def __init__(self, settings, claim) -> None:
        self.site, self.claim = settings.sites[0].id, claim
        self.fenced = False
        self.url = "http://127.0.0.1/"
        self.connected = True
        self.intake = SimpleNamespace(state=lambda: SimpleNamespace(connected=self.connected))

    def start(self) -> None:
        if self.site in self.held:
            raise FolderInUse
        self.up.add(self.site)

    def stop(self) -> None:
        self.up.discard(self.site)

    def first_words(self) -> list[str]:
        return []


@pytest.fixture
def collector(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Collector:
    monkeypatch.setattr(partition, "Service", FakeService)
    monkeypatch.setattr(FakeService, "held", set())
    monkeypatch.setattr(FakeService, "up", set())
    return Collector(load_settings(service_file(tmp_path)))


def test_sites_are_taken_and_let_go_of_as_members_change(collector: Collector) -> None:
    collector.step({"ant"})
    assert FakeService.up == {"s0", "s1", "s2", "s3"}
    collector.step({"ant", "bee"})
    assert FakeService.up == {f"s{k}" for k in range(4) if owner(f"s{k}", ("ant", "bee")) == "ant"}
    collector.step(())  # cut off: nobody knows what the others do
    assert FakeService.up == set()


def test_a_folder_still_held_is_waited_for(collector: Collector) -> None:
    FakeService.held.add("s2")
    collector.step({"ant"})
    assert FakeService.up == {"s0", "s1", "s3"}
    FakeService.held.clear()
    collector.step({"ant"})
    assert "s2" in FakeService.up


def test_a_session_that_stays_away_is_taken_anew(
    collector: Collector, monkeypatch: pytest.MonkeyPatch
) -> None:
    now = [100.0]
    monkeypatch.setattr(partition, "steady_s", lambda: now[0])
    collector.step({"ant"})
    first = collector.running["s1"]
    first.connected = False
    collector.step({"ant"})
    now[0] += 10
    collector.step({"ant"})
    assert collector.running["s1"] is first
    now[0] += 10
    collector.step({"ant"})
    assert collector.running["s1"] is not first
    assert "s1" in FakeService.up


def test_a_site_that_another_has_taken_over_is_let_go_of(collector: Collector) -> None:
    collector.step({"ant"})
    first = collector.running["s1"]
    first.fenced = True
    collector.step({"ant"})
    assert collector.running["s1"] is not first


def test_only_who_is_not_present_counts_as_gone(collector: Collector) -> None:
    collector.step({"ant", "bee"})
    claim = next(iter(collector.running.values())).claim
    assert claim.name == "ant"
    assert claim.gone("cat")
    assert not claim.gone("bee")
    collector.step({"ant"})
    assert claim.gone("bee")
