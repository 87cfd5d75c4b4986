"""Months of recordings at once: `replay` in parallel processes, with the same alarms.

A part is all pumps of one air supply of one site, because those are compared with each other.
Each part is watched in a process of its own; the alarm machine, which is cheap and belongs to the
whole site, then hears all findings in time order, here. A finished part can be kept in a folder:
a run that was stopped goes on where it was, and a changed setting or file makes the part new.
"""

import hashlib
import logging
import os
from collections.abc import Callable, Iterator, Mapping, Sequence, Set
from concurrent.futures import Future, ProcessPoolExecutor, as_completed
from concurrent.futures.process import BrokenProcessPool
from dataclasses import dataclass, field
from multiprocessing import get_context
from pathlib import Path

import msgspec

from monitor.alarms.grouping import Family
from monitor.alarms.machine import AlarmMachine
from monitor.alarms.policy import default_policy
from monitor.alarms.types import Alarm
from monitor.detectors.finding import Finding, Presence
from monitor.detectors.watch import SiteWatch
from monitor.errors import BadRecording, StrokewiseError
from monitor.intake.recording import Recording, Together
from monitor.service.replay import BLOCK_S, END_S
from monitor.site import Site

log = logging.getLogger(__name__)

TRIES = 3
"""A worker that dies (out of memory, killed) takes its pool along; so often it is begun again."""
FORM = "2"
"""Form of a kept part; another one is not read."""


@dataclass(frozen=True, slots=True)
class Part:
    """The pumps of one air supply and the recordings to look for them in."""

    site: Site
    pumps: tuple[str, ...]
    files: tuple[Path, ...]

    @property
    def name(self) -> str:
        """For people and logs."""
        return f"{self.site.id} ({len(self.pumps)} pumps from '{self.pumps[0]}')"

    def key(self) -> str:
        """Changes with the site file, the pumps, and each file's name, size and time."""
        print_ = hashlib.sha256(FORM.encode())
        print_.update(self.site.model_dump_json().encode())
        print_.update("/".join(self.pumps).encode())
        for path in self.files:
            stat = path.stat()
            print_.update(f"{path.resolve()}/{stat.st_size}/{stat.st_mtime_ns}".encode())
        return print_.hexdigest()[:32]


class Watched(msgspec.Struct, frozen=True):
    """What came of a part: findings in the order they were made, and where its pumps ended."""

    findings: list[Finding] = []
    ends: dict[str, float] = {}
    notes: list[str] = []


def parts(site: Site, files: Sequence[Path]) -> list[Part]:
    """One part for each air supply, those with most pumps first."""
    supplies: dict[str, list[str]] = {}
    for pump in site.pumps:
        supplies.setdefault(pump.air_supply, []).append(pump.id)
    found = [Part(site, tuple(pumps), tuple(files)) for pumps in supplies.values()]
    return sorted(found, key=lambda p: -len(p.pumps))


def watch(part: Part) -> Watched:
    """Every recording of the part through signals and detectors. Raises BadRecording."""
    eyes = SiteWatch(part.site)
    mine = frozenset(part.pumps)
    findings: list[Finding] = []
    said: set[tuple[str, str]] = set()
    ends: dict[str, float] = {}
    recordings = [Recording(path, part.site, block_s=BLOCK_S) for path in part.files]
    recordings = [r for r in recordings if not _is_of_others(r.pumps(), mine, part.site)]
    for pump, block in Together(recordings, BLOCK_S).blocks():
        if pump not in mine:
            continue
        for finding in eyes.push(pump, block).findings:
            # A 'no' before the first 'yes' tells an alarm machine nothing.
            tag = (finding.subject, str(finding.kind))
            if finding.presence is Presence.YES:
                said.add(tag)
            if tag in said:
                findings.append(finding)
        ends[pump] = block.end_ts
    notes = [note for recording in recordings for note in recording.notes()]
    return Watched(findings, ends, notes)


def _is_of_others(pumps: set[str] | None, mine: Set[str], site: Site) -> bool:
    """Do other parts read this file? A pump nobody knows is told by whoever reads it."""
    if not pumps or pumps & mine:
        return False
    return all(site.pump(pump) is not None for pump in pumps)


@dataclass(slots=True)
class Months:
    """Parts in up to `jobs` processes. keep: folder of finished parts, None = none are kept."""

    jobs: int
    keep: Path | None = None
    work: Callable[[Part], bytes] = field(default_factory=lambda: _work)
    resumed: int = 0
    restarts: int = 0
    _done: dict[int, Watched] = field(default_factory=dict)

    def run(self, todo: Sequence[Part]) -> Iterator[float]:
        """Work through the parts; yields the share of pumps done. Raises BadRecording."""
        total = max(sum(len(p.pumps) for p in todo), 1)
        waiting = dict(enumerate(todo))
        for number in list(waiting):
            kept = self._kept(waiting[number])
            if kept is not None:
                self.resumed += 1
                self._done[number] = kept
                del waiting[number]
        for attempt in range(TRIES):
            yield 1.0 - sum(len(p.pumps) for p in waiting.values()) / total
            if not waiting:
                return
            try:
                for number in self._pool(waiting):
                    del waiting[number]
                    yield 1.0 - sum(len(p.pumps) for p in waiting.values()) / total
            except BrokenProcessPool:
                self.restarts += 1
                log.warning("worker died attempt=%d parts left=%d", attempt + 1, len(waiting))
        if waiting:
            names = ", ".join(p.name for p in waiting.values())
            raise StrokewiseError(
                f"the workers for {names} died {TRIES} times; is there enough memory? Use fewer "
                "jobs (--jobs 1)"
            )

    def _pool(self, waiting: Mapping[int, Part]) -> Iterator[int]:
        # Our arrays are small and every core has a worker: BLAS threads would be in the way. It
        # counts when numpy is imported, and the workers inherit it.
        os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")
        # Spawned, not forked: a fork of a process with threads may hang.
        with ProcessPoolExecutor(self.jobs, get_context("spawn")) as pool:
            futures: dict[Future[bytes], int] = {
                pool.submit(self.work, part): number for number, part in waiting.items()
            }
            try:
                for future in as_completed(futures):
                    number = futures[future]
                    body = future.result()
                    self._done[number] = _read(body)
                    self._keep(waiting[number], body)
                    yield number
            except BaseException:
                pool.shutdown(wait=False, cancel_futures=True)
                raise

    def _path(self, part: Part) -> Path | None:
        return None if self.keep is None else self.keep / f"{part.key()}.part"

    def _kept(self, part: Part) -> Watched | None:
        path = self._path(part)
        if path is None or not path.is_file():
            return None
        try:
            return _read(path.read_bytes())
        except (OSError, msgspec.MsgspecError) as problem:
            log.warning("kept part not readable, done again path=%s problem=%s", path, problem)
            return None

    def _keep(self, part: Part, body: bytes) -> None:
        path = self._path(part)
        if path is None:
            return
        path.parent.mkdir(parents=True, exist_ok=True)
        young = path.with_suffix(".young")
        young.write_bytes(body)
        young.replace(path)

    def alarms(self, todo: Sequence[Part]) -> list[Alarm]:
        """Every alarm that was raised, site by site, each as it stood at its recordings' end."""
        out: list[Alarm] = []
        for site_id in dict.fromkeys(p.site.id for p in todo):
            mine = [i for i, p in enumerate(todo) if p.site.id == site_id]
            out += hear(todo[mine[0]].site, [self._done[i] for i in mine])
        return sorted(out, key=lambda a: (a.raised_ts or 0.0, a.site, a.id))

    def notes(self) -> list[str]:
        """What was dropped or corrected on the way, in words, each once."""
        return list(dict.fromkeys(n for d in self._done.values() for n in d.notes))


def hear(site: Site, watched: Sequence[Watched]) -> list[Alarm]:
    """One site's alarm machine over the findings of all its parts, in time order."""
    machine = AlarmMachine(default_policy, site=site.id, family=Family.of(site))
    ends = {pump: ts for w in watched for pump, ts in w.ends.items()}
    end_ts = max(ends.values(), default=0.0)
    findings = sorted((f for w in watched for f in w.findings), key=lambda f: f.ts)
    eyes = SiteWatch(site)
    for pump, ts in ends.items():
        eyes.pumps[pump].segmenter.joiner.end_ts = ts  # all that silence is judged by
    findings += eyes.tick(end_ts).findings
    changes = [*machine.update(findings, end_ts), *machine.tick(end_ts + END_S)]
    seen = {c.after.id: c.after for c in changes if c.after and c.after.raised_ts is not None}
    seen |= {a.id: a for a in machine.alarms() if a.raised_ts is not None}
    return list(seen.values())


def by_site(sites: Sequence[Site], files: Sequence[Path]) -> list[Part]:
    """The parts of several sites: with more than one, a file's folder is named by its site's id.

    Raises BadRecording for a file that belongs to none.
    """
    if len(sites) == 1:
        return parts(sites[0], files)
    out: list[Part] = []
    known = {site.id for site in sites}
    for path in files:
        if path.resolve().parent.name not in known:
            raise BadRecording(
                f"{path}: with several --site options a recording lies in a folder named by its "
                f"site; known sites: {', '.join(sorted(known))}"
            )
    for site in sites:
        mine = [f for f in files if f.resolve().parent.name == site.id]
        if mine:
            out += parts(site, mine)
    return out


def _work(part: Part) -> bytes:
    return msgspec.msgpack.encode(watch(part))


def _read(body: bytes) -> Watched:
    return msgspec.msgpack.decode(body, type=Watched)
