// The script keeps what an assessor marks as one goes. What cannot be sent stays on the phone
// until it can.
"use strict";
(() => {
  const form = document.getElementById("ballot");
  if (!form) return;
  const said = document.getElementById("said");
  const prefix = `cup ${form.dataset.session} ${form.dataset.assessor} `;
  const id = () => `cup-${crypto.randomUUID?.() ?? `${Math.random()}-${Date.now()}`}`;
  const waits = () => Object.keys(localStorage).filter((k) => k.startsWith(prefix));
  let timer = 0, busy = false;
  function say(text, failed) {
    said.textContent = text;
    said.classList.toggle("failed", failed);
  }
  function changed() {
    const fields = new URLSearchParams(new FormData(form));
    fields.delete("token");
    fields.set("request", id());
    localStorage.setItem(prefix + form.code.value, fields.toString());
    say(form.dataset.saving, false);
    clearTimeout(timer);
    timer = setTimeout(send, 300);
  }
  // One at a time, so that an older state never comes after a newer one.
  async function send() {
    if (busy) return;
    busy = true;
    let again = 0;
    for (const key of waits()) {
      const body = localStorage.getItem(key);
      let answer = null;
      try {
        answer = await fetch(form.action, { method: "POST", headers: { "X-Board-Token": document.body.dataset.token }, body: new URLSearchParams(body) });
      } catch { /* not reached */ }
      if (!answer || answer.status >= 500) {
        say(form.dataset.waiting, true);
        again = 3000;
        break;
      }
      if (localStorage.getItem(key) === body) localStorage.removeItem(key); else again = 50;
      if (!answer.ok) {
        say((await answer.text()).trim(), true);
        continue;
      }
      const kept = await answer.json();
      if (String(kept.Code) === form.code.value) say(kept.Text, false);
      const chip = document.getElementById(`chip-${kept.Code}`);
      if (chip) {
        chip.className = `chip ${kept.State}`;
        chip.querySelector(".sign").textContent = kept.State === "whole" ? "✓" : "…";
      }
    }
    busy = false;
    if (again) setTimeout(send, again);
  }
  form.addEventListener("input", changed);
  form.addEventListener("submit", (e) => { e.preventDefault(); changed(); });
  document.querySelector(".chip[aria-current]")?.scrollIntoView({ inline: "center", block: "nearest" });
  // What was left unsent when the page was closed: sent first, then shown.
  if (waits().length) {
    const own = localStorage.getItem(prefix + form.code.value);
    send().then(() => { if (own && !waits().includes(prefix + form.code.value)) location.reload(); });
  }
})();
