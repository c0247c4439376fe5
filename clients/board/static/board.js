// The script keeps the bench up to date, and gives it keys, sound and a cursor over the
// plots. Whatever it shows was made by the board; it computes nothing.
"use strict";
(() => {
  const body = document.body.dataset;
  const bench = document.getElementById("bench");
  const post = (path, fields) => fetch(body.base + path, {
    method: "POST", headers: { "X-Board-Token": body.token }, body: new URLSearchParams(fields),
  });

  // Toasts say what became of what was done.
  const toasts = document.getElementById("toasts");
  function toast(text, failed, button, press) {
    const box = document.createElement("div");
    box.className = failed ? "toast failed" : "toast";
    box.append(Object.assign(document.createElement("span"), { textContent: text }));
    if (button) {
      const b = Object.assign(document.createElement("button"), { type: "button", textContent: button });
      b.addEventListener("click", () => { box.remove(); press(); });
      box.append(b);
    }
    toasts.append(box);
    while (toasts.children.length > 4) toasts.firstChild.remove();
    setTimeout(() => box.remove(), failed ? 15000 : 9000);
    return box;
  }

  // The clock of the lab, which in a simulation is faster.
  const clock = { lab: bench ? +bench.dataset.lab : 0, rate: bench ? +bench.dataset.rate : 1, at: performance.now() };
  const now = () => clock.lab + (performance.now() - clock.at) * clock.rate;
  function long(ms) {
    const s = Math.round(Math.abs(ms) / 1000), two = (n) => String(n).padStart(2, "0");
    if (s >= 3600) return `${Math.floor(s / 3600)} h ${two(Math.floor(s / 60) % 60)}`;
    return `${Math.floor(s / 60)}:${two(s % 60)}`;
  }
  const SVG = "http://www.w3.org/2000/svg";
  function tick() {
    const t = now();
    for (const e of document.querySelectorAll("[data-due]")) e.textContent = (e.dataset.due < t ? "+" : "") + long(e.dataset.due - t);
    for (const e of document.querySelectorAll("[data-clock]")) e.textContent = new Date(t).toLocaleTimeString([], { timeStyle: "short", hourCycle: "h23" });
    for (const e of document.querySelectorAll("[data-since]")) e.textContent = long(t - e.dataset.since);
    for (const plot of bench.querySelectorAll(".plot svg.chart")) {
      let line = plot.querySelector(":scope > line.ink-now");
      if (!line) {
        line = document.createElementNS(SVG, "line");
        line.setAttribute("class", "ink-now");
        line.setAttribute("y2", "100%");
        plot.append(line);
      }
      const x = 100 * (t / 1000 - plot.dataset.from) / (plot.dataset.to - plot.dataset.from) + "%";
      line.setAttribute("x1", x);
      line.setAttribute("x2", x);
    }
  }

  // What comes is put in place of what was there; not under a finger that presses it.
  let pressed = false;
  const waiting = new Map();
  addEventListener("pointerdown", () => { pressed = true; }, true);
  for (const end of ["pointerup", "pointercancel"]) addEventListener(end, () => setTimeout(() => {
    pressed = false;
    for (const [id, html] of waiting) put(id, html);
    waiting.clear();
  }, 60), true);
  function put(id, html) {
    const box = document.getElementById(id);
    if (!box) return;
    if (pressed && box.querySelector("button, a")) { waiting.set(id, html); return; }
    waiting.delete(id);
    const key = box.contains(document.activeElement) ? document.activeElement.dataset.k : "";
    box.innerHTML = html;
    if (key) box.querySelector(`[data-k="${CSS.escape(key)}"]`)?.focus({ preventScroll: true });
  }

  // Sound: two rising tones when something is due that was not.
  const sound = document.getElementById("sound");
  let audio = null;
  function tone(pitch, after) {
    if (!audio) return;
    const o = audio.createOscillator(), g = audio.createGain(), t = audio.currentTime + after;
    o.frequency.value = pitch;
    g.gain.setValueAtTime(0.0001, t);
    g.gain.exponentialRampToValueAtTime(0.4, t + 0.02);
    g.gain.exponentialRampToValueAtTime(0.0001, t + 0.28);
    o.connect(g).connect(audio.destination);
    o.start(t);
    o.stop(t + 0.3);
  }
  sound?.addEventListener("click", () => {
    const on = sound.getAttribute("aria-pressed") !== "true";
    sound.setAttribute("aria-pressed", on);
    sound.textContent = on ? sound.dataset.loud : sound.dataset.quiet;
    if (!on) { audio?.close(); audio = null; return; }
    audio = new AudioContext();
    tone(660, 0);
  });
  let due = null;
  function announce() {
    const list = [...document.querySelectorAll(".hand.due")];
    const fresh = due ? list.filter((h) => !due.has(h.dataset.hand)) : [];
    due = new Set(list.map((h) => h.dataset.hand));
    if (!fresh.length) return;
    document.getElementById("said").textContent = fresh.map((h) => h.querySelector(".what").textContent).join(". ");
    tone(587, 0);
    tone(880, 0.22);
  }

  // The stream of what changes. Silence means that what is seen is old.
  let heard = performance.now(), source = null;
  function unheard(is) {
    document.getElementById("unheard").hidden = !is;
    bench.classList.toggle("unheard", is);
  }
  function listen() {
    source?.close();
    source = new EventSource(`${body.base}live?drums=${encodeURIComponent(bench.dataset.drums)}`);
    source.addEventListener("beat", () => { heard = performance.now(); unheard(false); });
    source.onmessage = (e) => {
      const m = JSON.parse(e.data);
      if (m.reload) { location.reload(); return; }
      heard = performance.now();
      unheard(false);
      Object.assign(clock, { lab: m.lab, rate: m.rate, at: heard });
      for (const [id, html] of Object.entries(m.html ?? {})) put(id, html);
      for (const [id, more] of Object.entries(m.path ?? {})) {
        const path = document.getElementById(id);
        path?.setAttribute("d", path.getAttribute("d") + more);
      }
      tick();
      announce();
    };
  }
  function watchStream() {
    const silent = performance.now() - heard;
    if (silent > 7000) unheard(true);
    if (source.readyState === EventSource.CLOSED || silent > 20000) { heard = performance.now() - 7001; listen(); }
  }

  // Marks are set at once, by a finger or a key. One that cannot be sent is kept and sent
  // later, with the time at which it was set.
  let last = null;
  function mark(form, kind, word) {
    const fields = { station: form.station.value, roast: form.roast.value, kind, request: `board-${crypto.randomUUID?.() ?? Math.random()}` };
    const at = performance.now();
    for (const b of form.querySelectorAll("button")) b.disabled = true;
    setTimeout(() => { for (const b of form.querySelectorAll("button")) b.disabled = false; }, 1200);
    let told = null;
    const send = async () => {
      const ago = Math.round(performance.now() - at);
      let answer;
      try {
        answer = await post("marks", ago > 500 ? { ...fields, ago } : fields);
      } catch { /* not reached */ }
      if (!answer || answer.status === 503) {
        if (ago > 600000) return;
        if (!told?.isConnected) told = toast(`${word}, ${fields.station}: ${body.waiting}`, true);
        setTimeout(send, 1000);
        return;
      }
      told?.remove();
      const text = await answer.text();
      if (!answer.ok) { toast(text, true); tone(220, 0); return; }
      last = { kind, roast: answer.headers.get("X-Board-Roast") };
      toast(text, false, `${body.undo} (U)`, undo);
      tone(990, 0);
    };
    send();
  }
  async function undo() {
    if (!last) return;
    const what = last;
    last = null;
    const answer = await post("marks", { ...what, withdraw: "1", reason: body.undone }).catch(() => null);
    toast(answer ? await answer.text() : body.waiting, !answer?.ok);
  }
  async function quiet(form) {
    const answer = await post(form.getAttribute("action").slice(body.base.length), Object.fromEntries(new FormData(form))).catch(() => null);
    toast(answer ? await answer.text() : body.waiting, !answer?.ok);
  }
  addEventListener("submit", (e) => {
    if (e.target.matches("form[data-mark]") && e.submitter) {
      e.preventDefault();
      mark(e.target, e.submitter.value, e.submitter.lastChild.textContent.trim());
    } else if (e.target.matches("form[data-quiet]")) {
      e.preventDefault();
      quiet(e.target);
    }
  });

  // Keys. A scanner types faster than people, and ends with Enter.
  let typed = "", typedAt = 0;
  addEventListener("keydown", (e) => {
    if (e.target.matches("input, select, textarea") || e.ctrlKey || e.altKey || e.metaKey) return;
    const t = performance.now(), fast = t - typedAt < 50;
    typedAt = t;
    if (e.key === "Enter") {
      const code = fast && typed.length >= 4 ? typed : "";
      typed = "";
      if (code) { e.preventDefault(); location.href = `${body.base}scan?code=${encodeURIComponent(code)}`; }
      return;
    }
    if (e.key.length === 1) typed = fast ? typed + e.key : e.key;
    if (e.repeat || (fast && typed.length > 1)) return;
    if (e.key === "/") { e.preventDefault(); document.getElementById("scan-code").focus(); return; }
    if (!bench) return;
    const lane = document.activeElement?.closest(".lane");
    if (/^[1-9]$/.test(e.key)) document.querySelector(`.lane[data-key="${e.key}"] .next, .lane[data-key="${e.key}"] a`)?.focus();
    else if (e.key === "m" || e.key === "M") {
      const more = lane?.querySelector(".mark details");
      if (more) { more.open = true; more.querySelector("button").focus(); }
    } else if (e.key === "u" || e.key === "U") undo();
    else if (e.key === "Escape") lane?.querySelector(".mark details[open]")?.removeAttribute("open");
  });

  // The cursor over a plot reads the curves where it is.
  function at(path, x) {
    let best = null, near = 60;
    for (const [, px, py] of path.getAttribute("d").matchAll(/[ML](-?\d+),(-?\d+)/g)) {
      const d = Math.abs(px - x);
      if (d < near) { near = d; best = +py; }
    }
    return best;
  }
  function read(plot, x) {
    const chart = plot.querySelector("svg.chart");
    const time = +chart.dataset.from + x * (chart.dataset.to - chart.dataset.from);
    const zero = +chart.dataset.zero;
    const words = [zero || chart.dataset.from < 1e6 ? long((time - zero) * 1000) : new Date(time * 1000).toLocaleTimeString([], { timeStyle: "short" })];
    for (const field of chart.querySelectorAll(".field")) {
      for (const path of field.querySelectorAll(".curve")) {
        const y = at(path, x * 10000);
        if (y === null) continue;
        const v = field.dataset.max - (y / 1000) * (field.dataset.max - field.dataset.min);
        words.push(`${path.dataset.name} ${v.toFixed(1)} ${field.dataset.unit}`);
      }
    }
    let line = chart.querySelector("line.cursor"), box = plot.querySelector(".readout");
    if (!line) {
      line = document.createElementNS(SVG, "line");
      line.setAttribute("class", "cursor");
      line.setAttribute("y2", "100%");
      chart.append(line);
    }
    if (!box) {
      box = Object.assign(document.createElement("div"), { className: "readout" });
      plot.append(box);
    }
    line.setAttribute("x1", `${100 * x}%`);
    line.setAttribute("x2", `${100 * x}%`);
    box.textContent = words.join(" · ");
  }
  const over = (e) => e.target.closest?.(".plot, .figure");
  addEventListener("pointermove", (e) => {
    const plot = over(e);
    if (!plot?.querySelector("svg.chart")) return;
    const r = plot.getBoundingClientRect();
    read(plot, Math.min(1, Math.max(0, (e.clientX - r.left) / r.width)));
  });
  addEventListener("pointerout", (e) => {
    const plot = over(e);
    if (!plot || plot.contains(e.relatedTarget)) return;
    plot.querySelector(".readout")?.remove();
    plot.querySelector("line.cursor")?.remove();
  });

  if (bench) {
    listen();
    tick();
    setInterval(tick, 250);
    setInterval(watchStream, 1000);
  }
})();
