// Tells what a soak run has to say: keeps the list of notices fresh and, once the person has asked
// for it, rings and shows a notice. Each is told once, over reloads too: its key says which it is.
"use strict";

(() => {
  const ASK_EVERY_MS = 5000;
  const ALARM_EVERY_MS = 60000;
  const TOLD_MOST_N = 200;

  const box = document.getElementById("notices");
  const list = box.querySelector("ul");
  const button = box.querySelector("button");
  const state = box.querySelector("[data-bell]");
  const toldName = `vatside-told:${box.dataset.soak}`;

  const read = (name, otherwise) => {
    try { return JSON.parse(localStorage.getItem(name)) ?? otherwise; } catch { return otherwise; }
  };
  const write = (name, value) => {
    try { localStorage.setItem(name, JSON.stringify(value)); } catch { /* full or off */ }
  };

  let sound = null;
  let alarmedAt = 0;
  let wanted = read("vatside-bell", false);

  // Two tones made here: no file, nothing to load. An alarm is higher and comes three times.
  function ring(alarming) {
    if (!sound || sound.state !== "running") return;
    const tones = alarming ? [880, 660, 880, 660, 880, 660] : [523, 659];
    tones.forEach((pitch, n) => {
      const at = sound.currentTime + n * 0.22;
      const tone = sound.createOscillator();
      const loud = sound.createGain();
      tone.frequency.value = pitch;
      loud.gain.setValueAtTime(0.0001, at);
      loud.gain.exponentialRampToValueAtTime(0.4, at + 0.03);
      loud.gain.exponentialRampToValueAtTime(0.0001, at + 0.2);
      tone.connect(loud).connect(sound.destination);
      tone.start(at);
      tone.stop(at + 0.21);
    });
    box.dataset.rung = String(Number(box.dataset.rung || 0) + 1);
  }

  function show(notice) {
    if (!("Notification" in window) || Notification.permission !== "granted") return;
    try {
      new Notification(document.querySelector("h1").textContent, { body: notice.said, tag: notice.key });
    } catch { /* some phones want a worker for this; the bell and the page still tell */ }
  }

  function draw(notices) {
    const before = [...list.children].map((item) => item.dataset.key + item.textContent).join();
    if (before === notices.map((one) => one.key + one.said).join()) return;
    list.replaceChildren(...notices.map((one) => {
      const item = document.createElement("li");
      item.dataset.key = one.key;
      item.className = one.alarming ? "notice wrong" : "notice";
      item.textContent = one.said;
      return item;
    }));
  }

  function tell(notices) {
    if (!wanted) return;
    const told = read(toldName, []);
    const fresh = notices.filter((one) => !told.includes(one.key));
    const alarm = notices.some((one) => one.alarming);
    const again = alarm && Date.now() - alarmedAt > ALARM_EVERY_MS;
    if (fresh.length || again) {
      ring(alarm);
      if (alarm) alarmedAt = Date.now();
    }
    fresh.forEach(show);
    if (fresh.length) write(toldName, [...told, ...fresh.map((one) => one.key)].slice(-TOLD_MOST_N));
  }

  async function ask() {
    try {
      const reply = await fetch(box.dataset.ask, { cache: "no-store" });
      if (!reply.ok) return;
      const notices = await reply.json();
      draw(notices);
      tell(notices);
    } catch { /* the page says by itself that it is cut off */ }
  }

  function said() {
    const hushed = wanted && (!sound || sound.state !== "running");
    button.textContent = wanted ? "Stop ringing" : "Ring when something is to be done";
    button.setAttribute("aria-pressed", String(wanted));
    state.textContent = hushed ? "The browser is silent until you tap the page once." : "";
  }

  function wake() {
    if (!wanted) return;
    sound ??= new AudioContext();
    sound.resume().then(said, said);
  }

  button.hidden = false;
  button.addEventListener("click", () => {
    wanted = !wanted;
    write("vatside-bell", wanted);
    if (wanted) {
      wake();
      if ("Notification" in window && Notification.permission === "default") Notification.requestPermission();
      ask();
    }
    said();
  });
  for (const kind of ["pointerdown", "keydown"]) document.addEventListener(kind, wake, { once: true });
  said();
  ask();
  setInterval(ask, ASK_EVERY_MS);
})();
