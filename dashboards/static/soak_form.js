// The form of a new soak run: what its program comes to and when it would be done, told anew after
// every change. Without script the form has a button that does the same.
"use strict";

(() => {
  const WAIT_MS = 400;
  const place = document.getElementById("plan");
  const form = place.closest("form");
  const steps = form.elements.steps;

  let timer;
  async function tell() {
    try {
      const answer = await fetch("/soak/plan", {
        method: "POST", body: new URLSearchParams(new FormData(form)),
      });
      if (answer.ok) place.innerHTML = await answer.text();
    } catch { /* cut off: it stays as it was, and sending says so */ }
  }

  function soon() {
    clearTimeout(timer);
    timer = setTimeout(tell, WAIT_MS);
  }

  // Whoever types steps means own steps.
  steps.addEventListener("input", () => {
    if (steps.value.trim()) form.querySelector('input[name="program"][value="own"]').checked = true;
  });
  form.querySelector("[data-noscript]").hidden = true;
  form.addEventListener("input", soon);
  form.addEventListener("change", soon);
  form.addEventListener("restored", tell);
  // What was kept here before the page loaded is back in the form already.
  if (form.querySelector(".notice[role=status]")) tell();
})();
