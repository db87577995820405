// Keeps a page fresh: listens to the live feed (which resumes by itself after a break), fetches
// what the page says in words, and says whether it is live. The page names where to ask.
"use strict";

(() => {
  const WORDS_EVERY_MS = 2000;
  const AGES_EVERY_MS = 10000;
  const ADVICE_EVERY_MS = 5000;
  const CHARTS_EVERY_MS = 30000;
  const AGAIN_MS = 2000;

  const sign = document.getElementById("live");

  function say(state, text) {
    if (sign.dataset.state === state) return;
    sign.dataset.state = state;
    sign.textContent = text;
  }

  const ask = (address) => fetch(address).then((reply) => {
    if (!reply.ok) throw new Error(`${address} answered ${reply.status}`);
    return reply.json();
  });

  function putTexts(texts) {
    for (const [name, text] of Object.entries(texts)) {
      const place = document.querySelector(`[data-live="${name}"]`);
      if (place && place.textContent !== text) place.textContent = text;
    }
  }

  // Advice of any number of sentences; what stays the same is not touched.
  function putParagraphs(paragraphs) {
    for (const [name, sentences] of Object.entries(paragraphs)) {
      const place = document.querySelector(`[data-paragraphs="${name}"]`);
      if (!place || [...place.children].map((p) => p.textContent).join("\n") === sentences.join("\n")) continue;
      place.replaceChildren(...sentences.map((sentence) => {
        const paragraph = document.createElement("p");
        paragraph.textContent = sentence;
        return paragraph;
      }));
    }
  }

  async function freshAdvice() {
    const now = await ask(sign.dataset.ready);
    putTexts(now.texts);
    putParagraphs(now.paragraphs);
  }

  async function freshWords() {
    const now = await ask(sign.dataset.now);
    putTexts(now.texts);
    for (const [name, on] of Object.entries(now.marks)) {
      document.querySelector(`[data-channel="${name}"]`)?.classList.toggle("silent", on);
    }
  }

  async function freshCharts() {
    const now = await ask(sign.dataset.charts);
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
    let last = Date.now();
    return async () => {
      if (busy || document.hidden || Date.now() - last < everyMs) return;
      busy = true;
      last = Date.now();
      try { await act(); } catch { /* the feed's own state says that we are cut off */ }
      busy = false;
    };
  }

  const words = paced(freshWords, WORDS_EVERY_MS);
  const charts = sign.dataset.charts ? paced(freshCharts, CHARTS_EVERY_MS) : () => {};
  const advice = sign.dataset.ready ? paced(freshAdvice, ADVICE_EVERY_MS) : () => {};
  const fresh = () => { words(); advice(); charts(); };

  // The browser takes the feed up again by itself after a break, unless it was answered with an
  // error (a server or a proxy that is just starting): then it gives up, and we do it.
  let feed;
  function listen() {
    feed = new EventSource("/api/live");
    feed.addEventListener("open", () => say("live", "Live"));
    feed.addEventListener("error", () => {
      say("again", "Reconnecting … values may be old");
      if (feed.readyState === EventSource.CLOSED) setTimeout(listen, AGAIN_MS);
    });
    for (const kind of ["begin", "readings", "reload"]) feed.addEventListener(kind, fresh);
  }

  listen();
  setInterval(fresh, AGES_EVERY_MS);
  document.addEventListener("visibilitychange", fresh);
  window.addEventListener("pagehide", () => feed.close());
  // A page that is gone back to comes out of the browser's memory with its feed closed.
  window.addEventListener("pageshow", (event) => { if (event.persisted) listen(); });
})();
