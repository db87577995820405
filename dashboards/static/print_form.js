// The form of a new print: what it would put on record, how long it takes and what is unusual,
// told anew after every change; another plate brings its own parts. Without script the form has a
// button that does the same.
"use strict";

(() => {
  const WAIT_MS = 400;
  const place = document.getElementById("summary");
  const form = place.closest("form");
  const parts = form.elements.parts;
  const go = form.querySelector(".reach button");
  const atOnce = go.textContent;

  let timer;
  async function tell() {
    const timed = form.elements.start?.value || form.elements.end?.value;
    go.textContent = timed ? "Put on record" : atOnce;
    try {
      const answer = await fetch("/prints/new/summary", {
        method: "POST", body: new URLSearchParams(new FormData(form)),
      });
      if (answer.ok) place.innerHTML = await answer.text();
    } catch { /* cut off: the summary stays as it was, and sending says so */ }
  }

  function soon() {
    clearTimeout(timer);
    timer = setTimeout(tell, WAIT_MS);
  }

  function fitBottles() {
    const bottle = form.elements.bottle;
    if (!bottle) return;
    const resin = form.elements.resin.value;
    for (const option of bottle.options) {
      option.hidden = Boolean(option.value) && option.dataset.resin !== resin;
    }
    if (bottle.selectedOptions[0]?.hidden) bottle.value = "";
  }

  let filledIn = parts.value;
  form.addEventListener("change", (event) => {
    const brings = event.target.dataset.parts;
    if (event.target.name === "plate" && brings && (parts.value === filledIn || !parts.value)) {
      parts.value = filledIn = brings;
    }
    if (event.target.name === "resin") fitBottles();
    soon();
  });
  form.addEventListener("input", soon);
  form.addEventListener("restored", () => { fitBottles(); tell(); });
  fitBottles();
  // What was kept here before the page loaded is back in the form already.
  if (form.querySelector(".notice[role=status]")) tell();
})();
