// Once a second the watch fetches itself; a part is swapped only when it changed, so the word is
// spoken only when it changes. Works on plain HTTP.
"use strict";
(() => {
  const box = document.getElementById("priming"), age = document.getElementById("age");
  let heard = performance.now(), busy = false;
  async function look() {
    if (busy || document.hidden) return;
    busy = true;
    try {
      const answer = await fetch(location.href, { signal: AbortSignal.timeout(4000) });
      if (answer.ok) {
        const next = new DOMParser().parseFromString(await answer.text(), "text/html");
        for (const part of box.querySelectorAll("[data-part]")) {
          const other = next.getElementById(part.id);
          if (other && other.innerHTML !== part.innerHTML) part.innerHTML = other.innerHTML;
        }
        document.title = next.title;
        heard = performance.now();
      }
    } catch { /* told below */ }
    busy = false;
    const silent = (performance.now() - heard) / 1000;
    document.documentElement.classList.toggle("lost", silent > 5);
    if (silent > 5) age.textContent = `${box.dataset.silent} ${Math.round(silent)} s`;
  }
  setInterval(look, 1000);
})();
