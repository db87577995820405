// Keeps what is typed in a form marked data-draft in this browser until the form has gone
// through, so that a reload or a lost connection costs nothing. Without script forms still work.
"use strict";

(() => {
  const nameOf = (form) => `vatside-draft:${form.dataset.draft}`;
  const fieldsOf = (form) => [...form.elements].filter(
    (field) => field.name && field.type !== "hidden" && field.type !== "submit");

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
      if (value === null) field.value = state; else field.checked = state;
    }
  }

  function offer(form) {
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
      note.remove();
    });
    note.append(drop);
    form.prepend(note);
    form.closest("details")?.setAttribute("open", "");
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
    if (values) { restore(form, values); offer(form); }
    form.addEventListener("input", () => keep(form));
    form.addEventListener("change", () => keep(form));
  }
})();
