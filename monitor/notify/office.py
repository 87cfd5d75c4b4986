"""The room's front: hears what happens to alarms, decides who must know, keeps it, sends it.

`hear` belongs into the transaction that keeps the changes: then no alarm is kept without its
word, and none told that was not kept.
"""

import logging
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from html import escape

from monitor.alarms.flood import floods
from monitor.alarms.types import ANNUNCIATED, UNACKNOWLEDGED, Alarm, Change, State
from monitor.clock import Clock, now_ts
from monitor.errors import StrokewiseError
from monitor.notify import message as letters
from monitor.notify import words
from monitor.notify.ack_link import AckLinks
from monitor.notify.casebook import Casebook
from monitor.notify.outbox import ChannelHealth, Message, Outbox
from monitor.notify.routes import BURST_S, Case, Notice, Word, digests, flood_over, plan
from monitor.notify.worker import Courier, Picture, Post
from monitor.site import Site
from monitor.store.core import Core

log = logging.getLogger(__name__)

DAY_S = 86400.0
TEND_S = 3600.0
LOOK_S = 5.0
"""Chosen: what waits for an hour of the day may wait for this; 300 sites share one core."""
_HIDDEN = frozenset({State.SHELVED, State.SUPPRESSED, State.OUT_OF_SERVICE})


@dataclass(frozen=True, slots=True)
class Addresses:
    """Where links in messages lead. None = messages carry no such link.

    board: alarm -> its page; ack: token -> the page with the acknowledge button.
    """

    board: Callable[[Alarm | None, Site], str] | None = None
    ack: Callable[[str], str] | None = None


class Office:
    """Word to people of all sites over one `core.db`.

    post: carries a message (channels.ApprisePost). picture: alarm -> its trace as PNG, asked for
    at the moment of sending. Thread-safe as far as Core is.
    """

    def __init__(
        self,
        core: Core,
        post: Post,
        *,
        links: AckLinks | None = None,
        addresses: Addresses | None = None,
        picture: Callable[[Alarm], bytes | None] | None = None,
        clock: Clock = now_ts,
    ) -> None:
        self._core = core
        self._post = post
        self._links = links
        self._addresses = addresses or Addresses()
        self._picture = picture
        self._clock = clock
        self._cases = Casebook(core)
        self._looked_ts: dict[str, float] = {}
        self._tended_ts = clock()
        self.outbox = Outbox(core, letters.merged)
        show: Picture = self._show
        self.courier = Courier(self.outbox, post, show, clock)

    def start(self) -> None:
        """Begin to deliver in the background."""
        self.courier.start()

    def close(self) -> None:
        """Stop delivering; what waits stays."""
        self.courier.close()

    def hear(self, site: Site, changes: Sequence[Change]) -> None:
        """Take in changes and put the word that is due into the outbox (joins a transaction)."""
        if changes:
            with self._core.write():
                self._cases.hear(site.id, changes, self._clock())
                self._look(site)

    def tick(self, site: Site) -> int:
        """Escalations, quiet hours that end, notes of return, digests; call as often as you like.

        It looks every few seconds; how many messages were added.
        """
        if abs(self._clock() - self._tended_ts) >= TEND_S:
            self._tended_ts = self._clock()
            self.tend()
        away_s = self._clock() - self._looked_ts.get(site.id, float("-inf"))
        return self._look(site) if away_s >= LOOK_S or away_s < 0 else 0

    def _look(self, site: Site) -> int:
        now = self._looked_ts[site.id] = self._clock()
        with self._core.write():
            notices = self._due(site, now)
            fresh = [n for n in notices if not self._known(n)]
            added = sum(self._keep(site, notice, now) for notice in fresh)
            self._cases.told(fresh)
        if added:
            self.courier.wake()
        return added

    def tend(self) -> None:
        """Housekeeping; `tick` sees to it each hour."""
        now = self._clock()
        self._cases.tend(now)
        self.outbox.tend(now)
        if self._links is not None:
            self._links.tend(now)

    def try_out(self, site: Site, channel: str) -> str | None:
        """Send a test message through a channel now; None = taken, else why not."""
        name = site.label or site.id
        body = f"This is a test message from {name}. Nothing is wrong and nothing is to be done."
        html = f"<p>{escape(body)}</p>"
        key = f"{site.id}:test:{round(self._clock() * 1000)}:{channel}"
        subject = f"Test message · {name}"
        try:
            self._post.send(Message(key, site.id, channel, "", "test", subject, body, html))
        except StrokewiseError as problem:
            return str(problem)
        return None

    def health(self) -> list[ChannelHealth]:
        """Every channel, whether it delivers, and what waits for it: to be shown on the board."""
        return self.outbox.health()

    def flood_since(self, site: str) -> float | None:
        """Since when this site is in a flood of alarms, or None."""
        storms = floods(self._cases.activations(site), self._clock())
        return storms[-1][0] if storms and storms[-1][1] is None else None

    # What is due.

    def _due(self, site: Site, now: float) -> list[Notice]:
        cases = self._cases.cases(site.id)
        storms = floods(self._cases.activations(site.id), now)
        raging = storms[-1][0] if storms and storms[-1][1] is None else None
        recent = self.outbox.recent(site.id, now - BURST_S)
        notices = plan(site, cases, recent, now, flood_start_ts=raging)
        if storms and raging is None:
            start, end = storms[-1]
            who = self.outbox.who(site.id, Word.FLOOD.value, start, end or now)
            notices += flood_over(site, start, cases, who)
        for notice in digests(site, now):
            # An empty digest is done with too: what comes later in the day is no digest.
            if self._cases.first_time(notice.key, now):
                facts = self._digest(site, notice, cases, now)
                notices += [] if facts.empty else [notice]
        return notices

    def _known(self, notice: Notice) -> bool:
        return any(self.outbox.has(f"{notice.key}:{c}") for c in notice.person.channels)

    def _digest(
        self, site: Site, notice: Notice, cases: Sequence[Case], now: float
    ) -> letters.DigestFacts:
        mine = [c.alarm for c in cases if c.alarm.priority.value in notice.person.priorities]
        return letters.DigestFacts(
            standing=[a for a in mine if a.state in ANNUNCIATED | UNACKNOWLEDGED],
            ended=[
                a
                for a in mine
                if a.state is State.NORMAL
                and a.cleared_ts is not None
                and now - a.cleared_ts < DAY_S
            ],
            hidden=[a for a in mine if a.state in _HIDDEN],
            not_delivered=[self._trouble(h, site) for h in self._failing(site)],
        )

    def _failing(self, site: Site) -> list[ChannelHealth]:
        return [
            h
            for h in self.outbox.health()
            if h.site == site.id and h.failing_since_ts is not None and h.waiting
        ]

    def _trouble(self, health: ChannelHealth, site: Site) -> str:
        since = words.when(health.failing_since_ts, site.zone)
        return (
            f"{health.channel}: not delivering since {since}, {health.waiting} waiting "
            f"({health.error or 'no reason given'})"
        )

    # Into the outbox.

    def _keep(self, site: Site, notice: Notice, now: float) -> int:
        messages = []
        for channel in notice.person.channels:
            content = self._write(site, notice, now)
            messages.append(
                Message(
                    key=f"{notice.key}:{channel}",
                    site=site.id,
                    channel=channel,
                    person=notice.person.id,
                    word=notice.word.value,
                    subject=content.subject,
                    text=content.text,
                    html=content.html,
                    picture_of=content.picture_of if self._picture else None,
                )
            )
        return self.outbox.add(messages, now)

    def _write(self, site: Site, notice: Notice, now: float) -> letters.Content:
        if notice.word is Word.DIGEST:
            facts = self._digest(site, notice, self._cases.cases(site.id), now)
            return letters.digest_message(site, facts, now, self._link(site, None, notice, now))
        one = notice.alarms[0] if len(notice.alarms) == 1 else None
        links = self._link(site, one, notice, now)
        return letters.alarm_message(site, notice.word, notice.alarms, links)

    def _link(self, site: Site, alarm: Alarm | None, notice: Notice, now: float) -> letters.Links:
        board, ack = self._addresses.board, None
        if alarm is not None and alarm.active and self._links and self._addresses.ack:
            ack = self._addresses.ack(self._links.issue(alarm, notice.person.id, now))
        return letters.Links(board(alarm, site) if board else None, ack)

    def _show(self, alarm_id: str) -> bytes | None:
        alarm = self._cases.alarm(alarm_id)
        return self._picture(alarm) if self._picture is not None and alarm is not None else None
