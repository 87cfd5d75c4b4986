// Zoom and pan of the trace: every gesture ends in set(from, to), which stretches the present
// drawing at once and fetches the new one when the gesture has settled.
"use strict";
(() => {
  const box = document.getElementById("figure");
  if (!box) return;
  const caption = document.getElementById("caption");
  const SETTLE_MS = 60, TELL_MS = 600, SHORTEST_S = 5, LONGEST_S = 20 * 366 * 86400;
  const drawing = () => box.querySelector("svg.trace");
  const drawn = () => [Number(drawing().dataset.from), Number(drawing().dataset.to)];
  let [from, to] = drawn();
  let told = [from, to], telling = 0;
  let timer = 0, running = null, width = Math.round(box.clientWidth);
  const latest = () => Number(box.dataset.now) + (performance.now() - born) / 1000;
  const born = performance.now();

  function stretch() {
    const [a, b] = drawn(), units = 3600;
    const x = (from - a) / (b - a) * units, w = (to - from) / (b - a) * units;
    for (const pane of drawing().querySelectorAll("svg.pane")) {
      const box4 = pane.getAttribute("viewBox").split(" ");
      pane.setAttribute("viewBox", `${x} 0 ${w} ${box4[3]}`);
    }
    drawing().classList.toggle("moving", Math.abs(from - a) + Math.abs(to - b) > 0.1);
  }

  function set(a, b) {
    const span = Math.min(Math.max(b - a, SHORTEST_S), LONGEST_S);
    const middle = (a + b) / 2;
    to = Math.min(middle + span / 2, latest());
    from = to - span;
    stretch();
    clearTimeout(timer);
    timer = setTimeout(fetchIt, SETTLE_MS);
  }

  async function fetchIt() {
    if (running) running.abort();
    running = new AbortController();
    const window_ = `from=${from.toFixed(2)}&to=${to.toFixed(2)}`;
    try {
      const answer = await fetch(`${box.dataset.src}?${window_}&w=${width}`, { signal: running.signal });
      if (!answer.ok) throw new Error(String(answer.status));
      const said = answer.headers.get("X-Caption");
      const text = await answer.text();
      const next = new DOMParser().parseFromString(text, "image/svg+xml").documentElement;
      const focused = drawing().contains(document.activeElement);
      drawing().replaceWith(document.adoptNode(next));
      stretch();  // the gesture may have gone on meanwhile
      if (focused) box.focus();
      const plain = new DOMParser().parseFromString(said || "", "text/html").body.textContent;
      caption.textContent = plain;
      history.replaceState(null, "", `${location.pathname}?${window_}`);
      if (from !== told[0] || to !== told[1]) {
        clearTimeout(telling);
        telling = setTimeout(tell, TELL_MS);
      }
    } catch (problem) {
      if (problem.name !== "AbortError") caption.textContent = box.dataset.failed;
    }
  }

  // Words and tables follow once the reader has stopped moving.
  async function tell() {
    const wanted = [from, to];
    try {
      const answer = await fetch(location.href, { headers: { Accept: "text/html" } });
      if (!answer.ok || wanted[0] !== from || wanted[1] !== to) return;
      const next = new DOMParser().parseFromString(await answer.text(), "text/html");
      const here = document.getElementById("window"), there = next.getElementById("window");
      const open = [...here.querySelectorAll("details[open][id]")].map((d) => d.id);
      here.replaceChildren(...document.adoptNode(there).childNodes);
      for (const id of open) { const d = document.getElementById(id); if (d) d.open = true; }
      for (const id of ["from", "to"]) document.getElementById(id).value = next.getElementById(id).value;
      told = wanted;
    } catch { caption.textContent = box.dataset.failed; }
  }

  const zoom = (factor, at = 0.5) => {
    const middle = from + at * (to - from);
    set(middle - at * (to - from) * factor, middle + (1 - at) * (to - from) * factor);
  };
  const pan = (share) => set(from + share * (to - from), to + share * (to - from));
  const home = () => set(latest() - 86400, latest());
  const share = (event) => {
    const r = drawing().getBoundingClientRect();
    return Math.min(Math.max((event.clientX - r.left) / r.width, 0), 1);
  };

  const KEYS = {
    ArrowLeft: () => pan(-0.25), ArrowRight: () => pan(0.25), "+": () => zoom(0.5), "=": () => zoom(0.5),
    "-": () => zoom(2), Home: home, End: () => set(latest() - (to - from), latest()),
  };
  box.addEventListener("keydown", (event) => {
    const act = KEYS[event.key];
    if (!act || event.ctrlKey || event.altKey || event.metaKey) return;
    event.preventDefault();
    act();
  });
  // The wheel belongs to the page unless the plot has the focus or Ctrl is held.
  box.addEventListener("wheel", (event) => {
    if (!event.ctrlKey && document.activeElement !== box) return;
    event.preventDefault();
    if (event.shiftKey || Math.abs(event.deltaX) > Math.abs(event.deltaY)) pan((event.deltaX || event.deltaY) / 1000);
    else zoom(Math.exp(event.deltaY / 500), share(event));
  }, { passive: false });

  const STEPS = { earlier: () => pan(-0.5), later: () => pan(0.5), closer: () => zoom(0.5), wider: () => zoom(2) };
  const LENGTHS = { "1h": 3600, "1d": 86400, "7d": 604800, "30d": 2592000, "1y": 31622400 };
  for (const link of document.querySelectorAll("[data-step], [data-last]")) {
    link.addEventListener("click", (event) => {
      if (event.ctrlKey || event.metaKey || event.shiftKey) return;
      event.preventDefault();
      if (link.dataset.step) STEPS[link.dataset.step]();
      else set(latest() - LENGTHS[link.dataset.last], latest());
    });
  }

  const fingers = new Map();
  let grip = null;
  function regrip(event) {
    const xs = [...fingers.values()];
    grip = { from, to, xs, box: event && event.shiftKey && xs.length === 1 };
  }
  box.addEventListener("pointerdown", (event) => {
    if (event.target.closest("a") || event.button) return;
    fingers.set(event.pointerId, share(event));
    box.setPointerCapture(event.pointerId);
    regrip(event);
  });
  box.addEventListener("pointermove", (event) => {
    if (!fingers.has(event.pointerId)) return;
    fingers.set(event.pointerId, share(event));
    const now = [...fingers.values()], span = grip.to - grip.from;
    if (grip.box) return;
    if (now.length === 1) {
      const moved = (now[0] - grip.xs[0]) * span;
      if (Math.abs(now[0] - grip.xs[0]) > 0.005) set(grip.from - moved, grip.to - moved);
    } else {
      const before = grip.xs[1] - grip.xs[0] || 1e-3, after = now[1] - now[0] || 1e-3;
      const wide = span * Math.min(Math.max(Math.abs(before / after), 0.02), 50);
      const held = grip.from + (grip.xs[0] + grip.xs[1]) / 2 * span;
      const at = (now[0] + now[1]) / 2;
      set(held - at * wide, held + (1 - at) * wide);
    }
  });
  function release(event) {
    if (!fingers.has(event.pointerId)) return;
    if (grip.box) {
      const [a, b] = [grip.xs[0], fingers.get(event.pointerId)].sort((p, q) => p - q);
      const span = grip.to - grip.from;
      if (b - a > 0.01) set(grip.from + a * span, grip.from + b * span);
    }
    fingers.delete(event.pointerId);
    regrip(null);
  }
  box.addEventListener("pointerup", release);
  box.addEventListener("pointercancel", release);

  new ResizeObserver(() => {
    const now = Math.round(box.clientWidth);
    if (Math.abs(now - width) < 8 && drawing().dataset.width) return;
    width = now;
    drawing().dataset.width = String(now);
    clearTimeout(timer);
    timer = setTimeout(fetchIt, SETTLE_MS);
  }).observe(box);
})();
