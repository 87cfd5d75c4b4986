// Keeps a page fresh: events say what changed, the page fetches itself and swaps its parts.
"use strict";
(() => {
  const watch = document.body.dataset.watch || "";
  const fresh = document.getElementById("fresh");
  const POLL_MS = 15000, LOST_MS = 30000, CALM_MS = Number(document.body.dataset.calm) || 5000;
  let seen = Number(document.body.dataset.sequence) || 0;
  let heard = performance.now(), fetched = performance.now(), waiting = 0, polling = 0;
  let dataAge = fresh && fresh.dataset.newest ? Number(fresh.dataset.now) - Number(fresh.dataset.newest) : null;

  // Ids: 'site', 'site/pump', 'alarm:site.subject...'; a page watches a site, a pump, or all.
  const site = watch.split("/")[0];
  const mine = (id) => !watch || id === site || id.startsWith("alarm:" + site + ".")
    || id === watch || id.startsWith(watch + "/");
  const span = (s) => (s < 90 ? Math.round(s) + " s" : s < 5400 ? Math.round(s / 60) + " min" : (s / 3600).toFixed(1) + " h");

  function swap(next) {
    for (const part of document.querySelectorAll("[data-part]")) {
      const other = next.getElementById(part.id);
      if (!other || other.innerHTML === part.innerHTML) continue;
      const held = part.contains(document.activeElement) ? document.activeElement : null;
      // Somebody types here: leave it alone until they are done.
      if (held && /^(INPUT|SELECT|TEXTAREA)$/.test(held.tagName)) continue;
      const key = held && (held.getAttribute("href") || (held.form && held.form.getAttribute("action")));
      const open = [...part.querySelectorAll("details[open][id]")].map((d) => d.id);
      part.replaceChildren(...document.adoptNode(other).childNodes);
      open.forEach((id) => { const d = document.getElementById(id); if (d) d.open = true; });
      if (key) {
        const again = [...part.querySelectorAll("a[href], form[action] button")].find(
          (e) => (e.getAttribute("href") || e.form.getAttribute("action")) === key);
        if (again) again.focus({ preventScroll: true });
      }
    }
    const head = next.getElementById("fresh");
    if (head && fresh) {
      dataAge = head.dataset.newest ? Number(head.dataset.now) - Number(head.dataset.newest) : null;
      fresh.className = head.className;
      fresh.textContent = head.textContent;
    }
    document.title = next.title;
  }

  async function refresh() {
    waiting = 0;
    fetched = performance.now();
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok) return;
      swap(new DOMParser().parseFromString(await answer.text(), "text/html"));
      heard = fetched = performance.now();
    } catch { /* the clock below tells that nothing comes in */ }
  }

  function plan(hasty) {
    const due = Math.max(hasty ? 300 : CALM_MS - (performance.now() - fetched), 0);
    if (waiting && !hasty) return;
    clearTimeout(waiting);
    waiting = setTimeout(refresh, due);
  }

  function hear(message) {
    heard = performance.now();
    const ids = message.ids.filter(mine);
    // What changed between the drawing of the page and the first word of the stream.
    const missed = !message.ids.length && message.seq > seen;
    seen = Math.max(seen, message.seq || 0);
    // At rest nothing changes, but the age of the data must stay true.
    if (performance.now() - fetched > 2 * CALM_MS) plan(false);
    if (ids.length || missed) plan(missed || ids.some((id) => id.startsWith("alarm:")));
  }

  function poll() {
    if (!polling) polling = setInterval(() => { if (!document.hidden) refresh(); }, POLL_MS);
  }

  function direct() {
    let source = null;
    const open = () => {
      if (source) return;
      source = new EventSource("/events");
      source.addEventListener("change", (e) => hear({ ids: JSON.parse(e.data), seq: Number(e.lastEventId) }));
      source.addEventListener("tick", (e) => hear({ ids: [], seq: Number(e.lastEventId) }));
    };
    const shut = () => { if (source) source.close(); source = null; };
    document.addEventListener("visibilitychange", () => {
      if (document.hidden) shut(); else { open(); refresh(); }
    });
    if (!document.hidden) open();
  }

  function listen() {
    if (typeof SharedWorker !== "undefined") {
      const worker = new SharedWorker(document.body.dataset.live);
      worker.port.onmessage = (event) => hear(event.data);
      worker.port.start();
      addEventListener("pagehide", () => worker.port.postMessage("bye"));
      addEventListener("pageshow", (event) => { if (event.persisted) location.reload(); });
    } else if (typeof EventSource !== "undefined") {
      direct();
    } else {
      poll();
    }
  }

  setInterval(() => {
    const silent = performance.now() - heard;
    const lost = silent > LOST_MS;
    document.documentElement.classList.toggle("lost", lost);
    if (lost) poll();
    if (!fresh) return;
    if (lost) {
      fresh.classList.add("old");
      fresh.textContent = fresh.dataset.lost + " " + span(silent / 1000);
    } else if (dataAge !== null) {
      const age = dataAge + (performance.now() - fetched) / 1000;
      const clock = fresh.textContent.split(" · ").pop();
      fresh.classList.toggle("old", age > 30);
      // Old data change without an event: the cards must say so too.
      if (age > 30 && performance.now() - fetched > POLL_MS) plan(true);
      fresh.textContent = fresh.dataset.words + " " + span(age) + " " + fresh.dataset.ago + " · " + clock;
    }
  }, 1000);

  listen();
})();
