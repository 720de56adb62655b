// Socket, clock and signals: a DEALER, frames as they come, a turn each 5 ms.
//
// usage: node main.mjs ENDPOINT [--log FILE]

import { randomBytes } from "node:crypto";
import { closeSync, openSync, readFileSync, writeSync } from "node:fs";
import { Dealer } from "zeromq";
import { TURN_MS, makeDriver } from "./driver.mjs";

const LATE_WAKE_S = 0.01;
const MAX_UNSENT = 64;

const [endpoint, option, path] = process.argv.slice(2);
if (!endpoint || (option && (option !== "--log" || !path))) {
  console.error("usage: node main.mjs ENDPOINT [--log FILE]");
  process.exit(2);
}

// The system's monotonic clock, so that the log can be held against what others on this computer saw.
const clock = () => Number(process.hrtime.bigint()) / 1e9;

// How long the computer has slept in all (L31). Node has no call for a clock that counts sleep and is finer than a second
// (os.uptime() may be cut to whole ones), so the kernel's text is read, in hundredths; first, so that a process that is
// frozen between both readings sees too little, never too much. Where there is no such file, as outside Linux, sleep is
// not found out: then keep the computer from suspending.
function asleep() {
  let counting;
  try {
    counting = Number.parseFloat(readFileSync("/proc/uptime", "latin1"));
  } catch {
    return 0;
  }
  return counting - clock();
}
if (asleep() === 0) console.error("no /proc/uptime: a computer that slept is not found out (L31)");

// The driver's own log, DRIVER_LOG.md: a line is in the file when `note` returns. A full disk stops nothing.
const file = path ? openSync(path, "a") : null;
function note(event, t, what) {
  if (file === null) return;
  try {
    writeSync(file, `${JSON.stringify({ t: Number(t.toFixed(6)), event, ...what })}\n`);
  } catch {
    // what cannot be written is lost
  }
}

const MAX_BYTES = 2 * 16384; // what is longer closes the connection unread

const marks = { sendHighWaterMark: 64, receiveHighWaterMark: 256, maxMessageSize: MAX_BYTES };
const socket = new Dealer({ linger: 0, immediate: true, sendTimeout: 0, ...marks });
socket.connect(endpoint);

// This library sends one message at a time: the next goes when the one before went, or could not go.
const unsent = [];
let sending = false;
async function send(message) {
  if (unsent.length < MAX_UNSENT) unsent.push(JSON.stringify(message));
  if (sending) return;
  sending = true;
  // What cannot go is dropped: it would be stale by the time it could.
  while (unsent.length) await socket.send(unsent.shift()).catch(() => {});
  sending = false;
}

const driver = makeDriver(randomBytes(8).toString("hex"), send, clock(), note);
let due = clock();
const turns = setInterval(() => {
  const now = clock();
  const late_s = now - due - TURN_MS / 1000;
  if (late_s > LATE_WAKE_S) note("late_wake", now, { late_ms: Math.round(late_s * 10000) / 10 });
  due = now;
  driver.turn(now, asleep());
}, TURN_MS);

// A terminal that has gone makes node itself fail at its exit: put nowhere in its place.
function letGo() {
  for (const terminal of [0, 1, 2]) {
    closeSync(terminal);
    openSync("/dev/null", "r+");
  }
}

// L29. Node forgets at its start that a signal was ignored: nohup does not keep a driver whose terminal closes, setsid
// does.
function end(signal) {
  clearInterval(turns);
  driver.end(clock());
  if (signal === "SIGHUP") letGo();
  socket.close();
  process.exit(0);
}
for (const signal of ["SIGTERM", "SIGINT", "SIGHUP"]) process.on(signal, end);

for await (const parts of socket) {
  if (parts.length === 1) driver.receive(parts[0], clock(), asleep());
  else driver.refuse("frame", "a message of several frames", clock());
}
