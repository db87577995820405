// Forms on a bad connection. What is typed in a form marked data-draft is kept in this browser
// until the form has gone through, so that a reload or a lost connection costs nothing. A form is
// sent only when vatside can be reached, and once. Without script forms still work.
"use strict";

(() => {
  const REACH_MS = 10000;  // as long is waited for a sign of vatside
  const AGAIN_MS = 20000;  // as long a form that was sent is not sent again by a second tap
  const nameOf = (form) => `vatside-draft:${form.dataset.draft}`;
  // Hidden fields say which form this is: its key, and the revision it was made from.
  const isOwn = (field) => field.type === "hidden" && ["key", "revision"].includes(field.name);
  const fieldsOf = (form) => [...form.elements].filter((field) =>
    field.name && !["submit", "file"].includes(field.type)
    && (field.type !== "hidden" || isOwn(field)));

  function kept(form) {
    try { return JSON.parse(localStorage.getItem(nameOf(form))); } catch { return null; }
  }

  function keep(form) {
    const values = fieldsOf(form).map((field) =>
      ["radio", "checkbox"].includes(field.type)
        ? [field.name, field.value, field.checked] : [field.name, null, field.value]);
    try { localStorage.setItem(nameOf(form), JSON.stringify(values)); } catch { /* full or off */ }
  }

  function restore(form, values) {
    const waiting = fieldsOf(form);
    for (const [name, value, state] of values) {
      const at = waiting.findIndex((field) =>
        field.name === name && (value === null || field.value === value));
      if (at < 0) continue;
      const [field] = waiting.splice(at, 1);
      const was = value === null ? field.value : field.checked;
      if (value === null) field.value = state; else field.checked = state;
      if (was !== state) field.closest("details")?.setAttribute("open", "");
    }
  }

  function offer(form, own) {
    const note = document.createElement("p");
    note.className = "notice";
    note.setAttribute("role", "status");
    note.textContent = "What you typed before is still here. ";
    const drop = document.createElement("button");
    drop.type = "button";
    drop.textContent = "Start afresh";
    drop.addEventListener("click", () => {
      localStorage.removeItem(nameOf(form));
      form.reset();
      for (const [field, value] of own) field.value = value;
      note.remove();
      form.dispatchEvent(new Event("restored"));
    });
    note.append(drop);
    form.prepend(note);
    for (let fold = form.closest("details"); fold; fold = fold.parentElement.closest("details")) {
      fold.open = true;
    }
  }

  // The server names the drafts that have gone through in the address it sends us on to.
  const here = new URL(location.href);
  const through = here.searchParams.get("kept");
  if (through) {
    localStorage.removeItem(`vatside-draft:${through}`);
    here.searchParams.delete("kept");
    history.replaceState(null, "", here);
  }

  for (const form of document.querySelectorAll("form[data-draft]")) {
    const values = kept(form);
    if ("typed" in form.dataset) {
      keep(form);  // the server has just shown again what was typed, perhaps over another's change
    } else if (values) {
      const own = fieldsOf(form).filter(isOwn).map((field) => [field, field.value]);
      restore(form, values);
      offer(form, own);
      form.dispatchEvent(new Event("restored"));
    }
    form.addEventListener("input", () => keep(form));
    form.addEventListener("change", () => keep(form));
  }

  // ---- sending ---------------------------------------------------------------------------------

  const cut = document.createElement("p");
  cut.className = "cut-off";
  cut.setAttribute("role", "alert");
  cut.hidden = true;
  document.querySelector("main").append(cut);

  function say(words) {
    cut.textContent = words;
    cut.hidden = !words;
  }

  async function reached() {
    const giveUp = new AbortController();
    const timer = setTimeout(() => giveUp.abort(), REACH_MS);
    try {
      return (await fetch("/reach", { cache: "no-store", signal: giveUp.signal })).ok;
    } catch {
      return false;
    } finally {
      clearTimeout(timer);
    }
  }

  document.addEventListener("submit", async (event) => {
    const form = event.target;
    if (form.method !== "post" || form.dataset.sending === "now") return;
    event.preventDefault();
    if (form.dataset.sending) return;  // a second tap while the first is on its way
    form.dataset.sending = "asking";
    if (form.dataset.draft) keep(form);
    if (await reached()) {
      say("");
      form.dataset.sending = "now";
      form.requestSubmit(event.submitter);
      form.dataset.sending = "gone";
      setTimeout(() => { delete form.dataset.sending; }, AGAIN_MS);
      return;
    }
    delete form.dataset.sending;
    say(form.dataset.draft
      ? "No connection to vatside: nothing was sent. What you typed is kept here, over a reload "
        + "too. Send it again when the connection is back."
      : "No connection to vatside: nothing was noted. Tap again when the connection is back.");
  });

  window.addEventListener("online", () => { if (!cut.hidden) say("The connection is back. Send it again now."); });
  window.addEventListener("pageshow", () => {
    for (const form of document.forms) delete form.dataset.sending;
  });

  for (const field of document.querySelectorAll("input[type=file][data-send]")) {
    field.addEventListener("change", () => {
      const [picture] = field.files;
      if (!picture) return;
      const most = Number(field.dataset.most);
      if (picture.size > most) {
        field.value = "";
        say(`This picture is too large: ${(picture.size / 1048576).toFixed(0)} MiB. `
          + `Take one of at most ${most / 1048576} MiB.`);
        return;
      }
      field.form.requestSubmit();
    });
  }
})();
