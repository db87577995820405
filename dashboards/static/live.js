// Keeps the board fresh: listens to the live feed (which resumes by itself after a break),
// fetches what the page says in words, and says whether it is live.
"use strict";

(() => {
  const BOARD_EVERY_MS = 2000;
  const AGES_EVERY_MS = 10000;
  const CHARTS_EVERY_MS = 30000;

  const sign = document.getElementById("live");
  const hours = sign.dataset.hours;

  function say(state, text) {
    if (sign.dataset.state === state) return;
    sign.dataset.state = state;
    sign.textContent = text;
  }

  async function board() {
    const now = await fetch("/room/now").then((reply) => reply.json());
    for (const [id, said] of Object.entries(now)) {
      const line = document.querySelector(`[data-channel="${id}"]`);
      if (!line) continue;
      line.querySelector(".value").textContent = said.value;
      line.querySelector(".age").textContent = said.age;
      line.classList.toggle("silent", said.silent);
    }
  }

  async function charts() {
    const now = await fetch(`/room/charts?hours=${hours}`).then((reply) => reply.json());
    for (const [id, trend] of Object.entries(now.trends)) {
      document.querySelector(`[data-channel="${id}"] .trend path`)?.setAttribute("d", trend);
    }
    for (const [id, datasets] of Object.entries(now.figures)) {
      const figure = document.getElementById(id);
      if (figure?.dataset.drawn) await window.vatsideCharts.redraw(figure, datasets);
    }
  }

  // One fetch of a kind at a time; a failed one is made up for by the next.
  function paced(act, everyMs) {
    let busy = false;
    let last = 0;
    return async () => {
      if (busy || document.hidden || Date.now() - last < everyMs) return;
      busy = true;
      last = Date.now();
      try { await act(); } catch { /* the feed's own state says that we are cut off */ }
      busy = false;
    };
  }

  const freshBoard = paced(board, BOARD_EVERY_MS);
  const freshCharts = paced(charts, CHARTS_EVERY_MS);
  const fresh = () => { freshBoard(); freshCharts(); };

  const feed = new EventSource("/api/live");
  feed.addEventListener("open", () => say("live", "Live"));
  feed.addEventListener("error", () => say("again", "Reconnecting … values may be old"));
  for (const kind of ["message", "readings", "changes"]) feed.addEventListener(kind, fresh);
  setInterval(fresh, AGES_EVERY_MS);
  document.addEventListener("visibilitychange", fresh);
  window.addEventListener("pagehide", () => feed.close());
})();
