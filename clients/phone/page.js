// The page behind the player's thumb. Rule of this file: it only shows what the daemon tells and sends lines of the
// command table; it says plainly when it is not connected, and nothing that is old sets anything going.
"use strict";

const STOP = "\x18";
const LOOK_MS = 1000, SILENT_MS = 3000, FRESH_MS = 2000, SETTLE_MS = 800, RETRY_MS = [300, 1000, 2000, 3000], OFFLINE_MS = 10000;
const CODE = /^#pair=([0-9]{6})$/;
// The words of the page come from texts.js, which the server writes from the catalogue.
const say = (id, values = {}) => TEXTS[id].replace(/\{(\w+)\}/g, (_, name) => values[name]);
const NOT_HERE = TEXTS["list.not-here"].split("{")[0].trim();
const RUNNING = ["SPINUP", "FEEDING", "RESTING", "PAUSED"];
const el = (id) => document.getElementById(id);
const show = (id, text) => { const node = el(id); if (node.textContent !== text) node.textContent = text; };
const blank = (value) => value === null || value === undefined ? "" : String(value);

let plain = false, socket = null, asked = [], data = [], tries = 0, retry = 0;
let status = null, seenAt = 0, heardAt = 0, lostAt = Date.now(), looking = false;
let role = "anyone", goal = null, goalSince = 0, drillsShown = "", awake = null;

// ---- The line: one reply a line, in order; notices in between.

function connect() {
  clearTimeout(retry);
  if (socket) { socket.onclose = null; socket.close(); }
  asked = []; data = []; looking = false;
  // A page that holds a key or a code has a place kept for it; if that fails, it tries as any page once.
  const kept = !plain && (CODE.test(location.hash) || localStorage.getItem("key"));
  plain = Boolean(kept);
  socket = new WebSocket(`ws://${location.host}/${kept ? "paired" : "lines"}`);
  socket.onopen = () => {
    heardAt = Date.now();
    pairAgain();
    ask("watch json", () => {});
    look();
  };
  socket.onmessage = (event) => { heardAt = Date.now(); event.data.split("\n").forEach(hear); };
  socket.onclose = (event) => lose(event.reason);
}

function lose(why) {
  if (status || why) tell(why || "");  // an answer of the small door stays
  if (status || !lostAt) lostAt = Date.now();
  status = null; role = "anyone"; socket = null;
  draw();
  clearTimeout(retry);
  // A device that says it has no network is believed for a while: it tells when it has one again.
  retry = setTimeout(connect, navigator.onLine ? RETRY_MS[Math.min(tries++, RETRY_MS.length - 1)] : OFFLINE_MS);
}

function open() { return socket && socket.readyState === WebSocket.OPEN; }

function ask(line, answered) {
  if (!open()) { tell(say("page.not-sent")); return; }
  asked.push(answered || ((ok, text) => tell(text)));
  socket.send(line);
}

function hear(line) {
  if (line.startsWith("|")) { data.push(line.slice(2)); return; }
  if (line.startsWith("!")) { notice(line.slice(2)); return; }
  const ok = line.startsWith("done "), lines = data;
  data = [];
  const text = ok ? line.split(" ").slice(2).join(" ") : say("page.refused", { why: line.split(" ").slice(3).join(" ") });
  const answered = asked.shift();
  if (answered) answered(ok, text, lines, ok ? "" : line.split(" ")[2]);
}

function notice(text) {
  let told = { topic: text.split(" ")[0], text, cue: null };
  if (text.startsWith("{")) { try { told = JSON.parse(text); } catch { return; } }
  if (["state", "fault", "hopper", "change", "offer", "stop", "log", "mark", "missed"].includes(told.topic)) tell(told.text);
  if (told.cue) beep(told.cue);
  look();
}

function look() {
  if (looking || !open()) return;
  looking = true;
  ask("status json", (ok, text, lines) => {
    looking = false;
    if (!ok) return;
    status = JSON.parse(lines.join(""));
    seenAt = Date.now(); lostAt = 0; tries = 0;
    draw();
  });
}

// ---- Pairing. The key stays in this browser; the code comes by hand or behind the # of the address.

function pairAgain() {
  const code = CODE.exec(location.hash);
  if (code) { history.replaceState(null, "", location.pathname); pair(code[1]); return; }
  const key = localStorage.getItem("key");
  if (key) pair(key);
}

function pair(secret) {
  ask(`pair ${secret}`, (ok, text, lines, code) => {
    if (ok) {
      for (const line of lines) {
        if (line.startsWith("role ")) role = line.slice(5);
        if (line.startsWith("key ")) localStorage.setItem("key", line.slice(4));
      }
      plain = false;
      ask("list drills", (fine, said, drills) => { if (fine) listDrills(drills); });
    } else if (secret.length > 6 && code === "not-paired") localStorage.removeItem("key");
    tell(text);
    draw();
  });
}

// ---- What is shown.

function tell(text) { show("told", text); }

function fresh() { return status && open() && Date.now() - seenAt < FRESH_MS; }

function ball(one) {
  if (!one) return "";
  const parts = [`${one.n} ${one.ball}`];
  if (one.result) parts.push(one.result + (one.reason ? ` (${one.reason})` : ""));
  if (one.fitted) return [...parts, one.fitted].join(", ");
  if (one.speed_mps !== null) parts.push(say("page.speed", { speed: one.speed_mps.toFixed(1) }));
  if (one.spin_revps !== null) parts.push(say("page.spin", { spin: (one.spin_revps >= 0 ? "+" : "") + one.spin_revps.toFixed(0) }));
  if (one.side_revps) parts.push(say("page.side", { side: (one.side_revps >= 0 ? "+" : "") + one.side_revps.toFixed(0) }));
  return parts.join(", ");
}

function next() {
  if (!fresh() || role !== "player") return null;
  if (status.state === "ARMED" && status.drill) return { text: say("page.start"), line: `start ${status.stop_count}` };
  if (status.state === "PAUSED") return { text: say("page.resume"), line: "resume" };
  if (status.state === "RESTING") return { text: say("page.next-set"), line: "ready" };
  if (status.state === "IDLE") return { text: say("page.arm"), line: "arm" };
  return null;
}

function coachNext() {
  if (!fresh() || role !== "coach") return null;
  const may = ["PAUSED", "RESTING"].includes(status.state) || (status.state === "ARMED" && status.drill);
  return may ? { text: say("page.offer"), line: "offer" } : null;
}

function draw() {
  document.body.classList.toggle("lost", !status);
  clock();
  const s = status || { counts: {}, faults: [], misfits: [], warnings: [] };
  const wanted = next() || coachNext();
  if ((wanted && wanted.line) !== (goal && goal.line)) goalSince = Date.now();
  goal = wanted;
  el("go").disabled = !goal;
  show("go", goal ? goal.text : say(role === "coach" ? "page.offer" : "page.go-on"));
  show("last", ball(s.last_ball)); show("next", ball(s.next_ball));
  show("set", s.set ? say("page.set", { set: s.set, sets: blank(s.sets), done: blank(s.set_done), balls: blank(s.set_balls) }) : "");
  show("commanded", status ? String(s.counts.commanded) : "");
  show("seen", blank(s.counts.seen)); show("made-so-far", blank(s.counts.made));
  show("hopper", s.hopper === null || s.hopper === undefined ? "" : say("page.hopper", { balls: s.hopper }));
  show("tempo", s.tempo_per_min ? say("page.tempo", { per_min: s.tempo_per_min }) : "");
  show("changes", [s.step, s.change_waits, s.queued && say("page.next-drill", { drill: s.queued })].filter(Boolean).join("; "));
  show("notes", [s.hint, ...s.faults, ...(s.misfits || []).map((one) => say("page.misfit", { what: one })), ...s.warnings].filter(Boolean).join("; "));
  el("offered").hidden = !(s.offer && role === "player");
  show("offer-text", s.offer ? say("page.offers", s.offer) : "");
  el("pairing").hidden = !status || role !== "anyone";
  el("change").hidden = el("drills").hidden = role === "anyone";
  el("made").hidden = role === "anyone" || !s.last_ball || !["RESTING", "ARMED", "IDLE", "STOPPING"].includes(s.state);
  show("who", say(role === "anyone" ? "page.unpaired" : "page.paired-as", { role }));
  el("forget").hidden = !localStorage.getItem("key");
  for (const button of document.querySelectorAll("[data-verb]")) {
    button.hidden = button.dataset.may === "player" && role !== "player";
    button.disabled = !status || !possible(button.dataset.verb);
  }
  for (const button of document.querySelectorAll("[data-drill]")) button.disabled = !status || !drillVerb();
}

function possible(verb) {
  const state = status.state;
  if (verb === "skip") return ["FEEDING", "RESTING", "PAUSED"].includes(state);
  if (verb === "disarm") return ["ARMED", "RESTING", "PAUSED"].includes(state);
  if (verb === "clear") return state === "FAULT";
  return Boolean(status.drill) && !["OFFLINE", "STOPPING", "QUICKSTOP", "FAULT"].includes(state);
}

function clock() {
  const age = (Date.now() - seenAt) / 1000, big = el("big");
  let text = "", words = false;
  if (!status) {
    show("state", say("page.not-connected"));
    text = lostAt ? `${Math.round((Date.now() - lostAt) / 1000)} s` : "";
    show("why", say("page.goes-on"));
  } else {
    show("state", status.state);
    show("why", status.reason || hint());
    if (status.countdown_s !== null) text = String(Math.max(0, Math.ceil(status.countdown_s - age)));
    else if (status.rest_s !== null) text = String(Math.max(0, Math.ceil(status.rest_s - age)));
    else if (RUNNING.includes(status.state) && status.set_balls) text = `${blank(status.set_done)} / ${status.set_balls}`;
    else if (status.drill) { text = status.drill; words = true; }
  }
  big.classList.toggle("long", text.length > 3);
  big.classList.toggle("words", words || text.length > 7);
  show("big", text);
}

function hint() {
  if (status.state === "IDLE") return status.drill ? say("page.loaded", status) : say("page.none-loaded");
  if (status.state === "ARMED") return status.drill ? say("page.look-then-start") : say("page.choose");
  if (status.state === "RESTING") return status.rest_waits ? say("page.waits") : say("page.next-by-itself");
  return status.simulated ? say("page.simulated") : "";
}

function drillVerb() {
  if (role === "player" && ["IDLE", "ARMED"].includes(status.state)) return "load";
  return RUNNING.includes(status.state) && role !== "anyone" ? "queue" : null;
}

function listDrills(lines) {
  if (lines.join("\n") === drillsShown) return;
  drillsShown = lines.join("\n");
  el("drill-list").replaceChildren(...lines.map((line) => {
    const [name, ...rest] = line.split(/\s{2,}/);
    const item = document.createElement("li"), text = document.createElement("p"), button = document.createElement("button");
    text.textContent = rest.join(" ");
    button.textContent = name;
    button.type = "button";
    button.dataset.drill = name;
    button.onclick = () => { const verb = status && drillVerb(); if (verb) ask(`${verb} ${name}`); };
    item.append(text);
    if (!line.includes(NOT_HERE)) item.prepend(button); else item.prepend(Object.assign(document.createElement("h3"), { textContent: name }));
    return item;
  }));
  draw();
}

// ---- Hands.

el("stop").onclick = () => {
  if (open()) { socket.send(STOP); tell(say("page.stop-sent")); } else knock(STOP);
};
el("pause").onclick = () => { if (open()) ask("pause"); else knock("pause"); };

// A page that has no place still has the small door.
function knock(word) {
  const door = new WebSocket(`ws://${location.host}/door`);
  let answered = false;
  tell(say("page.small-door"));
  door.onopen = () => door.send(word);
  door.onmessage = (event) => { answered = true; tell(event.data.replace(/^done \w+ ?/, "")); door.close(); };
  door.onclose = () => { if (!answered) tell(say("page.not-sent")); };
}
el("go").onclick = () => {
  // A tap meant for what stood there a moment ago sets nothing going.
  if (goal && fresh() && Date.now() - goalSince > SETTLE_MS) ask(goal.line);
};
el("confirm").onclick = () => { if (fresh() && status.offer) ask(`confirm ${status.offer.number}`); };
for (const button of document.querySelectorAll("[data-verb]")) button.onclick = () => ask(button.dataset.verb);
el("pair-form").onsubmit = (event) => { event.preventDefault(); pair(el("code").value); };
el("made-form").onsubmit = (event) => {
  event.preventDefault();
  ask(`mark made ${Number(el("made-count").value)}`, (ok, text) => { tell(text); if (ok) el("made-count").value = ""; look(); });
};
el("forget").onclick = () => { localStorage.removeItem("key"); connect(); };

// ---- Time, sleep, loss.

async function keepAwake() {
  // Only over https, or on this machine, may a page keep the screen on; nothing here depends on it.
  if (!("wakeLock" in navigator) || document.hidden || awake) return;
  try {
    awake = await navigator.wakeLock.request("screen");
    awake.onrelease = () => { awake = null; };
  } catch { awake = null; }
}

function wake() {
  if (document.hidden) return;
  keepAwake();
  if (!open() || Date.now() - heardAt > SILENT_MS) connect(); else look();
}

setInterval(clock, 100);
setInterval(() => {
  if (open() && Date.now() - heardAt > SILENT_MS) { const old = socket; old.onclose = null; old.close(); lose(say("page.no-news", { seconds: SILENT_MS / 1000 })); }
  else look();
  draw();
}, LOOK_MS);
document.addEventListener("visibilitychange", wake);
window.addEventListener("online", wake);
window.addEventListener("offline", () => { if (socket) { socket.onclose = null; socket.close(); } lose(say("page.no-network")); });
window.addEventListener("pageshow", (event) => { if (event.persisted) connect(); });
draw();
connect();
