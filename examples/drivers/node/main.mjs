// Socket, clock and signals: a DEALER, frames as they come, a turn each 5 ms.
//
// usage: node main.mjs ENDPOINT

import { randomBytes } from "node:crypto";
import { Dealer } from "zeromq";
import { makeDriver } from "./driver.mjs";

const TURN_MS = 5;
const UNSENT_MOST = 64;

const [endpoint] = process.argv.slice(2);
if (!endpoint) {
  console.error("usage: node main.mjs ENDPOINT");
  process.exit(2);
}

const clock = () => performance.now() / 1000;
const marks = { sendHighWaterMark: 64, receiveHighWaterMark: 256 };
const socket = new Dealer({ linger: 0, immediate: true, sendTimeout: 0, ...marks });
socket.connect(endpoint);

// This library sends one message at a time: the next goes when the one before went, or could not go.
const unsent = [];
let sending = false;
async function send(message) {
  if (unsent.length < UNSENT_MOST) unsent.push(JSON.stringify(message));
  if (sending) return;
  sending = true;
  // What cannot go is dropped: it would be stale by the time it could.
  while (unsent.length) await socket.send(unsent.shift()).catch(() => {});
  sending = false;
}

const driver = makeDriver(randomBytes(8).toString("hex"), send, clock());
const turns = setInterval(() => driver.turn(clock()), TURN_MS);

function end() {
  clearInterval(turns);
  driver.end(clock());
  socket.close();
  process.exit(0);
}
process.on("SIGTERM", end);
process.on("SIGINT", end);

for await (const parts of socket) {
  if (parts.length === 1) driver.receive(parts[0], clock());
  else driver.refuse("frame", "a message of several frames");
}
